//! Roots, quadrature, special functions, convolution, seeded streams; no word of the domain.
