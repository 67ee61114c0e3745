//! What to carry to a job: the cheapest set of quantities with which, with at least the wanted
//! chance, nothing is lacking.

use crate::forecast::Counts;

/// One part kind that may be needed.
#[derive(Debug, Clone)]
pub struct KitPart {
    /// Parts needed in the job.
    pub need: Counts,
    /// What carrying one costs.
    pub cost: f64,
    /// Parts are carried in multiples of this (the size of a set).
    pub step: u32,
}

/// Quantities, one per part, and the chance that nothing is lacking.
#[derive(Debug, Clone, PartialEq)]
pub struct Kit {
    /// How many of each.
    pub quantities: Vec<u32>,
    /// Product of the chances: part kinds wear independently of each other.
    pub enough: f64,
}

/// Quantities chosen for the first few parts.
#[derive(Debug, Clone)]
struct Partial {
    cost: f64,
    enough: f64,
    quantities: Vec<u32>,
}

/// What may be carried of one part.
struct Choice {
    cost: f64,
    /// Quantities with the chance that they are enough.
    levels: Vec<(u32, f64)>,
}

impl Choice {
    /// From the fewest with which the target can be met at all, up to so many that more changes nothing.
    fn of(part: &KitPart, target: f64) -> Self {
        let step = part.step.max(1);
        let pmf = part.need.pmf();
        let most = pmf.len().saturating_sub(1) as u32;
        // Chance of needing more than each quantity.
        let mut above = vec![0.0; pmf.len()];
        for n in (0..pmf.len().saturating_sub(1)).rev() {
            above[n] = above[n + 1] + pmf[n + 1];
        }
        let mut levels = Vec::new();
        let mut quantity = 0;
        loop {
            let more = above.get(quantity as usize).copied().unwrap_or(0.0);
            let enough = 1.0 - more.min(1.0);
            if reaches(enough, target) || quantity >= most {
                levels.push((quantity, enough));
            }
            if quantity >= most {
                break;
            }
            quantity += step;
        }
        Self {
            cost: part.cost,
            levels,
        }
    }

    fn fewest(&self) -> f64 {
        self.cost * f64::from(self.levels[0].0)
    }
}

/// A hair of slack for a target that is met exactly.
fn reaches(enough: f64, target: f64) -> bool {
    enough >= target - 1e-12
}

/// The least costly kit with `P(nothing lacking) ≥ target`.
///
/// Parts are added one at a time; of the partial kits only those are kept that no other beats in
/// both cost and chance, that can still reach the target, and that with the fewest of the parts to come
/// cost no more than some kit already known to reach it. Since cost adds and chance multiplies,
/// nothing that could be part of the best kit is ever dropped, so the result is exact. Ties go to
/// the greater chance. `target` must be below 1; a part can always be carried in a number that is
/// enough but for rounding.
pub fn cheapest_kit(parts: &[KitPart], target: f64) -> Kit {
    let choices: Vec<Choice> = parts.iter().map(|part| Choice::of(part, target)).collect();
    let limit = some_kit(&choices, target) * (1.0 + 1e-9);
    let mut to_come: f64 = choices.iter().map(Choice::fewest).sum();
    let mut kept = vec![Partial {
        cost: 0.0,
        enough: 1.0,
        quantities: Vec::new(),
    }];
    for choice in &choices {
        to_come -= choice.fewest();
        let mut next: Vec<Partial> = Vec::new();
        for partial in &kept {
            for (quantity, chance) in &choice.levels {
                let cost = partial.cost + choice.cost * f64::from(*quantity);
                if cost + to_come > limit + 1e-9 * choice.cost {
                    break;
                }
                let enough = partial.enough * chance;
                if reaches(enough, target) {
                    let mut quantities = partial.quantities.clone();
                    quantities.push(*quantity);
                    next.push(Partial {
                        cost,
                        enough,
                        quantities,
                    });
                }
            }
        }
        next.sort_by(|a, b| {
            a.cost
                .total_cmp(&b.cost)
                .then(b.enough.total_cmp(&a.enough))
                .then_with(|| a.quantities.cmp(&b.quantities))
        });
        kept.clear();
        let mut best = 0.0;
        for partial in next {
            if partial.enough > best {
                best = partial.enough;
                kept.push(partial);
            }
        }
    }
    kept.into_iter().next().map_or(
        Kit {
            quantities: Vec::new(),
            enough: 1.0,
        },
        |p| Kit {
            quantities: p.quantities,
            enough: p.enough,
        },
    )
}

/// Cost of some kit that reaches the target: one more at a time of the part by which a unit of money gains
/// most, from the fewest of each on.
fn some_kit(choices: &[Choice], target: f64) -> f64 {
    let mut at = vec![0; choices.len()];
    loop {
        let chances = choices.iter().zip(&at).map(|(c, at)| c.levels[*at].1);
        if reaches(chances.product(), target) {
            break;
        }
        let gain = |i: usize| {
            let levels = &choices[i].levels;
            let next = levels.get(at[i] + 1)?;
            let now = levels[at[i]];
            let cost = choices[i].cost * f64::from(next.0 - now.0);
            Some((next.1.max(1e-300).ln() - now.1.max(1e-300).ln()) / cost)
        };
        let best = (0..choices.len())
            .filter_map(|i| Some((i, gain(i)?)))
            .max_by(|a, b| a.1.total_cmp(&b.1));
        match best {
            Some((i, _)) => at[i] += 1,
            None => break,
        }
    }
    let each = choices.iter().zip(&at);
    each.map(|(c, at)| c.cost * f64::from(c.levels[*at].0))
        .sum()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn exhaustive(parts: &[KitPart], target: f64) -> f64 {
        let levels: Vec<u32> = parts.iter().map(|p| p.need.pmf().len() as u32).collect();
        let mut best = f64::INFINITY;
        let total: u32 = levels.iter().product();
        for mut code in 0..total {
            let (mut cost, mut enough) = (0.0, 1.0);
            for (part, level) in parts.iter().zip(&levels) {
                let q = code % level;
                code /= level;
                cost += part.cost * f64::from(q);
                enough *= part.need.at_most(q);
            }
            if enough >= target - 1e-12 && cost < best {
                best = cost;
            }
        }
        best
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(64))]
        #[test]
        fn the_kit_is_the_cheapest_of_all(
            weights in proptest::collection::vec(
                (proptest::collection::vec(0.01_f64..1.0, 1..6), 1.0_f64..200.0), 1..5),
            target in 0.5_f64..0.99,
        ) {
            let parts: Vec<KitPart> = weights
                .into_iter()
                .map(|(w, cost)| KitPart { need: Counts::from_weights(w), cost, step: 1 })
                .collect();
            let kit = cheapest_kit(&parts, target);
            let cost: f64 = kit.quantities.iter().zip(&parts)
                .map(|(q, p)| f64::from(*q) * p.cost).sum();
            prop_assert!(kit.enough >= target - 1e-12);
            prop_assert!((cost - exhaustive(&parts, target)).abs() < 1e-9);
        }
    }
}
