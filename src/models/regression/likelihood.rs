//! Log-likelihood of accelerated lives with first and second derivatives.
//!
//! With `y = ln t` and `α = 1/σ`, `z = α·y − η`. Two coordinates are used:
//! - concave: `η = x·γ`, one α: without late entry the log-likelihood is concave in (γ, α), so
//!   Newton's method finds the one top from anywhere;
//! - natural: `η = α·(x·b)` and `a = ln α` by stratum: what is reported.

use rayon::iter::{IndexedParallelIterator, IntoParallelIterator, ParallelIterator};

use super::rows::{CHUNK, Known, Rows};
use crate::models::Kernel;
use crate::numerics::vector::{BLOCK, Running, exp, widest};

/// Columns of x up to which sums can go by whole columns.
const MOST_COLUMNS: usize = 6;

/// Which coordinates the derivatives are in.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Coordinates {
    Concave,
    Natural,
}

/// Value, gradient and Hessian.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Sums {
    pub(super) value: f64,
    pub(super) gradient: Vec<f64>,
    /// Symmetric, row by row.
    pub(super) hessian: Vec<f64>,
}

/// Derivatives of one life in (η, α).
#[derive(Debug, Clone, Copy, Default)]
struct Jet2 {
    value: f64,
    h: f64,
    a: f64,
    hh: f64,
    ha: f64,
    aa: f64,
}

impl Sums {
    fn zero(k: usize) -> Self {
        Self {
            value: 0.0,
            gradient: vec![0.0; k],
            hessian: vec![0.0; k * k],
        }
    }

    /// From (γ, α) to (b, a) with γ = e^a b and α = e^a; lower triangle only.
    pub(super) fn turn_natural(&mut self, gamma: &[f64], alpha: f64) {
        let p = gamma.len();
        let k = p + 1;
        fill_upper(&mut self.hessian, k);
        // What (γ, α) gain with a: themselves.
        let gain: Vec<f64> = gamma.iter().copied().chain([alpha]).collect();
        let along = |row: &[f64]| row.iter().zip(&gain).map(|(h, g)| h * g).sum::<f64>();
        let slope = along(&self.gradient);
        let rows: Vec<f64> = self.hessian.chunks_exact(k).map(along).collect();
        let bend = along(&rows) + slope;
        for (a, row) in rows[..p].iter().enumerate() {
            for cell in &mut self.hessian[a * k..=a * k + a] {
                *cell *= alpha * alpha;
            }
            self.hessian[p * k + a] = alpha * (row + self.gradient[a]);
            self.gradient[a] *= alpha;
        }
        self.hessian[p * k + p] = bend;
        self.gradient[p] = slope;
    }

    fn add(&mut self, other: &Self) {
        self.value += other.value;
        for (a, b) in self.gradient.iter_mut().zip(&other.gradient) {
            *a += b;
        }
        for (a, b) in self.hessian.iter_mut().zip(&other.hessian) {
            *a += b;
        }
    }
}

impl Rows {
    /// Weibull lives that are exact or right-censored, seen from new, of one stratum: their sums go by
    /// whole columns.
    fn plain(&self, kernel: Kernel, offset: &[f64]) -> bool {
        kernel == Kernel::SmallestExtreme
            && self.plain
            && self.p() <= MOST_COLUMNS
            && offset.is_empty()
    }

    /// Number of parameters: coefficients with the intercept, and one α a stratum.
    pub(super) fn parameters(&self, coordinates: Coordinates) -> usize {
        match coordinates {
            Coordinates::Concave => self.p() + 1,
            Coordinates::Natural => self.p() + self.strata,
        }
    }

    /// Sums over all lives; `offset` is subtracted from the log hours of each (empty for none).
    pub(super) fn sums(
        &self,
        kernel: Kernel,
        at: &[f64],
        coordinates: Coordinates,
        offset: &[f64],
    ) -> Sums {
        let k = self.parameters(coordinates);
        let chunk = |c: usize| {
            let rows = c * CHUNK..((c + 1) * CHUNK).min(self.len());
            if self.plain(kernel, offset) {
                self.plain_sums(at, coordinates, rows)
            } else {
                self.sums_over(kernel, at, coordinates, offset, rows)
            }
        };
        let chunks = self.len().div_ceil(CHUNK);
        let mut total = Sums::zero(k);
        if chunks > 2 {
            let parts: Vec<Sums> = (0..chunks)
                .into_par_iter()
                .with_min_len(1)
                .map(chunk)
                .collect();
            for part in &parts {
                total.add(part);
            }
        } else {
            for c in 0..chunks {
                total.add(&chunk(c));
            }
        }
        total.value += self.constant;
        fill_upper(&mut total.hessian, k);
        total
    }

