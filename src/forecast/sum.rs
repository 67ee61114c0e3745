//! The number of parts that many positions need together, under one curve.

use super::counts::Counts;
use super::firsts::Firsts;
use crate::numerics::vector::{exp, widest};

/// Up to so many positions are summed by convolution.
pub(super) const FEW: u32 = 60;

/// Least chance of needing none for the power series of the logarithm.
const RARE: f64 = 0.7;

/// Above this variance the sum is taken from its cumulants.
pub(super) const SMOOTH: f64 = 8.0;

/// Chances below this are left off at either end.
const NEGLIGIBLE: f64 = 1e-13;

/// Chances of so many parts at one position, or more, below this count as those of one less.
const LEAST: f64 = 1e-10;

/// The first five cumulants of a number of parts.
pub(super) type Cumulants = [f64; 5];

/// Distribution of what all positions of some groups need together: `row(g, i)` is `P(N ≥ n)`, n = 1, 2, …, of
/// first life i of group g. By convolution; where the variance is above 8, from the first five cumulants.
pub(super) fn total<'b>(
    firsts: &[Firsts],
    groups: &[usize],
    row: impl Fn(usize, usize) -> &'b [f64],
) -> Counts {
    match cumulants(firsts, groups, &row) {
        Some(cumulants) if cumulants[1] > SMOOTH => series(&cumulants),
        Some(cumulants) => rarely(firsts, groups, &row, &cumulants)
            .unwrap_or_else(|| convolved(firsts, groups, row)),
        None => convolved(firsts, groups, row),
    }
}

/// Distribution where every position more likely needs none: `ln Σ pₙ zⁿ` adds over positions, as a power
/// series; `None` elsewhere, where that series would not converge fast.
fn rarely<'b>(
    firsts: &[Firsts],
    groups: &[usize],
    row: impl Fn(usize, usize) -> &'b [f64],
    cumulants: &Cumulants,
) -> Option<Counts> {
    let most = (cumulants[0] + 12.0 * cumulants[1].max(1.0).sqrt()).ceil() as usize + 8;
    let (mut ln_none, mut logs) = (0.0, vec![0.0; most + 1]);
    let (mut own, mut terms) = (Vec::new(), vec![0.0; most + 1]);
    for g in needing(firsts, groups, &row) {
        for (i, share) in firsts[g].shares.iter().enumerate() {
            probabilities(row(g, i), &mut own);
            if own[0] < RARE {
                return None;
            }
            ln_none += share * own[0].ln();
            // A = 1 + Σ a z^j has k·(ln A)_k = k·a_k − Σ_m m·(ln A)_m·a_{k−m}; terms holds k·(ln A)_k.
            let ratio = |j: usize| own.get(j).map_or(0.0, |p| p / own[0]);
            for k in 1..=most {
                let first = (k + 1).saturating_sub(own.len()).max(1);
                let earlier: f64 = (first..k).map(|m| terms[m] * ratio(k - m)).sum();
                terms[k] = k as f64 * ratio(k) - earlier;
                logs[k] += share * terms[k];
            }
        }
    }
    // B = e^C has k·b_k = Σ_m m·c_m·b_{k−m}.
    let mut chances = vec![0.0; most + 1];
    chances[0] = ln_none.exp();
    for k in 1..=most {
        let sum: f64 = (1..=k).map(|m| logs[m] * chances[k - m]).sum();
        chances[k] = sum / k as f64;
    }
    for chance in &mut chances {
        *chance = chance.max(0.0);
    }
    Some(Counts::from_weights(chances))
}

/// Cumulants of what all positions need together: they add. `None` for few positions.
pub(super) fn cumulants<'b>(
    firsts: &[Firsts],
    groups: &[usize],
    row: impl Fn(usize, usize) -> &'b [f64],
) -> Option<Cumulants> {
    let of = |g: &usize| Some((firsts[*g].count, cumulants_of(&firsts[*g], |i| row(*g, i))?));
    if groups.iter().map(|g| firsts[*g].count).sum::<u32>() <= FEW {
        return None;
    }
    of_groups(groups.iter().filter_map(of))
}

/// Cumulants of one group's positions; `None` where none of them needs any part.
pub(super) fn cumulants_of<'b>(
    firsts: &Firsts,
    row: impl Fn(usize) -> &'b [f64],
) -> Option<Cumulants> {
    if (0..firsts.lives.len()).all(|i| row(i).is_empty()) {
        return None;
    }
    let mut cumulants = [0.0; 5];
    for (i, share) in firsts.shares.iter().enumerate() {
        add_cumulants(&mut cumulants, row(i), *share);
    }
    Some(cumulants)
}

/// Cumulants of several groups, with their numbers of positions; `None` for few positions in all.
pub(super) fn of_groups(groups: impl Iterator<Item = (u32, Cumulants)>) -> Option<Cumulants> {
    let (mut count, mut sum) = (0, [0.0; 5]);
    for (positions, cumulants) in groups {
        count += positions;
        for (sum, own) in sum.iter_mut().zip(cumulants) {
            *sum += own;
        }
    }
    (count > FEW).then_some(sum)
}

