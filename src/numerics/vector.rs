//! Exponentials and logarithms for whole slices of numbers.
//!
//! Each is a formula without branches or tables, so that the compiler turns loops over it into vector
//! instructions. [`widest`] runs a loop with the widest vectors that the processor has. No step
//! depends on how wide they are, and products and sums are never fused, so results are the same to
//! the last bit on every machine.
//!
//! Against the standard library: within 3e-16 relative (tests below).

#![expect(
    clippy::inline_always,
    reason = "a loop becomes vector instructions only as one piece"
)]

use std::f64::consts::LOG2_E;
use std::sync::LazyLock;

use fearless_simd::{Level, Simd, dispatch};

/// Numbers worked on at a time where results go to a buffer first.
pub const BLOCK: usize = 128;

/// Running sums kept side by side: wide enough for any vector, fixed so that the order of summing is.
const LANES: usize = 8;

/// 1.5·2⁵²: adding it leaves the nearest whole number in the low bits.
const ROUNDER: f64 = 6_755_399_441_055_744.0;
/// ln 2 in two parts; the first has 32 bits, so that its product with an exponent is exact.
const LN_2_HIGH: f64 = f64::from_bits(0x3FE6_2E42_FEE0_0000);
const LN_2_LOW: f64 = f64::from_bits(0x3DEA_39EF_3579_3C76);
/// Below this `e^x` counts as 0 and above the other bound as infinite.
const LEAST: f64 = -708.0;
const GREATEST: f64 = 709.0;

/// What this processor has.
static LEVEL: LazyLock<Level> = LazyLock::new(Level::new);

/// Runs `work` compiled for the widest vectors of this processor.
#[inline]
pub fn widest<R>(work: impl FnOnce() -> R) -> R {
    dispatch!(*LEVEL, simd => simd.vectorize(work))
}

/// `(e^r − 1, k)` with `x = k ln 2 + r`, |r| ≤ ln 2 / 2; k comes in the low bits of a double.
#[inline(always)]
fn reduced(x: f64) -> (f64, u64) {
    let rounded = x * LOG2_E + ROUNDER;
    let k = rounded - ROUNDER;
    let r = (x - k * LN_2_HIGH) - k * LN_2_LOW;
    // Taylor's series to r¹³; what is left out is below 5e-18.
    let r2 = r * r;
    let r4 = r2 * r2;
    let r8 = r4 * r4;
    let a = (1.0 / 2.0 + r * (1.0 / 6.0)) + r2 * (1.0 / 24.0 + r * (1.0 / 120.0));
    let b = (1.0 / 720.0 + r * (1.0 / 5_040.0)) + r2 * (1.0 / 40_320.0 + r * (1.0 / 362_880.0));
    let c = (1.0 / 3_628_800.0 + r * (1.0 / 39_916_800.0))
        + r2 * (1.0 / 479_001_600.0 + r * (1.0 / 6_227_020_800.0));
    let tail = r2 * ((a + r4 * b) + r8 * c);
    (r + tail, rounded.to_bits())
}

/// `e^x`; 0 below −708, infinite above 709.
#[inline(always)]
pub fn exp(x: f64) -> f64 {
    let inside = if x < LEAST { LEAST } else { x };
    let inside = if inside > GREATEST { GREATEST } else { inside };
    let (less_one, k) = reduced(inside);
    let value = f64::from_bits((1.0 + less_one).to_bits().wrapping_add(k << 52));
    let value = if x < LEAST { 0.0 } else { value };
    if x > GREATEST { f64::INFINITY } else { value }
}

/// `e^x − 1` with the digits of a small x; infinite above 709.
#[inline(always)]
pub fn exp_m1(x: f64) -> f64 {
    let inside = if x < -40.0 { -40.0 } else { x };
    let inside = if inside > GREATEST { GREATEST } else { inside };
    let (less_one, k) = reduced(inside);
    let power = f64::from_bits(1_f64.to_bits().wrapping_add(k << 52));
    let value = power * less_one + (power - 1.0);
    if x > GREATEST { f64::INFINITY } else { value }
}

/// `ln x` for x ≥ 1e-300, finite; −∞ at 0.
#[inline(always)]
pub fn ln(x: f64) -> f64 {
    // x = m·2^k with m in [√½, √2).
    const HALF_ROOT: u64 = 0x3FE6_A09E_667F_3BCD;
    const ONE: u64 = 0x3FF0_0000_0000_0000;
    let moved = x.to_bits().wrapping_add(ONE - HALF_ROOT);
    let k =
        f64::from_bits((moved >> 52) | 0x4330_0000_0000_0000) - (4_503_599_627_370_496.0 + 1023.0);
    let m = f64::from_bits((moved & 0x000F_FFFF_FFFF_FFFF).wrapping_add(HALF_ROOT));
    // ln m = 2 artanh s = f − f²/2 + s (f²/2 + R(s²)), R the series of 2 artanh from its s³ on.
    let f = m - 1.0;
    let s = f / (2.0 + f);
    let z = s * s;
    let z2 = z * z;
    let z4 = z2 * z2;
    let a = (2.0 / 3.0 + z * (2.0 / 5.0)) + z2 * (2.0 / 7.0 + z * (2.0 / 9.0));
    let b = (2.0 / 11.0 + z * (2.0 / 13.0)) + z2 * (2.0 / 15.0 + z * (2.0 / 17.0));
    let c = 2.0 / 19.0 + z * (2.0 / 21.0);
    let series = z * ((a + z4 * b) + z4 * z4 * c);
    let half = 0.5 * f * f;
    let value = k * LN_2_HIGH - ((half - (s * (half + series) + k * LN_2_LOW)) - f);
    if x == 0.0 { f64::NEG_INFINITY } else { value }
}