    /// Sums over some lives only, without the constant; the Hessian's lower triangle only.
    pub(super) fn sums_over(
        &self,
        kernel: Kernel,
        at: &[f64],
        coordinates: Coordinates,
        offset: &[f64],
        rows: impl IntoIterator<Item = usize>,
    ) -> Sums {
        let p = self.p();
        let k = self.parameters(coordinates);
        let mut sums = Sums::zero(k);
        let mut x = vec![1.0; p];
        for i in rows {
            for (x, column) in x[1..].iter_mut().zip(&self.columns) {
                *x = column[i];
            }
            let linear: f64 = x.iter().zip(at).map(|(x, b)| x * b).sum();
            let (alpha, eta, place) = match coordinates {
                Coordinates::Concave => (at[p], linear, p),
                Coordinates::Natural => {
                    let s = self.stratum.get(i).map_or(0, |&s| s as usize);
                    let alpha = at[p + s].exp();
                    (alpha, alpha * linear, p + s)
                }
            };
            let shift = offset.get(i).copied().unwrap_or(0.0);
            let jet = self.jet(kernel, i, alpha, eta, shift);
            let w = self.weight(i);
            // Per-life derivatives in (coefficient channel, shape channel).
            let (gx, gs, xx, xs, ss) = match coordinates {
                Coordinates::Concave => (jet.h, jet.a, jet.hh, jet.ha, jet.aa),
                Coordinates::Natural => {
                    let slope = jet.a + jet.h * linear;
                    (
                        jet.h * alpha,
                        alpha * slope,
                        jet.hh * alpha * alpha,
                        alpha * (alpha * (jet.ha + jet.hh * linear) + jet.h),
                        alpha * alpha * (jet.aa + linear * (2.0 * jet.ha + jet.hh * linear))
                            + alpha * slope,
                    )
                }
            };
            sums.value += w * jet.value;
            let (wgx, wxx, wxs) = (w * gx, w * xx, w * xs);
            for a in 0..p {
                sums.gradient[a] += wgx * x[a];
                let scaled = wxx * x[a];
                let row = &mut sums.hessian[a * k..=a * k + a];
                for (cell, xb) in row.iter_mut().zip(&x) {
                    *cell += scaled * xb;
                }
            }
            sums.gradient[place] += w * gs;
            let row = &mut sums.hessian[place * k..(place + 1) * k];
            for (cell, x) in row.iter_mut().zip(&x) {
                *cell += wxs * x;
            }
            row[place] += w * ss;
        }
        sums
    }

    /// [`Self::sums_over`] for plain rows: in concave coordinates by vector instructions, then
    /// turned. With `e = w e^z`, d = w for a worn life and 0 for others, and `r = e − d`, the gradient
    /// is `Σ r x` in γ and `−Σ r y + Σ d/α` in α; the Hessian is made of `Σ e` times products of x and y.
    fn plain_sums(
        &self,
        at: &[f64],
        coordinates: Coordinates,
        rows: std::ops::Range<usize>,
    ) -> Sums {
        let p = self.p();
        let k = p + 1;
        let alpha = match coordinates {
            Coordinates::Concave => at[p],
            Coordinates::Natural => at[p].exp(),
        };
        let scale = match coordinates {
            Coordinates::Concave => 1.0,
            Coordinates::Natural => alpha,
        };
        let gamma: Vec<f64> = at[..p].iter().map(|b| scale * b).collect();
        // The columns after the ones, and y.
        let mut columns: [&[f64]; MOST_COLUMNS] = [&[]; MOST_COLUMNS];
        for (slot, column) in columns.iter_mut().zip(&self.columns) {
            *slot = &column[rows.clone()];
        }
        columns[p - 1] = &self.y[rows.clone()];
        let columns = &columns[..p];
        let (known, y) = (&self.known[rows.clone()], columns[p - 1]);
        let weight = self.weight.get(rows);
        // Σ of d z, of e and of d; of r and e with each column; of e with each two.
        let mut value = [Running::default(); 3];
        let mut first = [Running::default(); MOST_COLUMNS];
        let mut level = [Running::default(); MOST_COLUMNS];
        let mut second = [Running::default(); MOST_COLUMNS * (MOST_COLUMNS + 1) / 2];
        widest(
            #[inline(always)]
            || {
                let (mut worn, mut z, mut e) = ([0.0; BLOCK], [0.0; BLOCK], [0.0; BLOCK]);
                let (mut rest, mut scaled) = ([0.0; BLOCK], [0.0; BLOCK]);
                let mut start = 0;
                while start < y.len() {
                    let n = BLOCK.min(y.len() - start);
                    let block = start..start + n;
                    let (worn, z, e) = (&mut worn[..n], &mut z[..n], &mut e[..n]);
                    for (d, known) in worn.iter_mut().zip(&known[block.clone()]) {
                        *d = if *known == Known::Exactly { 1.0 } else { 0.0 };
                    }
                    for (z, y) in z.iter_mut().zip(&y[block.clone()]) {
                        *z = alpha * y - gamma[0];
                    }
                    for (column, gamma) in columns.iter().zip(&gamma[1..]) {
                        for (z, x) in z.iter_mut().zip(&column[block.clone()]) {
                            *z -= gamma * x;
                        }
                    }
                    for (e, z) in e.iter_mut().zip(&*z) {
                        *e = exp(*z);
                    }
                    if let Some(weight) = weight {
                        for ((e, d), w) in e.iter_mut().zip(&mut *worn).zip(&weight[block.clone()])
                        {
                            *e *= w;
                            *d *= w;
                        }
                    }
                    let (rest, scaled) = (&mut rest[..n], &mut scaled[..n]);
                    for ((r, e), d) in rest.iter_mut().zip(&*e).zip(&*worn) {
                        *r = e - d;
                    }
                    value[0].add(worn, z, z, |d, z, _| d * z);
                    value[1].add(e, z, z, |e, _, _| e);
                    value[2].add(worn, z, z, |d, _, _| d);
                    let mut cell = 0;
                    for (a, column) in columns.iter().enumerate() {
                        let column = &column[block.clone()];
                        for ((s, e), x) in scaled.iter_mut().zip(&*e).zip(column) {
                            *s = e * x;
                        }
                        first[a].add(rest, column, column, |r, x, _| r * x);
                        level[a].add(scaled, column, column, |s, _, _| s);
                        for other in &columns[..=a] {
                            second[cell]
                                .add(scaled, &other[block.clone()], scaled, |s, x, _| s * x);
                            cell += 1;
                        }
                    }
                    start += n;
                }
            },
        );
        let [worn_z, spent, worn] = value.each_ref().map(Running::total);
        let mut sums = Sums::zero(k);
        sums.value = worn_z + worn * alpha.ln() - spent;
        sums.gradient[0] = spent - worn;
        sums.hessian[0] = -spent;
        // z falls with γ and rises with α.
        let sign = |a: usize| if a == p { -1.0 } else { 1.0 };
        let mut cell = 0;
        for (a, (first, level)) in (1..=p).zip(first.iter().zip(&level)) {
            sums.gradient[a] = sign(a) * first.total();
            sums.hessian[a * k] = -sign(a) * level.total();
            for b in 1..=a {
                sums.hessian[a * k + b] = -sign(a) * sign(b) * second[cell].total();
                cell += 1;
            }
        }
        sums.gradient[p] += worn / alpha;
        sums.hessian[p * k + p] -= worn / (alpha * alpha);
        if coordinates == Coordinates::Natural {
            sums.turn_natural(&gamma, alpha);
        }
        sums
    }

