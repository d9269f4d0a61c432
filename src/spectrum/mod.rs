//! Spectra: windows, transforms at any frequency, and the one-sided power spectral density.

mod decimator;
mod density;
mod dirichlet;
pub(crate) mod fft;
mod hann_grid;
mod kaiser_bessel;
mod low_pass;
mod nudft;
mod overlap_save;
#[cfg(test)]
mod published;
mod tapers;
mod window;

pub use decimator::Decimator;
pub use density::{Density, Multitaper};
pub(crate) use dirichlet::{Kernel, Weighting};
pub(crate) use hann_grid::HannGrid;
pub(crate) use low_pass::{deep_low_pass, low_pass, low_pass_gain};
pub use nudft::Nudft;
pub(crate) use nudft::Position;
pub(crate) use overlap_save::OverlapSave;
pub(crate) use tapers::{Tapers, WholeBinTapers};
pub use window::Window;
pub(crate) use window::hann;
