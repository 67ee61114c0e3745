//! Standard log-location-scale kernels: what a family is, in `z = (ln t − μ)/σ`.
//!
//! Weibull lives are smallest-extreme-value in z, lognormal ones normal, loglogistic ones logistic.
//! All logs of densities here are concave in z, which is what makes the likelihood in
//! `(μ/σ, 1/σ)` concave and Newton's method safe on it.

use serde::Serialize;

use crate::numerics::special::{
    ln_1m_exp, ln_normal_cdf, normal_cdf, normal_mills_inverse, normal_quantile,
};

/// `ln √(2π)`.
const LN_SQRT_2PI: f64 = 0.918_938_533_204_672_7;

/// A standard distribution on the log-time scale.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub enum Kernel {
    /// Smallest extreme value, `S(z) = exp(−e^z)`: Weibull and exponential lives.
    SmallestExtreme,
    /// Standard normal: lognormal lives.
    Normal,
    /// Standard logistic, `S(z) = 1/(1 + e^z)`: loglogistic lives.
    Logistic,
}

/// A function's value with its first and second derivative in z.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Jet {
    /// Value.
    pub value: f64,
    /// First derivative.
    pub first: f64,
    /// Second derivative.
    pub second: f64,
}

/// `ln(F(b) − F(a))` with its derivatives in a and b.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct PairJet {
    /// Value.
    pub value: f64,
    /// ∂/∂a.
    pub a: f64,
    /// ∂/∂b.
    pub b: f64,
    /// ∂²/∂a².
    pub aa: f64,
    /// ∂²/∂a∂b.
    pub ab: f64,
    /// ∂²/∂b².
    pub bb: f64,
}

impl Kernel {
    /// Log density `ln f(z)`.
    pub fn ln_density(self, z: f64) -> Jet {
        match self {
            Self::SmallestExtreme => {
                let e = z.exp();
                Jet {
                    value: z - e,
                    first: 1.0 - e,
                    second: -e,
                }
            }
            Self::Normal => Jet {
                value: -0.5 * z * z - LN_SQRT_2PI,
                first: -z,
                second: -1.0,
            },
            Self::Logistic => {
                // f = F S; with the smaller tail first, nothing overflows.
                let (f, s) = logistic_pair(z);
                Jet {
                    value: -z.abs() - 2.0 * (-z.abs()).exp().ln_1p(),
                    first: s - f,
                    second: -2.0 * f * s,
                }
            }
        }
    }

    /// Log survival `ln S(z)`.
    pub fn ln_survival(self, z: f64) -> Jet {
        match self {
            Self::SmallestExtreme => {
                let e = z.exp();
                Jet {
                    value: -e,
                    first: -e,
                    second: -e,
                }
            }
            Self::Normal => {
                let h = normal_mills_inverse(z);
                Jet {
                    value: ln_normal_cdf(-z),
                    first: -h,
                    second: -normal_hazard_slope(z, h),
                }
            }
            Self::Logistic => {
                let (f, s) = logistic_pair(z);
                Jet {
                    value: -softplus(z),
                    first: -f,
                    second: -f * s,
                }
            }
        }
    }

    /// Log distribution function `ln F(z)`.
    pub fn ln_cdf(self, z: f64) -> Jet {
        match self {
            Self::SmallestExtreme => {
                let e = z.exp();
                // F = 1 − exp(−e). d ln F/dz = e/(exp(e) − 1), which tends to 1 as e → 0.
                let value = if e < 1e-10 {
                    z - 0.5 * e
                } else {
                    ln_1m_exp(-e)
                };
                let first = if e < 1e-10 {
                    1.0 - 0.5 * e
                } else {
                    e / e.exp_m1()
                };
                // d/dz of that: first·(1 − e − first); its series −e/2 + e²/6 for small e, where
                // the three terms cancel.
                let second = if e < 1e-4 {
                    e * (-0.5 + e / 6.0)
                } else if first == 0.0 {
                    0.0
                } else {
                    first * (1.0 - e - first)
                };
                Jet {
                    value,
                    first,
                    second,
                }
            }
            Self::Normal | Self::Logistic => {
                // Symmetric: F(z) = S(−z).
                let mirrored = self.ln_survival(-z);
                Jet {
                    value: mirrored.value,
                    first: -mirrored.first,
                    second: mirrored.second,
                }
            }
        }
    }

