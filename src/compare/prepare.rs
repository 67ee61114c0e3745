//! What is asked, with the lives it is asked of.

use super::{CompareError, CompareOptions, Grouping, covariate_of};
use crate::lives::{LivesTable, Observations};
use crate::models::regression::{Covariate, CovariateValues, RegressionRequest};
use crate::models::{Caution, CautionCode};

/// Groups compared at most: more is a number mistaken for a group.
const MOST_GROUPS: usize = 50;

/// The lives that can be compared, with their groups, machines, strata and columns held constant.
pub(super) struct Prepared<'a> {
    pub(super) options: &'a CompareOptions,
    pub(super) lives: Observations,
    pub(super) grouping: Grouping,
    pub(super) machines: Option<Grouping>,
    pub(super) adjust: Vec<Covariate>,
    /// Stratum of each life, where strata are asked for.
    pub(super) strata: Option<Vec<u32>>,
    pub(super) cautions: Vec<Caution>,
}

impl<'a> Prepared<'a> {
    pub(super) fn new(
        table: &LivesTable,
        options: &'a CompareOptions,
    ) -> Result<Self, CompareError> {
        let whole = Grouping::of(table, &options.by)?;
        let n = table.observations.low.len();
        if n == 0 {
            return Err(CompareError::NoLives);
        }
        let strata = options
            .stratify
            .iter()
            .map(|c| Grouping::of(table, c))
            .collect::<Result<Vec<_>, _>>()?;
        let known = |g: &Grouping, i: usize| (g.codes[i] as usize) < g.levels.len();
        let kept: Vec<usize> = (0..n)
            .filter(|&i| known(&whole, i) && strata.iter().all(|s| known(s, i)))
            .collect();
        let grouping = whole.keep(&kept);
        if grouping.levels.len() < 2 {
            return Err(CompareError::OneGroup {
                column: whole.name,
                found: grouping.levels.first().map_or_else(
                    || "no value at all".to_owned(),
                    |l| format!("only the value {l}"),
                ),
            });
        }
        if grouping.levels.len() > MOST_GROUPS {
            return Err(CompareError::ManyGroups {
                column: whole.name,
                groups: grouping.levels.len(),
                most: MOST_GROUPS,
            });
        }
        let mut cautions = Vec::new();
        if kept.len() < n {
            let mut columns = vec![whole.name.clone()];
            columns.extend(options.stratify.iter().cloned());
            cautions.push(Caution::new(
                CautionCode::Note,
                format!(
                    "{} of {n} rows were left out because {} is empty.",
                    n - kept.len(),
                    columns.join(" or ")
                ),
            ));
        }
        let machines = match &options.machine {
            Some(column) if !column.eq_ignore_ascii_case(&whole.name) => {
                let found = Grouping::of(table, column).ok().map(|g| g.keep(&kept));
                found.filter(|g| !g.levels.is_empty())
            }
            _ => None,
        };
        let adjust = options
            .adjust
            .iter()
            .map(|name| Ok(keep_covariate(&covariate_of(table, name)?, &kept)))
            .collect::<Result<Vec<_>, CompareError>>()?;
        Ok(Self {
            options,
            lives: table.observations.rows(&kept),
            strata: (!strata.is_empty()).then(|| crossed(&strata, &kept)),
            grouping,
            machines,
            adjust,
            cautions,
        })
    }

    pub(super) fn request(&self, covariates: Vec<Covariate>) -> RegressionRequest {
        RegressionRequest {
            family: self.options.family,
            confidence: self.options.confidence,
            ..RegressionRequest::weibull(covariates)
        }
    }

    /// Machine of each life; a life without one is a machine of its own.
    pub(super) fn clusters(&self) -> Option<Vec<u32>> {
        self.machines.as_ref().map(Grouping::clusters)
    }

    pub(super) fn note(&mut self, text: impl Into<String>) {
        self.cautions.push(Caution::new(CautionCode::Note, text));
    }
}

/// One code for each combination of strata.
fn crossed(strata: &[Grouping], rows: &[usize]) -> Vec<u32> {
    let keys: Vec<Vec<u32>> = rows
        .iter()
        .map(|&i| strata.iter().map(|s| s.codes[i]).collect())
        .collect();
    let mut distinct = keys.clone();
    distinct.sort();
    distinct.dedup();
    keys.iter()
        .map(|key| distinct.binary_search(key).unwrap_or(0) as u32)
        .collect()
}

pub(super) fn keep_covariate(covariate: &Covariate, rows: &[usize]) -> Covariate {
    match &covariate.values {
        CovariateValues::Number(values) => {
            Covariate::number(&covariate.name, rows.iter().map(|&i| values[i]).collect())
        }
        CovariateValues::Category { levels, codes } => Covariate::category(
            &covariate.name,
            levels.clone(),
            rows.iter().map(|&i| codes[i]).collect(),
        ),
    }
}

pub(super) fn distinct(codes: impl Iterator<Item = u32>) -> usize {
    let mut codes: Vec<u32> = codes.collect();
    codes.sort_unstable();
    codes.dedup();
    codes.len()
}
