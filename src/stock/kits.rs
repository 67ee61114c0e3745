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

#[derive(Debug, Clone)]
struct Partial {
    cost: f64,
    enough: f64,
    quantities: Vec<u32>,
}

/// The least costly kit with `P(nothing lacking) ≥ target`.
///
/// Parts are added one at a time; of the partial kits only those are kept that no other beats in
/// both cost and chance, and that can still reach the target. Since cost adds and chance multiplies,
/// nothing that could be part of the best kit is ever dropped, so the result is exact. Ties go to
/// the greater chance. `target` must be below 1; a part can always be carried in a number that is
/// enough but for rounding.
pub fn cheapest_kit(parts: &[KitPart], target: f64) -> Kit {
    let mut kept = vec![Partial {
        cost: 0.0,
        enough: 1.0,
        quantities: Vec::new(),
    }];
    for part in parts {
        let step = part.step.max(1);
        let mut next: Vec<Partial> = Vec::new();
        for partial in &kept {
            let mut quantity = 0;
            loop {
                let enough = partial.enough * part.need.at_most(quantity);
                // A hair of slack for a target that is met exactly.
                if enough >= target - 1e-12 {
                    let mut quantities = partial.quantities.clone();
                    quantities.push(quantity);
                    next.push(Partial {
                        cost: partial.cost + part.cost * f64::from(quantity),
                        enough,
                        quantities,
                    });
                }
                if part.need.more_than(quantity) <= 0.0 {
                    break;
                }
                quantity += step;
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
