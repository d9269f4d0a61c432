//! A plot as it stands on the page.

use crate::report::plot::Plot;

/// A plot with the sentence below it and, for Markdown, the file it stands in.
#[derive(Debug, Clone)]
pub(in crate::report::page) struct Picture {
    pub plot: Plot,
    pub caption: String,
    pub link: String,
}

impl Picture {
    pub fn new(plot: Plot, caption: String) -> Self {
        Self {
            plot,
            caption,
            link: String::new(),
        }
    }
}
