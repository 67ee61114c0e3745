//! Sums of the smallest extreme value's likelihood (Weibull lives) over whole columns, by vector
//! instructions: the same formulas as [`Kernel`](super::Kernel), arranged so that nothing cancels.

#![expect(
    clippy::inline_always,
    reason = "a loop becomes vector instructions only as one piece"
)]

use crate::numerics::vector::{BLOCK, Running, exp, exp_m1, ln, widest};

use super::log_lives::{Betweens, Weighted};

/// Columns up to this long get room of that size only: clearing a whole block would take longer than the sums.
const FEW: usize = 16;
/// Beyond this v = e^z a survival e^−v is 0 to any digit; kept finite so that 0·∞ cannot come up.
const MOST_SPENT: f64 = 750.0;

/// `Σ w e^z z^k` for k = 0, 1, 2, with z = τ (y − μ).
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Powers {
    pub(super) zeroth: f64,
    pub(super) first: f64,
    pub(super) second: f64,
}

impl Powers {
    /// Adds another's sums, times a sign.
    pub(super) fn add(&mut self, sign: f64, other: Self) {
        self.zeroth += sign * other.zeroth;
        self.first += sign * other.first;
        self.second += sign * other.second;
    }
}

/// Sums of one column.
pub(super) fn powers(column: &Weighted, mu: f64, tau: f64) -> Powers {
    if column.y.is_empty() {
        return Powers::default();
    }
    if column.y.len() <= FEW {
        powers_by::<FEW>(column, mu, tau)
    } else {
        powers_by::<BLOCK>(column, mu, tau)
    }
}

fn powers_by<const N: usize>(column: &Weighted, mu: f64, tau: f64) -> Powers {
    widest(
        #[inline(always)]
        || {
            let mut sums = [Running::default(); 3];
            let (mut z, mut e) = ([0.0; N], [0.0; N]);
            for (y, w) in column.y.chunks(N).zip(column.weight.chunks(N)) {
                let (z, e) = (&mut z[..y.len()], &mut e[..y.len()]);
                for (((z, e), y), w) in z.iter_mut().zip(e.iter_mut()).zip(y).zip(w) {
                    *z = tau * (y - mu);
                    *e = w * exp(*z);
                }
                let [zeroth, first, second] = &mut sums;
                zeroth.add(e, z, z, |e, _, _| e);
                first.add(e, z, z, |e, z, _| e * z);
                second.add(e, z, z, |e, z, _| e * z * z);
            }
            let [zeroth, first, second] = sums.map(|s| s.total());
            Powers {
                zeroth,
                first,
                second,
            }
        },
    )
}

/// `Σ w e^z` alone.
pub(super) fn power(column: &Weighted, mu: f64, tau: f64) -> f64 {
    widest(
        #[inline(always)]
        || {
            let mut sum = Running::default();
            sum.add(&column.weight, &column.y, &column.y, |w, y, _| {
                w * exp(tau * (y - mu))
            });
            sum.total()
        },
    )
}

/// `(Σ w, Σ w y)`.
pub(super) fn weight_and_mean(column: &Weighted) -> (f64, f64) {
    let (mut weight, mut sum) = (Running::default(), Running::default());
    widest(
        #[inline(always)]
        || {
            weight.add(&column.weight, &column.y, &column.y, |w, _, _| w);
            sum.add(&column.weight, &column.y, &column.y, |w, y, _| w * y);
        },
    );
    (weight.total(), sum.total())
}

/// Sums for lives known within bounds or to have ended before an age: value, and derivatives g and h
/// of each life's term in z with their moments, as in [`super::likelihood`].
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Within {
    pub(super) value: f64,
    pub(super) g: f64,
    pub(super) gz: f64,
    pub(super) h: f64,
    pub(super) hz: f64,
    pub(super) hzz: f64,
}

/// The terms of a block, before they are added up.
struct Terms<const N: usize> {
    columns: [[f64; N]; 6],
}

impl<const N: usize> Terms<N> {
    #[inline(always)]
    fn new() -> Self {
        Self {
            columns: [[0.0; N]; 6],
        }
    }

    /// Works out the terms of each row, none of them depending on another, and adds them up.
    #[inline(always)]
    fn add<T>(
        &mut self,
        rows: impl Iterator<Item = T>,
        weight: &[f64],
        sums: &mut [Running; 6],
        of: impl Fn(T) -> [f64; 6],
    ) {
        let [a, b, c, d, e, f] = &mut self.columns;
        let out = (a.iter_mut().zip(b).zip(c)).zip(d.iter_mut().zip(e).zip(f));
        for ((((a, b), c), ((d, e), f)), row) in out.zip(rows) {
            [*a, *b, *c, *d, *e, *f] = of(row);
        }
        for (sum, column) in sums.iter_mut().zip(&self.columns) {
            let terms = &column[..weight.len()];
            sum.add(terms, weight, weight, |term, w, _| w * term);
        }
    }
}

