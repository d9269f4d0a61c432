//! How text is laid out.

use super::rows::SHOWN;
use crate::setting::setters;

/// How much text shows, and within which columns.
///
/// ```
/// use humsieve::report::TextLayout;
///
/// let narrow = TextLayout::default().show(5).columns(60usize);
/// assert_eq!(TextLayout::default().columns, None);
/// # assert_eq!((narrow.show, narrow.columns), (5, Some(60)));
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[non_exhaustive]
pub struct TextLayout {
    /// Harmonics, and tones or lines, that text and Markdown show at most, the strongest; JSON and CSV hold all.
    pub show: usize,
    /// Columns of the terminal that text is for, fewer than 40 counted as 40: sentences break there, and a table that is
    /// wider folds or is stacked. `None`, no terminal: sentences break at 80, rows of tables nowhere.
    pub columns: Option<usize>,
}

setters!(TextLayout {
    set show: usize;
    some columns: usize;
});

impl Default for TextLayout {
    fn default() -> Self {
        Self {
            show: SHOWN,
            columns: None,
        }
    }
}
