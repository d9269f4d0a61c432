//! Settings chained onto their defaults.

/// A method for each setting of a type that may grow: one that is always there, one that may be `None`, a list.
macro_rules! setters {
    ($options:ty {
        $(set $field:ident: $type:ty;)*
        $(some $optional:ident: $given:ty;)*
        $(list $several:ident: $items:ty;)*
    }) => {
        impl $options {
            $(
                #[doc = concat!("The same with this `", stringify!($field), "`.")]
                #[must_use]
                pub fn $field(mut self, $field: $type) -> Self {
                    self.$field = $field;
                    self
                }
            )*
            $(
                #[doc = concat!("The same with `Some` of this `", stringify!($optional), "`.")]
                #[must_use]
                pub fn $optional(mut self, $optional: $given) -> Self {
                    self.$optional = Some($optional.into());
                    self
                }
            )*
            $(
                #[doc = concat!("The same with these `", stringify!($several), "`.")]
                #[must_use]
                pub fn $several(mut self, $several: impl IntoIterator<Item = $items>) -> Self {
                    self.$several = $several.into_iter().map(Into::into).collect();
                    self
                }
            )*
        }
    };
}
pub(crate) use setters;
