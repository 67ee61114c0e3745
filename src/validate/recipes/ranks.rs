//! Ranks: the share of a population worn out when the i-th of n has.

use super::{Answers, Case};
use crate::models::median_rank;
use crate::numerics::special::beta_quantile;

/// `n=5,i=1:5%_rank` and the like; the p-rank is the p-quantile of a beta(i, n + 1 − i).
pub(super) fn ranks(case: &Case) -> Answers {
    let mut answers = Answers::new();
    for quantity in case.quantities() {
        let Some((n, i, which)) = parts(&quantity.name) else {
            continue;
        };
        let rank = match which {
            "5%_rank" => beta_quantile(0.05, i, n + 1.0 - i),
            "50%_rank" | "median_rank" => median_rank(i, n),
            "95%_rank" => beta_quantile(0.95, i, n + 1.0 - i),
            _ => continue,
        };
        answers.insert(quantity.whole, Ok(rank));
    }
    answers
}

fn parts(name: &str) -> Option<(f64, f64, &str)> {
    let (place, which) = name.split_once(':')?;
    let (n, i) = place.split_once(',')?;
    let n = n.strip_prefix("n=")?.parse().ok()?;
    let i = i.strip_prefix("i=")?.parse().ok()?;
    Some((n, i, which))
}