    /// Log-likelihood of one life.
    pub(super) fn jet_value(&self, kernel: Kernel, i: usize, alpha: f64, eta: f64) -> f64 {
        self.jet(kernel, i, alpha, eta, 0.0).value
    }

    fn jet(&self, kernel: Kernel, i: usize, alpha: f64, eta: f64, shift: f64) -> Jet2 {
        let y = self.y[i] - shift;
        let z = alpha * y - eta;
        let single = |d: crate::models::Jet, y: f64| Jet2 {
            value: d.value,
            h: -d.first,
            a: d.first * y,
            hh: d.second,
            ha: -d.second * y,
            aa: d.second * y * y,
        };
        let mut entry = self.y_entry.get(i).copied().unwrap_or(f64::NEG_INFINITY);
        let mut jet = match self.known[i] {
            Known::Exactly => {
                let mut jet = single(kernel.ln_density(z), y);
                jet.value += alpha.ln();
                jet.a += 1.0 / alpha;
                jet.aa -= 1.0 / (alpha * alpha);
                jet
            }
            Known::Beyond => single(kernel.ln_survival(z), y),
            Known::Before => single(kernel.ln_cdf(z), y),
            Known::Between => {
                let high = self.y_high[i] - shift;
                let z_high = alpha * high - eta;
                let d = if entry == self.y[i] {
                    entry = f64::NEG_INFINITY;
                    kernel.ln_between_since(z, z_high)
                } else {
                    kernel.ln_between(z, z_high)
                };
                Jet2 {
                    value: d.value,
                    h: -(d.a + d.b),
                    a: d.a * y + d.b * high,
                    hh: d.aa + 2.0 * d.ab + d.bb,
                    ha: -(y * (d.aa + d.ab) + high * (d.ab + d.bb)),
                    aa: d.aa * y * y + 2.0 * d.ab * y * high + d.bb * high * high,
                }
            }
        };
        if entry > f64::NEG_INFINITY {
            let entry = entry - shift;
            let d = single(kernel.ln_survival(alpha * entry - eta), entry);
            jet.value -= d.value;
            jet.h -= d.h;
            jet.a -= d.a;
            jet.hh -= d.hh;
            jet.ha -= d.ha;
            jet.aa -= d.aa;
        }
        jet
    }
}

/// Copies the lower triangle to the upper one.
pub(super) fn fill_upper(matrix: &mut [f64], k: usize) {
    for a in 0..k {
        for b in 0..a {
            matrix[b * k + a] = matrix[a * k + b];
        }
    }
}
