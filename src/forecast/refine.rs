//! One curve on finer and finer lattices, until the answer is exact enough.

use super::demand::Group;
use super::first_life::WeibullCurve;
use super::renewal::{Finest, Lattice};

/// Numbers by group, position, window, entry: what one lattice has to say.
#[derive(Debug, Clone)]
pub(super) struct Values(pub(super) Vec<Vec<Vec<Vec<f64>>>>);

/// What is asked of each group on one lattice: numbers by position, window, entry.
/// The second argument is the number of the group's first position among all.
pub(super) type Ask<'a> = dyn Fn(&Lattice<'_>, usize, &Group) -> Vec<Vec<Vec<f64>>> + Sync + 'a;

/// An answer made from the values, and how far two such answers are apart.
pub(super) trait Answer {
    /// What is answered.
    type Of;
    /// Makes it.
    fn make(&self, values: &Values) -> Self::Of;
    /// Largest difference of a probability.
    fn apart(&self, a: &Self::Of, b: &Self::Of) -> f64;
}

/// The answer for one curve, with a bound on the error of its probabilities.
///
/// One curve is put on three lattices, each twice as fine as the one before. The error of a lattice
/// falls as `h^p` with p = 2; p = 1 is assumed for shapes below 1 (whose density is unbounded at 0)
/// and with planned changes (where a stated age may fall anywhere in a cell).
/// `R = (4 fine − coarse)/3` cancels the term in h²; two such values come from three lattices. What
/// remains of the error in them falls at least as `h^p`, so the better one is off by at most
/// `|R₂ − R₁| / (2^p − 1)`. Finer lattices follow until that is within `allowed`.
pub(super) fn refine<A: Answer>(
    life: WeibullCurve,
    groups: &[Group],
    ask: &Ask<'_>,
    answer: &A,
    (allowed, most_cells): (f64, usize),
) -> (A::Of, f64) {
    let horizon = horizon(groups);
    let firsts = || groups.iter().flat_map(|g| g.positions.iter().map(|p| p.0));
    let on_lattice = |finest: &Finest, stride: usize| {
        let lattice = Lattice::new(finest, stride, allowed);
        let mut number = 0;
        let by_group = groups.iter().map(|group| {
            let from = number;
            number += group.positions.len();
            ask(&lattice, from, group)
        });
        Values(by_group.collect())
    };
    let smooth = life.shape >= 1.0 && !groups.iter().any(Group::is_planned);
    let order = if smooth { 2.0_f64 } else { 1.0 };
    let lives = horizon / life.scale;
    let wanted = (2.0 * lives * life.shape.max(1.0)).ceil();
    let mut cells = 4 * (wanted.clamp(6.0, most_cells as f64 / 4.0)) as usize;
    let coarsest = 4.0 * horizon / cells as f64;
    let mut finest = Finest::new(life, firsts(), horizon, cells, coarsest);
    let mut middle = on_lattice(&finest, 2);
    let mut before = answer.make(&extrapolate(&on_lattice(&finest, 4), &middle));
    loop {
        let fine = on_lattice(&finest, 1);
        let best = answer.make(&extrapolate(&middle, &fine));
        let error = answer.apart(&before, &best) / (order.exp2() - 1.0);
        if error <= allowed || 2 * cells > most_cells {
            return (best, error);
        }
        cells *= 2;
        finest = Finest::new(life, firsts(), horizon, cells, coarsest);
        middle = fine;
        before = best;
    }
}

/// The longest run of hours that any window ends with.
pub(super) fn horizon(groups: &[Group]) -> f64 {
    groups
        .iter()
        .flat_map(|g| &g.windows)
        .map(|w| w.end.max(w.start))
        .fold(0.0, f64::max)
}

/// The entry, or 0 beyond the end.
pub(super) fn value(values: &[f64], n: usize) -> f64 {
    values.get(n).copied().unwrap_or(0.0)
}

fn extrapolate(coarse: &Values, fine: &Values) -> Values {
    let one = |c: &Vec<f64>, f: &Vec<f64>| -> Vec<f64> {
        (0..c.len().max(f.len()))
            .map(|n| ((4.0 * value(f, n) - value(c, n)) / 3.0).clamp(0.0, 1.0))
            .collect()
    };
    Values(
        coarse
            .0
            .iter()
            .zip(&fine.0)
            .map(|(c, f)| {
                c.iter()
                    .zip(f)
                    .map(|(c, f)| c.iter().zip(f).map(|(c, f)| one(c, f)).collect())
                    .collect()
            })
            .collect(),
    )
}
