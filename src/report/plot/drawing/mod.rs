//! What every plot is made of: axes, the common form, markers, how each condition and remedy looks, panels.

pub(super) mod axis;
pub(super) mod chart;
pub(super) mod lanes;
pub(super) mod marker;
pub(super) mod panels;
pub(super) mod picture;
pub(super) mod trace;
