//! Spectra: windows.

mod window;

pub use window::Window;