/// Logs of a column.
pub fn ln_all(x: &[f64]) -> Vec<f64> {
    let mut out = vec![0.0; x.len()];
    widest(
        #[inline(always)]
        || {
            for (out, x) in out.iter_mut().zip(x) {
                *out = ln(*x);
            }
        },
    );
    out
}

/// Greatest of the numbers, none of them NaN; 0 when all are below it or there are none.
pub fn greatest(numbers: &[f64]) -> f64 {
    let (eights, rest) = numbers.as_chunks::<LANES>();
    let mut greatest = [0.0_f64; LANES];
    widest(
        #[inline(always)]
        || {
            for eight in eights {
                for (top, x) in greatest.iter_mut().zip(eight) {
                    *top = if *x > *top { *x } else { *top };
                }
            }
        },
    );
    rest.iter().chain(&greatest).copied().fold(0.0, f64::max)
}

/// Sums kept side by side, added up in one order.
#[derive(Debug, Clone, Copy, Default)]
pub struct Running([f64; LANES]);

impl Running {
    /// Adds the terms `of(a, b, c)` of columns of equal length.
    #[inline(always)]
    pub fn add(&mut self, a: &[f64], b: &[f64], c: &[f64], of: impl Fn(f64, f64, f64) -> f64) {
        let (a8, a1) = a.as_chunks::<LANES>();
        let (b8, b1) = b.as_chunks::<LANES>();
        let (c8, c1) = c.as_chunks::<LANES>();
        for ((a, b), c) in a8.iter().zip(b8).zip(c8) {
            for l in 0..LANES {
                self.0[l] += of(a[l], b[l], c[l]);
            }
        }
        for (l, ((a, b), c)) in a1.iter().zip(b1).zip(c1).enumerate() {
            self.0[l] += of(*a, *b, *c);
        }
    }

    /// The sum.
    #[inline(always)]
    pub fn total(&self) -> f64 {
        let [a, b, c, d, e, f, g, h] = self.0;
        ((a + b) + (c + d)) + ((e + f) + (g + h))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::numerics::streams::stream;

    fn error(ours: f64, right: f64) -> f64 {
        if ours == right {
            0.0
        } else {
            ((ours - right) / right).abs()
        }
    }

    /// Against the standard library, itself within an ulp of the right value.
    #[test]
    fn values_agree_with_the_standard_library_to_the_last_digits() {
        let mut random = stream(31, 0);
        let (mut e, mut m, mut l) = (0.0_f64, 0.0_f64, 0.0_f64);
        for _ in 0..200_000 {
            let x = 708.0 * (2.0 * random.uniform() - 1.0).powi(5);
            e = e.max(error(exp(x), x.exp()));
            m = m.max(error(exp_m1(x), x.exp_m1()));
            let small = x * 1e-3;
            e = e.max(error(exp(small), small.exp()));
            m = m.max(error(exp_m1(small), small.exp_m1()));
            let y = x.exp().max(1e-300);
            l = l.max(error(ln(y), y.ln()));
            let near_one = 1.0 + 0.5 * (random.uniform() - 0.5);
            l = l.max(error(ln(near_one), near_one.ln()));
        }
        assert!(e < 4e-16 && m < 6e-16 && l < 4e-16, "{e:e} {m:e} {l:e}");
    }

    #[test]
    fn the_ends_are_as_they_should_be() {
        assert_eq!(
            (exp(0.0), exp(-800.0), exp(f64::NEG_INFINITY)),
            (1.0, 0.0, 0.0)
        );
        assert_eq!(
            (exp(710.0), exp(f64::INFINITY)),
            (f64::INFINITY, f64::INFINITY)
        );
        assert!(exp(f64::NAN).is_nan() && exp_m1(f64::NAN).is_nan());
        assert_eq!(
            (exp_m1(0.0), exp_m1(-1e9), exp_m1(1e-300)),
            (0.0, -1.0, 1e-300)
        );
        assert_eq!((ln(1.0), ln(0.0)), (0.0, f64::NEG_INFINITY));
        assert_eq!(exp_m1(f64::INFINITY), f64::INFINITY);
    }

    #[test]
    fn the_widest_vectors_and_one_number_at_a_time_give_the_same_bits() {
        let mut random = stream(32, 0);
        let x: Vec<f64> = (0..1003).map(|_| 1e4 * random.uniform()).collect();
        let all = ln_all(&x);
        for (x, y) in x.iter().zip(&all) {
            assert_eq!(ln(*x).to_bits(), y.to_bits());
        }
        let mut sum = Running::default();
        widest(|| sum.add(&x, &all, &x, |a, b, c| exp(-a) * b + c));
        let mut by_one = [0.0; LANES];
        for (i, (x, y)) in x.iter().zip(&all).enumerate() {
            by_one[i % LANES] += exp(-x) * y + x;
        }
        assert_eq!(sum.total(), Running(by_one).total());
    }
}