fn within(sums: &[Running; 6]) -> Within {
    let [value, g, gz, h, hz, hzz] = sums.each_ref().map(Running::total);
    Within {
        value,
        g,
        gz,
        h,
        hz,
        hzz,
    }
}

/// Lives that ended before an age: `ln F = ln(1 − e^−v)`, with v = e^z; u = v/(e^v − 1) is its slope
/// in z and u (1 − v − u) its bend.
pub(super) fn before(column: &Weighted, mu: f64, tau: f64) -> Within {
    if column.y.is_empty() {
        return Within::default();
    }
    if column.y.len() <= FEW {
        before_by::<FEW>(column, mu, tau)
    } else {
        before_by::<BLOCK>(column, mu, tau)
    }
}

fn before_by<const N: usize>(column: &Weighted, mu: f64, tau: f64) -> Within {
    widest(
        #[inline(always)]
        || {
            let mut sums = [Running::default(); 6];
            let mut terms = Terms::<N>::new();
            for (y, w) in column.y.chunks(N).zip(column.weight.chunks(N)) {
                terms.add(
                    y.iter(),
                    w,
                    &mut sums,
                    #[inline(always)]
                    |y| {
                        let z = tau * (y - mu);
                        let v = exp(z);
                        let v = if v > MOST_SPENT { MOST_SPENT } else { v };
                        let gone = exp_m1(-v);
                        let tiny = z < -40.0;
                        let slope = v * (1.0 + gone) / -gone;
                        let slope = if tiny { 1.0 } else { slope };
                        let bend = slope * (1.0 - v - slope);
                        let bend = if v < 1e-4 {
                            v * (v * (1.0 / 6.0) - 0.5)
                        } else {
                            bend
                        };
                        let ln_f = ln(-gone);
                        let value = if tiny { z } else { ln_f };
                        [value, slope, slope * z, bend, bend * z, bend * z * z]
                    },
                );
            }
            within(&sums)
        },
    )
}

/// Lives that ended between two ages. With v = e^z at the first and D = v (e^(τ width) − 1),
/// `ln(S(a) − S(b)) = −v + ln(1 − e^−D)`; u = D/(e^D − 1). Both ends' derivatives are added up as
/// `g = u − v`, `h = u (1 − D − u) − v` and what the width adds to their moments, so that none of
/// the large terms of a narrow interval has to cancel.
///
/// Rows from..to. `None` where an age is so far in the lower tail that e^z underflows.
pub(super) fn between(
    rows: &Betweens,
    range: std::ops::Range<usize>,
    mu: f64,
    tau: f64,
) -> Option<Within> {
    if range.len() <= FEW {
        between_by::<FEW>(rows, range, mu, tau)
    } else {
        between_by::<BLOCK>(rows, range, mu, tau)
    }
}

fn between_by<const N: usize>(
    rows: &Betweens,
    range: std::ops::Range<usize>,
    mu: f64,
    tau: f64,
) -> Option<Within> {
    let columns = (
        &rows.a[range.clone()],
        &rows.b[range.clone()],
        &rows.weight[range],
    );
    widest(
        #[inline(always)]
        || {
            let (a, b, weight) = columns;
            let mut sums = [Running::default(); 6];
            let mut terms = Terms::<N>::new();
            let mut far = false;
            for ((a, b), w) in a.chunks(N).zip(b.chunks(N)).zip(weight.chunks(N)) {
                terms.add(
                    a.iter().zip(b),
                    w,
                    &mut sums,
                    #[inline(always)]
                    |(a, b)| {
                        let z = tau * (a - mu);
                        let width = tau * (b - a);
                        let v = exp(z);
                        let spent = v * exp_m1(width);
                        let spent = if spent > MOST_SPENT {
                            MOST_SPENT
                        } else {
                            spent
                        };
                        let gone = exp_m1(-spent);
                        // 1/(e^D − 1), e^v's share at both ends.
                        let q = (1.0 + gone) / -gone;
                        let u = spent * q;
                        let upper = q * v + u;
                        let both = upper * (1.0 - spent - u);
                        let upper_twice = upper * (1.0 - v - q * v - spent - u);
                        let (slope, bend) = (u - v, u * (1.0 - spent - u) - v);
                        [
                            ln(-gone) - v,
                            slope,
                            slope * z + upper * width,
                            bend,
                            bend * z + width * both,
                            bend * z * z + 2.0 * z * width * both + width * width * upper_twice,
                        ]
                    },
                );
                for a in a {
                    far |= tau * (a - mu) < -600.0;
                }
            }
            (!far).then(|| within(&sums))
        },
    )
}
