//! Tracks of a mains series in a record that holds more than steady hum.
//!
//! x(t) = s(t) + m(t)·Σₖ (aₖ cos kθ(t) + bₖ sin kθ(t)) + lines + noise: slow content s, common phase θ and common gain m
//! are cubic B-splines with a knot a cycle, penalised by their differences (P. H. C. Eilers & B. D. Marx, Statistical
//! Science 11(2), 1996). How loose each of them is, "constant" included, is weighed by the evidence of the linearised
//! model (D. J. C. MacKay, Neural Computation 4(3), 1992) and figures are averaged over it.

mod figures;
mod fit;
mod mesh;
mod model;
mod others;
mod record;
mod rings;
mod settling;
mod solve;
mod start;
mod track_fit;
#[cfg(test)]
mod trials;

pub(crate) use record::TrackInput;
pub(crate) use track_fit::{TrackFit, fit_tracks};