    /// `ln(F(b) − F(a))` for a < b; −∞ when they are equal.
    pub fn ln_between(self, a: f64, b: f64) -> PairJet {
        let value = match self {
            // S(a)·(1 − exp(−(e^b − e^a))).
            Self::SmallestExtreme => extreme_between_since(a, b).1 - a.exp(),
            // F(b) − F(a) = S(a) F(b) (1 − e^−(b−a)).
            Self::Logistic => -softplus(a) - softplus(-b) + ln_1m_exp(a - b),
            Self::Normal => ln_normal_between(a, b),
        };
        let (fa, fb) = (self.ln_density(a), self.ln_density(b));
        let (ga, gb) = (-(fa.value - value).exp(), (fb.value - value).exp());
        PairJet {
            value,
            a: ga,
            b: gb,
            aa: product(ga, fa.first - ga),
            ab: -product(ga, gb),
            bb: product(gb, fb.first - gb),
        }
    }

    /// `ln((F(b) − F(a)) / S(a))` for a < b: worn by b, given that it still ran at a. Taken as one piece,
    /// because far out `ln S(a)` is large and what is left of it after subtraction would be rounding.
    pub fn ln_between_since(self, a: f64, b: f64) -> PairJet {
        let (sa, sb) = (self.ln_survival(a), self.ln_survival(b));
        // ln S(b) − ln S(a), and the value ln(1 − e^fall).
        let (fall, value) = match self {
            Self::SmallestExtreme => {
                let (gap, value) = extreme_between_since(a, b);
                (-gap, value)
            }
            // 1 − S(b)/S(a) = F(b) (1 − e^−(b−a)).
            Self::Logistic => (sb.value - sa.value, -softplus(-b) + ln_1m_exp(a - b)),
            Self::Normal => {
                let fall = sb.value - sa.value;
                let value = if a < 0.0 {
                    ln_normal_between(a, b) - sa.value
                } else {
                    ln_1m_exp(fall)
                };
                (fall, value)
            }
        };
        // With w = S(b)/(F(b) − F(a)), the value's slope in −fall, and the hazards −sa.first, −sb.first.
        let w = (fall - value).exp();
        let bend = w * (1.0 + w);
        PairJet {
            value,
            a: product(w, sa.first),
            b: -product(w, sb.first),
            aa: product(w, sa.second) - product(product(bend, sa.first), sa.first),
            ab: product(product(bend, sa.first), sb.first),
            bb: -product(w, sb.second) - product(product(bend, sb.first), sb.first),
        }
    }

    /// Survival `S(z)`.
    pub fn survival(self, z: f64) -> f64 {
        match self {
            Self::SmallestExtreme => (-z.exp()).exp(),
            Self::Normal => normal_cdf(-z),
            Self::Logistic => logistic_pair(z).1,
        }
    }

    /// Distribution function `F(z)`.
    pub fn cdf(self, z: f64) -> f64 {
        match self {
            Self::SmallestExtreme => -(-z.exp()).exp_m1(),
            Self::Normal => normal_cdf(z),
            Self::Logistic => logistic_pair(z).0,
        }
    }

    /// Quantile: the z with `F(z) = p`; ±∞ at 0 and 1.
    pub fn quantile(self, p: f64) -> f64 {
        match self {
            Self::SmallestExtreme => (-(-p).ln_1p()).ln(),
            Self::Normal => normal_quantile(p),
            Self::Logistic => p.ln() - (-p).ln_1p(),
        }
    }

    /// The z with `S(z) = s`, keeping the digits of a small s.
    pub fn quantile_of_survival(self, s: f64) -> f64 {
        match self {
            Self::SmallestExtreme => (-s.ln()).ln(),
            Self::Normal => -normal_quantile(s),
            Self::Logistic => (-s).ln_1p() - s.ln(),
        }
    }
}

