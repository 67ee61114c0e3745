//! Roots, quadrature, special functions, convolution, seeded streams; no word of the domain.

pub mod quadrature;
pub mod roots;
pub mod special;
pub mod streams;