/// Every group.
pub(super) fn every(firsts: &[Firsts]) -> Vec<usize> {
    (0..firsts.len()).collect()
}

/// Those groups of which any position needs any part.
fn needing<'b>(
    firsts: &[Firsts],
    groups: &[usize],
    row: impl Fn(usize, usize) -> &'b [f64],
) -> impl Iterator<Item = usize> {
    let any = move |g: usize| (0..firsts[g].lives.len()).any(|i| !row(g, i).is_empty());
    groups.iter().copied().filter(move |g| any(*g))
}

/// The distribution by convolution.
pub(super) fn convolved<'b>(
    firsts: &[Firsts],
    groups: &[usize],
    row: impl Fn(usize, usize) -> &'b [f64],
) -> Counts {
    let (mut sum, mut space) = (Sum::default(), Space::default());
    for g in needing(firsts, groups, &row) {
        sum.add_group(&firsts[g], |i| row(g, i), &mut space);
    }
    Counts::from_weights(sum.into_chances())
}

/// What one group's positions need, by convolution: the chances of 0, 1, 2, … parts.
pub(super) fn convolved_group<'b>(
    firsts: &Firsts,
    row: impl Fn(usize) -> &'b [f64],
    space: &mut Space,
) -> Vec<f64> {
    let mut sum = Sum::default();
    sum.add_group(firsts, row, space);
    sum.into_chances()
}

/// What several groups need, from what each of them does.
pub(super) fn sum_of<'b>(groups: impl Iterator<Item = &'b [f64]>) -> Counts {
    let (mut sum, mut next) = (Sum::default(), Vec::new());
    for own in groups {
        sum.add(own, &mut next);
    }
    Counts::from_weights(sum.into_chances())
}

/// Room for working in.
#[derive(Default)]
pub(super) struct Space {
    next: Vec<f64>,
    own: Vec<f64>,
    between: Vec<f64>,
}

/// Chances of a number of parts, where there are any: nearly sure changes move them up and widen them little.
struct Sum {
    /// Fewest parts.
    from: usize,
    chances: Vec<f64>,
}

impl Default for Sum {
    /// Surely none.
    fn default() -> Self {
        Self {
            from: 0,
            chances: vec![1.0],
        }
    }
}

impl Sum {
    fn add_group<'b>(
        &mut self,
        firsts: &Firsts,
        row: impl Fn(usize) -> &'b [f64],
        space: &mut Space,
    ) {
        for place in &firsts.places {
            probabilities(place.row(&row, &mut space.between), &mut space.own);
            for _ in 0..place.alike {
                self.add(&space.own, &mut space.next);
            }
        }
    }

    /// Adds a number with chances of its own; `next` is room for working in.
    fn add(&mut self, own: &[f64], next: &mut Vec<f64>) {
        let none = own.iter().take_while(|p| **p < NEGLIGIBLE).count();
        let own = &own[none.min(own.len().saturating_sub(1))..];
        self.from += none;
        if own.len() < 2 {
            return;
        }
        next.clear();
        next.resize(self.chances.len() + own.len() - 1, 0.0);
        widest(
            #[inline(always)]
            || {
                for (shift, p) in own.iter().enumerate() {
                    for (to, from) in next[shift..].iter_mut().zip(&self.chances) {
                        *to += p * from;
                    }
                }
            },
        );
        while next.len() > 1 && next[next.len() - 1] < NEGLIGIBLE {
            next.pop();
        }
        let none = next.iter().take_while(|p| **p < NEGLIGIBLE).count();
        if none > 0 && none < next.len() {
            next.drain(..none);
            self.from += none;
        }
        std::mem::swap(&mut self.chances, next);
    }

    /// From none on.
    fn into_chances(self) -> Vec<f64> {
        if self.from == 0 {
            return self.chances;
        }
        let mut all = vec![0.0; self.from];
        all.extend(self.chances);
        all
    }
}

/// From `P(N ≥ n)` to `P(N = n)`, undoing what extrapolation may have put out of order.
fn probabilities(at_least: &[f64], own: &mut Vec<f64>) {
    own.clear();
    let mut before = 1.0_f64;
    for &p in at_least {
        let here = p.clamp(0.0, before);
        if here < LEAST {
            break;
        }
        own.push(before - here);
        before = here;
    }
    own.push(before);
}

/// Adds the cumulants of one position times its share.
fn add_cumulants(sum: &mut [f64; 5], at_least: &[f64], share: f64) {
    // E N^r = Σ_{n≥1} (n^r − (n−1)^r) P(N ≥ n).
    let mut m = [0.0; 5];
    let mut before = 1.0_f64;
    for (i, &p) in at_least.iter().enumerate() {
        before = p.clamp(0.0, before);
        let (n, less) = ((i + 1) as f64, i as f64);
        let (mut high, mut low) = (1.0, 1.0);
        for m in &mut m {
            (high, low) = (high * n, low * less);
            *m += (high - low) * before;
        }
    }
    let [a, b, c, d, e] = m;
    let a2 = a * a;
    sum[0] += share * a;
    sum[1] += share * (b - a2);
    sum[2] += share * (c - 3.0 * b * a + 2.0 * a2 * a);
    sum[3] += share * (d - 4.0 * c * a - 3.0 * b * b + 12.0 * b * a2 - 6.0 * a2 * a2);
    sum[4] += share
        * (e - 5.0 * d * a - 10.0 * c * b + 20.0 * c * a2 + 30.0 * b * b * a - 60.0 * b * a2 * a
            + 24.0 * a2 * a2 * a);
}