/// `e^b − e^a` and `ln(1 − exp(−(e^b − e^a)))`, with `e^b − e^a = e^a (e^(b−a) − 1)`.
fn extreme_between_since(a: f64, b: f64) -> (f64, f64) {
    let gap = if b - a > 700.0 {
        b.exp() - a.exp()
    } else {
        a.exp() * (b - a).exp_m1()
    };
    if gap == 0.0 && b > a {
        // e^a underflows: F is e^z there.
        (gap, b + ln_1m_exp(a - b))
    } else {
        (gap, ln_1m_exp(-gap))
    }
}

/// 0·∞ happens only where a density is 0: the derivative is then 0 too.
fn product(x: f64, y: f64) -> f64 {
    if x == 0.0 || y == 0.0 { 0.0 } else { x * y }
}

/// `ln(1 + e^x)` without overflow.
fn softplus(x: f64) -> f64 {
    x.max(0.0) + (-x.abs()).exp().ln_1p()
}

/// `(F, S)` of the logistic, each with its own digits.
fn logistic_pair(z: f64) -> (f64, f64) {
    let e = (-z.abs()).exp();
    let (small, large) = (e / (1.0 + e), 1.0 / (1.0 + e));
    if z < 0.0 {
        (small, large)
    } else {
        (large, small)
    }
}

/// Slope of the normal hazard, `h(h − z)`, between 0 and 1; by `1 − 1/z² + 6/z⁴ − 50/z⁶` far out,
/// where h − z would cancel.
fn normal_hazard_slope(z: f64, h: f64) -> f64 {
    if z > 50.0 {
        let r = 1.0 / (z * z);
        1.0 - r * (1.0 - r * (6.0 - 50.0 * r))
    } else {
        h * (h - z)
    }
}

