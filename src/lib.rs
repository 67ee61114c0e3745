//! wearcast turns a crew's replacement records into answers about wear parts: how long each part
//! lasts here and with how much certainty, which fitted parts will not last the next job, what to
//! change first, what to carry and what to order by when.
//!
//! Data flows one way, and each stage is a module with plain data in and plain data out:
//!
//! [`records`] → [`meters`] → [`lives`] → [`models`] → [`compare`] → [`forecast`] → [`stock`] →
//! [`analysis`] → [`report`] → [`cli`], with [`numerics`] below all of them and [`validate`]
//! beside [`report`]. A stage may use the stages before it and never one after it; a test holds
//! the list. Calculation never prints, and printing never calculates.
//!
//! # Conventions
//!
//! The axis of every life is operating hours. The Weibull model has shape β and scale η in hours:
//! `R(t) = exp(−(t/η)^β)`. On the log scale `σ = 1/β` and `μ = ln η`, so
//! `ln T = μ + σ·W` with `W` standard smallest extreme value. With covariates
//! `ln T = μ + x·b + σ·W`: a positive coefficient means a longer life.

pub mod analysis;
pub mod cli;
pub mod compare;
pub mod forecast;
pub mod lives;
pub mod meters;
pub mod models;
pub mod numerics;
pub mod records;
pub mod report;
pub mod stock;
pub mod validate;
