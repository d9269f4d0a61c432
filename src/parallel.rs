//! Work on all cores: rayon's iterators with the feature `parallel`, the same calls one after another without.

#[cfg(feature = "parallel")]
pub(crate) use rayon::prelude::*;
#[cfg(not(feature = "parallel"))]
pub(crate) use serial::InTurn;

/// How many threads there are to work on.
pub(crate) fn threads() -> usize {
    #[cfg(feature = "parallel")]
    return rayon::current_num_threads();
    #[cfg(not(feature = "parallel"))]
    1
}

/// Does one thing on this thread while any other does what is aside.
pub(crate) fn beside<R>(aside: impl FnOnce() + Send, here: impl FnOnce() -> R) -> R {
    #[cfg(feature = "parallel")]
    return rayon::in_place_scope(|scope| {
        scope.spawn(|_| aside());
        here()
    });
    #[cfg(not(feature = "parallel"))]
    {
        aside();
        here()
    }
}

#[cfg(not(feature = "parallel"))]
mod serial {
    use std::slice::{Chunks, ChunksMut, Iter, IterMut};

    /// The parallel iterators of a slice, in turn.
    pub(crate) trait InTurn<T> {
        fn par_iter(&self) -> Iter<'_, T>;
        fn par_iter_mut(&mut self) -> IterMut<'_, T>;
        fn par_chunks(&self, size: usize) -> Chunks<'_, T>;
        fn par_chunks_mut(&mut self, size: usize) -> ChunksMut<'_, T>;
    }

    impl<T> InTurn<T> for [T] {
        fn par_iter(&self) -> Iter<'_, T> {
            self.iter()
        }

        fn par_iter_mut(&mut self) -> IterMut<'_, T> {
            self.iter_mut()
        }

        fn par_chunks(&self, size: usize) -> Chunks<'_, T> {
            self.chunks(size)
        }

        fn par_chunks_mut(&mut self, size: usize) -> ChunksMut<'_, T> {
            self.chunks_mut(size)
        }
    }
}