fn ln_normal_between(a: f64, b: f64) -> f64 {
    // Work in the tail where both are small.
    let (a, b) = if a > 0.0 { (-b, -a) } else { (a, b) };
    let width = b - a;
    let middle = 0.5 * (a + b);
    if width < 0.5 && width * middle.abs() < 1.0 {
        // ∫ φ = φ(m) ∫ exp(−m x − x²/2) over ±width/2; even terms of the series of the
        // integrand's Taylor polynomial, by five-point Gauss–Legendre (error below 1e-16 here).
        const NODES: [f64; 3] = [0.0, 0.538_469_310_105_683_1, 0.906_179_845_938_664];
        const WEIGHTS: [f64; 3] = [
            0.568_888_888_888_888_9,
            0.478_628_670_499_366_47,
            0.236_926_885_056_189_1,
        ];
        let half = 0.5 * width;
        let f = |x: f64| (-x * (middle + 0.5 * x)).exp();
        let mut sum = WEIGHTS[0] * f(0.0);
        for k in 1..3 {
            let x = half * NODES[k];
            sum += WEIGHTS[k] * (f(x) + f(-x));
        }
        return -0.5 * middle * middle - LN_SQRT_2PI + (half * sum).ln();
    }
    if b <= 0.0 {
        let (ln_a, ln_b) = (ln_normal_cdf(a), ln_normal_cdf(b));
        ln_b + ln_1m_exp(ln_a - ln_b)
    } else {
        (-(normal_cdf(a) + normal_cdf(-b))).ln_1p()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;
    use proptest::prelude::*;

    const ALL: [Kernel; 3] = [Kernel::SmallestExtreme, Kernel::Normal, Kernel::Logistic];

    /// Closed forms: the smallest extreme value at z = 0 has f = 1/e, S = 1/e; the logistic ¼, ½.
    #[test]
    fn values_at_zero_are_the_closed_forms() {
        let sev = Kernel::SmallestExtreme;
        assert_relative_eq!(sev.ln_density(0.0).value, -1.0);
        assert_relative_eq!(sev.ln_survival(0.0).value, -1.0);
        assert_relative_eq!(Kernel::Logistic.ln_density(0.0).value, 0.25_f64.ln());
        assert_relative_eq!(Kernel::Logistic.ln_survival(0.0).value, 0.5_f64.ln());
        assert_relative_eq!(
            Kernel::Normal.ln_density(0.0).value,
            -0.5 * (2.0 * std::f64::consts::PI).ln()
        );
        assert_relative_eq!(Kernel::Normal.ln_cdf(0.0).value, 0.5_f64.ln());
    }

    #[test]
    fn far_tails_are_finite_and_concave() {
        for kernel in ALL {
            for z in [-600.0, -60.0, -20.0, 6.0] {
                for jet in [
                    kernel.ln_density(z),
                    kernel.ln_survival(z),
                    kernel.ln_cdf(z),
                ] {
                    assert!(jet.value.is_finite(), "{kernel:?} {z} {jet:?}");
                    assert!(
                        jet.first.is_finite() && jet.second <= 0.0,
                        "{kernel:?} {z} {jet:?}"
                    );
                }
            }
        }
        // S(z) = exp(−e^z) far below: ln F = z − e^z/2 + …
        assert_relative_eq!(Kernel::SmallestExtreme.ln_cdf(-300.0).value, -300.0);
        let tail = Kernel::SmallestExtreme.ln_between(-800.0, -799.0);
        assert_relative_eq!(
            tail.value,
            -799.0 + (1.0 - (-1.0_f64).exp()).ln(),
            max_relative = 1e-14
        );
    }

    /// ln((F(b) − F(a))/S(a)) by mpmath 1.4 at 60 digits, out to where ln S(a) is −5e8.
    #[test]
    fn worn_by_an_age_given_an_earlier_one_keeps_its_digits_far_out() {
        for (kernel, a, b, expected) in MPMATH_BETWEEN_SINCE {
            let ours = kernel.ln_between_since(a, b).value;
            assert_relative_eq!(ours, expected, max_relative = 1e-10);
        }
    }

    /// ln(Φ(b) − Φ(a)) by mpmath 1.3 at 40 digits, across the switch between the two formulas.
    #[test]
    fn normal_intervals_match_thirty_digit_values() {
        for (a, b, value) in MPMATH_NORMAL_BETWEEN {
            let ours = Kernel::Normal.ln_between(a, b).value;
            assert_relative_eq!(ours, value, max_relative = 5e-14);
        }
    }

    proptest! {
        #[test]
        fn derivatives_agree_with_central_differences(z in -8.0..4.0_f64, k in 0..3_usize) {
            let kernel = ALL[k];
            let h = 1e-5;
            for f in [Kernel::ln_density, Kernel::ln_survival, Kernel::ln_cdf] {
                let (left, middle, right) = (f(kernel, z - h), f(kernel, z), f(kernel, z + h));
                let first = (right.value - left.value) / (2.0 * h);
                prop_assert!((first - middle.first).abs() < 1e-6 * (1.0 + middle.first.abs()));
                let second = (right.first - left.first) / (2.0 * h);
                prop_assert!((second - middle.second).abs() < 1e-6 * (1.0 + middle.second.abs()));
            }
        }

        #[test]
        fn interval_derivatives_agree_with_central_differences(
            a in -6.0..3.0_f64, width in 0.01..3.0_f64, k in 0..3_usize
        ) {
            let (kernel, b) = (ALL[k], a + width);
            let h = 1e-5;
            for f in [Kernel::ln_between, Kernel::ln_between_since] {
                let at = f(kernel, a, b);
                let (al, ar) = (f(kernel, a - h, b), f(kernel, a + h, b));
                let (bl, br) = (f(kernel, a, b - h), f(kernel, a, b + h));
                let near = |numeric: f64, ours: f64| (numeric - ours).abs() < 2e-5 * (1.0 + ours.abs());
                prop_assert!(near((ar.value - al.value) / (2.0 * h), at.a));
                prop_assert!(near((br.value - bl.value) / (2.0 * h), at.b));
                prop_assert!(near((ar.a - al.a) / (2.0 * h), at.aa));
                prop_assert!(near((br.a - bl.a) / (2.0 * h), at.ab));
                prop_assert!(near((br.b - bl.b) / (2.0 * h), at.bb));
            }
            // The same as in two pieces, where those keep their digits.
            let pieces = kernel.ln_between(a, b).value - kernel.ln_survival(a).value;
            let whole = kernel.ln_between_since(a, b).value;
            prop_assert!((pieces - whole).abs() < 1e-12 * (1.0 + kernel.ln_survival(a).value.abs()));
        }

        #[test]
        fn the_parts_make_a_whole(z in -30.0..6.0_f64, k in 0..3_usize) {
            let kernel = ALL[k];
            let (f, s) = (kernel.cdf(z), kernel.survival(z));
            prop_assert!((f + s - 1.0).abs() < 1e-15);
            prop_assert!((kernel.ln_cdf(z).value.exp() - f).abs() < 1e-14 * f.max(1e-3));
            prop_assert!((kernel.ln_survival(z).value.exp() - s).abs() < 1e-13);
            let split = kernel.ln_between(z - 2.0, z).value.exp() + kernel.cdf(z - 2.0);
            prop_assert!((split - f).abs() < 1e-14);
            if f > 1e-280 && f < 0.999 {
                prop_assert!((kernel.quantile(f) - z).abs() < 1e-9 * (1.0 + z.abs()));
            }
            if s > 1e-280 && s < 0.999 {
                prop_assert!((kernel.quantile_of_survival(s) - z).abs() < 1e-9 * (1.0 + z.abs()));
            }
        }
    }

    const MPMATH_BETWEEN_SINCE: [(Kernel, f64, f64, f64); 14] = [
        (Kernel::SmallestExtreme, -50.0, -49.5, -50.43275212956719),
        (Kernel::SmallestExtreme, 4.0, 4.001, -2.9344436386498347),
        (Kernel::SmallestExtreme, 5.5, 5.6, -6.662840892253752e-12),
        (Kernel::SmallestExtreme, -3.0, 2.0, -0.0006497361633128211),
        (
            Kernel::SmallestExtreme,
            20.0,
            20.000000001,
            -0.9560598172340825,
        ),
        (Kernel::Normal, -10.0, -9.9, -52.68228769313719),
        (Kernel::Normal, -0.5, 3.0, -0.0019541442733761296),
        (Kernel::Normal, 6.0, 6.01, -2.817206190789185),
        (Kernel::Normal, 30.0, 30.0001, -5.80953457550543),
        (Kernel::Normal, 12.0, 13.0, -3.443420505026231e-06),
        (Kernel::Logistic, -30.0, -29.0, -29.458675145387335),
        (Kernel::Logistic, 40.0, 40.5, -0.9327521295671886),
        (Kernel::Logistic, 300.0, 300.001, -6.908255237339106),
        (Kernel::Logistic, -1.0, 1.0, -0.4586751453870819),
    ];

    const MPMATH_NORMAL_BETWEEN: [(f64, f64, f64); 15] = [
        (-1.0, 1.0, -0.38171514630212605),
        (-0.1, 0.1, -2.5300420015472382),
        (-1.0, -0.6, -2.157637801992312),
        (-1.0, -0.4, -1.6824226454974682),
        (-3.0, -2.9, -7.569568013807489),
        (-12.0, -11.0, -63.82494339220965),
        (-12.0, -11.99, -77.46352595960965),
        (-40.0, -39.999, -807.8066273147468),
        (-40.0, -30.0, -454.3212439563432),
        (3.0, 3.5, -6.796868006683432),
        (8.0, 8.1, -35.5963423738395),
        (20.0, 25.0, -203.91715537109727),
        (-1e-06, 1e-06, -14.041301910609167),
        (-2.0, 9.0, -0.02301290932896349),
        (1.5, 1.5000001, -18.162034258579126),
    ];
}
