//! Sampling distributions of the Weibull estimates of complete samples.

use std::collections::BTreeMap;

use super::{Answers, Case, cached};
use crate::models::SamplingTable;

/// Simulated lives for each sample size. The tolerances of the values are four errors of simulations
/// with 800,000 samples of 10 lives and 400,000 of 50, so ours must be no rougher.
const LIVES: u64 = 20_000_000;
const MOST_SAMPLES: u64 = 1_200_000;

/// `n=10:shape_hat/shape_quantile_0.05`, `n=10:shape*ln(scale_hat/scale)_quantile_0.05` (with the
/// estimated shape), `n=10:AD_A2*(1+0.2/sqrt(n))_upper_5%`, `n=10:unbiasing_factor`, and
/// `AD_table_upper_5%`: the table for all sample sizes, held against the largest of the data.
pub(super) fn sampling_tables(case: &Case) -> Answers {
    let mut answers = Answers::new();
    let mut tables = BTreeMap::new();
    let sizes = case.sample.numbers("n");
    let largest = sizes.map(|n| n.into_iter().fold(0.0, f64::max));
    for quantity in case.quantities() {
        let name = &quantity.name;
        let (lives, what) = match name.strip_prefix("n=").and_then(|n| n.split_once(':')) {
            Some((n, what)) => (
                n.parse().map_err(|_| format!("{name}: no sample size")),
                what,
            ),
            None => (largest.clone().map(|n| n as usize), name.as_str()),
        };
        let Some(asked) = Asked::of(what) else {
            continue;
        };
        let answer = lives.and_then(|lives| {
            let key = lives.to_string();
            let table = cached(&mut tables, &key, || simulated(lives))?;
            Ok(asked.answer(table))
        });
        answers.insert(quantity.whole, answer);
    }
    answers
}

fn simulated(lives: usize) -> Result<SamplingTable, String> {
    let samples = (LIVES / lives.max(1) as u64).min(MOST_SAMPLES);
    SamplingTable::simulate(lives, samples).ok_or_else(|| "fewer than two lives".to_owned())
}

#[derive(Debug, Clone, Copy)]
enum Asked {
    ShapeRatio(f64),
    ScalePivot(f64),
    /// Upper share; the distance times `1 + 0.2/√n`.
    Distance(f64),
    UnbiasingFactor,
}

impl Asked {
    fn of(what: &str) -> Option<Self> {
        let number = |prefix: &str| what.strip_prefix(prefix)?.parse().ok();
        let percent = |prefix: &str| {
            let digits = what.strip_prefix(prefix)?.strip_suffix('%')?;
            digits.parse::<f64>().ok().map(|p| p / 100.0)
        };
        if what == "unbiasing_factor" {
            return Some(Self::UnbiasingFactor);
        }
        let ratio = number("shape_hat/shape_quantile_").map(Self::ShapeRatio);
        let pivot = number("shape*ln(scale_hat/scale)_quantile_").map(Self::ScalePivot);
        let distance = percent("AD_A2*(1+0.2/sqrt(n))_upper_");
        let distance = distance.or_else(|| percent("AD_table_upper_"));
        ratio.or(pivot).or(distance.map(Self::Distance))
    }

    fn answer(self, table: &SamplingTable) -> f64 {
        match self {
            Self::ShapeRatio(p) => table.shape_ratio(p),
            Self::ScalePivot(p) => table.scale_pivot(p),
            Self::Distance(upper) => {
                let factor = 1.0 + 0.2 / (table.lives as f64).sqrt();
                factor * table.anderson_darling(upper)
            }
            Self::UnbiasingFactor => table.unbiasing_factor(),
        }
    }
}
