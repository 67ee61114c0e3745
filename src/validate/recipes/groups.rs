//! Tests between groups.

use std::collections::BTreeMap;

use super::weibull::{parameter, request};
use super::{Answers, Case};
use crate::compare::{CompareOptions, Comparison, compare, log_rank};
use crate::lives::{ColumnValues, LivesTable, NamedColumn};
use crate::models::regression::{Covariate, Regression, RegressionRequest, regress};
use crate::models::{Fit, IntervalMethod, fit};
use crate::validate::Subset;

/// `logrank_chisq`, `logrank_p`, `logrank_observed_<group>`, `logrank_expected_<group>`, of the
/// column `group`; with `_sex` after `logrank`, of that column.
pub(super) fn log_rank_test(case: &Case) -> Answers {
    let mut answers = Answers::new();
    for quantity in case.quantities() {
        let Some(what) = quantity.name.strip_prefix("logrank_") else {
            continue;
        };
        let (column, what) = what
            .strip_prefix("sex_")
            .map_or(("group", what), |rest| ("sex", rest));
        answers.insert(quantity.whole.clone(), tested(case, column, what));
    }
    answers
}

fn tested(case: &Case, column: &str, what: &str) -> Result<f64, String> {
    let cells = case.sample.text(column)?;
    let lives = case.sample.lives(&Subset::default())?;
    let mut levels: Vec<&String> = cells.iter().collect();
    levels.sort();
    levels.dedup();
    let number = |level: &str| levels.iter().position(|l| *l == level);
    let code = |cell: &String| u32::try_from(number(cell).unwrap_or(0)).unwrap_or(0);
    let groups: Vec<u32> = cells.iter().map(code).collect();
    let found = log_rank(&lives, &groups, levels.len(), None).map_err(|e| e.to_string())?;
    let tally = |group: &str| {
        let tally = number(group).and_then(|number| found.tallies.get(number));
        tally.ok_or_else(|| format!("no group {group}"))
    };
    if let Some(group) = what.strip_prefix("observed_") {
        return Ok(tally(group)?.observed);
    }
    if let Some(group) = what.strip_prefix("expected_") {
        return Ok(tally(group)?.expected);
    }
    match what.split('_').next() {
        Some("chisq") => Ok(found.test.statistic),
        Some("p") => Ok(found.test.p_value),
        _ => Err(format!("unknown quantity {what}")),
    }
}

/// `<base>_vs_<other>:…`: one Weibull for both groups, the same shape with own scales, both own;
/// and the likelihood-ratio tests between them.
pub(super) fn group_tests(case: &Case) -> Answers {
    let mut answers = Answers::new();
    let mut both: BTreeMap<String, Result<Pair, String>> = BTreeMap::new();
    for quantity in case.quantities() {
        let Some((groups, what)) = quantity.name.split_once(':') else {
            continue;
        };
        let Some((base, _)) = groups.split_once("_vs_") else {
            continue;
        };
        let pair = super::cached(&mut both, base, || Pair::of(case, base));
        answers.insert(
            quantity.whole.clone(),
            pair.and_then(|pair| pair.answer(what)),
        );
    }
    answers
}

struct Pair {
    common: Fit,
    separate: Vec<Fit>,
    /// Scale of the other group against the base, the shape shared.
    shared: Regression,
    comparison: Comparison,
}

impl Pair {
    fn of(case: &Case, base: &str) -> Result<Self, String> {
        let column = "group";
        let cells = case.sample.text(column)?;
        let lives = case.sample.lives(&Subset::default())?;
        let weibull = |subset: &Subset| {
            let lives = case.sample.lives(subset)?;
            fit(&lives, &request(IntervalMethod::Wald)).map_err(|e| e.to_string())
        };
        let mut levels: Vec<&String> = cells.iter().collect();
        levels.sort();
        levels.dedup();
        let separate = levels.iter().map(|level| {
            weibull(&Subset {
                column: Some(column.to_owned()),
                value: Some((*level).clone()),
                others: None,
            })
        });
        let other = |cell: &String| f64::from(u8::from(!cell.eq_ignore_ascii_case(base)));
        let covariate = Covariate::number("other", cells.iter().map(other).collect());
        let shared = regress(&lives, &RegressionRequest::weibull(vec![covariate]));
        let table = LivesTable {
            observations: lives,
            columns: vec![NamedColumn {
                name: column.to_owned(),
                values: ColumnValues::from_texts(cells),
            }],
        };
        Ok(Self {
            common: weibull(&Subset::default())?,
            separate: separate.collect::<Result<_, _>>()?,
            shared: shared.map_err(|e| e.to_string())?,
            comparison: compare(&table, &CompareOptions::by(column)).map_err(|e| e.to_string())?,
        })
    }

    fn answer(&self, what: &str) -> Result<f64, String> {
        let comparison = &self.comparison;
        let difference = self.shared.coefficient("other");
        let value = match what {
            "common_loglik" => self.common.log_likelihood,
            "common_shape" => parameter(&self.common, "shape")?.estimate,
            "common_scale" => parameter(&self.common, "scale")?.estimate,
            "equal_shape_loglik" => Some(self.shared.log_likelihood),
            "equal_shape_shape" => self.shared.shapes.first().map(|s| 1.0 / s.sigma),
            "equal_shape_log_scale_difference" => difference.map(|d| d.estimate),
            "equal_shape_se_log_scale_difference" => difference.map(|d| d.standard_error),
            "scale_ratio" => difference.map(|d| d.estimate.exp()),
            "separate_loglik" => self.separate.iter().map(|fit| fit.log_likelihood).sum(),
            "LR_scales_given_equal_shape" => comparison.equal_life.map(|t| t.statistic),
            "LR_shapes" => comparison.equal_shape.map(|t| t.statistic),
            "LR_both_2df" => comparison.equal_shape_and_life.map(|t| t.statistic),
            "p_scales" => comparison.equal_life.map(|t| t.p_value),
            "p_shapes" => comparison.equal_shape.map(|t| t.p_value),
            "p_both_2df" => comparison.equal_shape_and_life.map(|t| t.p_value),
            _ => return Err(format!("unknown quantity {what}")),
        };
        value.ok_or_else(|| format!("the comparison gives no {what}"))
    }
}
