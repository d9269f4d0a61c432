//! Numerical tools: linear systems and interpolation.

mod cholesky;
pub(crate) mod parabola;

pub(crate) use cholesky::Cholesky;
