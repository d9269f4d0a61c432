//! Spectra: windows.
