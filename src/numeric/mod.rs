//! Numerical tools: linear systems, peaks between grid points, gaps, functions, loops for vector registers.

mod banded;
mod bessel;
mod bridge;
mod cholesky;
pub(crate) mod null;
pub(crate) mod parabola;
mod root;
mod vector;

pub(crate) use banded::{Banded, Factor, Roughness};
pub(crate) use bessel::bessel_i0;
pub(crate) use bridge::bridge;
pub(crate) use cholesky::Cholesky;
pub(crate) use root::rising_root;
pub(crate) use vector::{dot, finite, plain_dot, sum, vectorised};