/// The Edgeworth series of lattice variables up to the order −3/2 (Kolassa and `McCullagh`, Annals of
/// Statistics 18, 1990: for whole numbers the series for the density gives the probabilities). What is
/// left out is of the order of the fourth power of 1/sd: against convolutions of 61 to 400 positions, at most
/// 1e-4 in a cumulative probability where the variance is 8 to 12, 5e-5 up to 20, 2e-5 above (numpy).
pub(super) fn series(cumulants: &Cumulants) -> Counts {
    let [mean, variance, k3, k4, k5] = *cumulants;
    let sd = variance.max(1e-3).sqrt();
    let (s, k, q) = (k3 / sd.powi(3), k4 / sd.powi(4), k5 / sd.powi(5));
    let first = (mean - 9.0 * sd).floor().max(0.0) as usize;
    let last = (mean + 10.0 * sd).ceil().max(0.0) as usize;
    let mut weights = vec![0.0; last + 1];
    widest(
        #[inline(always)]
        || {
            for (i, weight) in weights[first..].iter_mut().enumerate() {
                let z = ((first + i) as f64 - mean) / sd;
                let z2 = z * z;
                let h3 = z * (z2 - 3.0);
                let h4 = z2 * (z2 - 6.0) + 3.0;
                let h5 = z * (z2 * (z2 - 10.0) + 15.0);
                let h6 = z2 * (z2 * (z2 - 15.0) + 45.0) - 15.0;
                let h7 = z * (z2 * (z2 * (z2 - 21.0) + 105.0) - 105.0);
                let h9 = z * (z2 * (z2 * (z2 * (z2 - 36.0) + 378.0) - 1260.0) + 945.0);
                let bend = 1.0
                    + s / 6.0 * h3
                    + k / 24.0 * h4
                    + s * s / 72.0 * h6
                    + q / 120.0 * h5
                    + s * k / 144.0 * h7
                    + s * s * s / 1296.0 * h9;
                let chance = exp(-0.5 * z2) * bend;
                *weight = if chance > 0.0 { chance } else { 0.0 };
            }
        },
    );
    Counts::from_weights(weights)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The series against the convolution: positions that need up to three parts, of many kinds.
    #[test]
    fn many_positions_by_cumulants_as_by_convolution() {
        for (positions, scale) in [(70_u32, 0.3), (150, 1.0), (260, 0.55), (900, 0.12)] {
            let rows: Vec<[f64; 3]> = (0..positions)
                .map(|i| {
                    let p = scale * (0.35 + 0.6 * f64::from(i % 17) / 17.0);
                    [p, 0.6 * p * p, 0.2 * p * p * p]
                })
                .collect();
            let mut cumulants = [0.0; 5];
            let mut exact = Counts::none();
            for row in &rows {
                add_cumulants(&mut cumulants, row, 1.0);
                exact = exact.plus(&Counts::from_at_least(row));
            }
            let off = series(&cumulants).furthest_from(&exact);
            assert!((cumulants[0] - exact.mean()).abs() < 1e-6);
            assert!((cumulants[1] - exact.variance()).abs() < 1e-4);
            println!("variance {}: off by {off:.1e}", cumulants[1]);
            let bound = match cumulants[1] {
                60.0.. => 1e-5,
                20.0.. => 5e-5,
                _ => 1e-4,
            };
            assert!(off < bound, "variance {}: off by {off}", cumulants[1]);
        }
    }

    /// By the power series as by convolution: positions that seldom need one or two parts.
    #[test]
    fn seldom_needed_parts_by_logarithms_as_by_convolution() {
        use super::super::demand::Group;
        use super::super::first_life::FirstLife;
        let ages = (0..25).map(|i| (FirstLife::Aged(f64::from(i)), 4));
        let group = Group {
            windows: Vec::new(),
            positions: ages.collect(),
            starts: Vec::new(),
        };
        let firsts = [Firsts::new(&group, 1.0)];
        let rows: Vec<[f64; 3]> = (0..25)
            .map(|i| {
                let p = 0.28 * f64::from(i) / 24.0;
                [p, 0.4 * p, 0.1 * p]
            })
            .collect();
        let row = |_: usize, i: usize| -> &[f64] { &rows[i] };
        let cumulants = cumulants(&firsts, &[0], row).unwrap();
        let found = rarely(&firsts, &[0], row, &cumulants).unwrap();
        let off = found.furthest_from(&convolved(&firsts, &[0], row));
        assert!(off < 1e-10, "{off}");
    }
}
