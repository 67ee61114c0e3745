//! Roots, quadrature, special functions, convolution, seeded streams; no word of the domain.

pub mod gamma_curve;
pub(crate) mod in_order;
pub mod interpolate;
pub mod linear;
pub mod quadrature;
pub mod roots;
pub mod sort;
pub mod special;
pub mod streams;
pub mod student_t;
pub mod vector;
