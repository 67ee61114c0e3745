//! The comparison itself.

use super::answer::answer;
use super::{
    AdjustedRatio, ClusteredTest, CompareError, CompareOptions, Comparison, Group, Grouping,
    LifeRatio, PermutationTest, PrimaryTest, covariate_of, holm, log_rank, permute_machines,
};
use crate::lives::{LivesTable, Observations};
use crate::models::curve::reliability_curve;
use crate::models::regression::{
    Covariate, Errors, Regression, RegressionError, RegressionRequest, TestResult, level_scores,
    regress,
};
use crate::models::{Caution, CautionCode};
use crate::numerics::linear::Cholesky;
use crate::numerics::special::beta_cdf;

/// Groups compared at most: more is a number mistaken for a group.
const MOST_GROUPS: usize = 50;
/// Machines an arm needs before a test is given.
const MACHINES_FOR_A_TEST: usize = 4;
/// Worn lives below which a group is called thin.
const FEW_WORN: f64 = 5.0;

/// Compares lives by the groups of one column.
///
/// # Errors
/// A column that is not there, fewer than two groups, or unusable lives. What cannot be given for
/// lack of worn lives or machines is null in the result, with a caution.
pub fn compare(table: &LivesTable, options: &CompareOptions) -> Result<Comparison, CompareError> {
    let prepared = Prepared::new(table, options)?;
    prepared.compare()
}

struct Prepared<'a> {
    options: &'a CompareOptions,
    lives: Observations,
    grouping: Grouping,
    machines: Option<Grouping>,
    adjust: Vec<Covariate>,
    strata: Option<Grouping>,
    cautions: Vec<Caution>,
}

impl<'a> Prepared<'a> {
    fn new(table: &LivesTable, options: &'a CompareOptions) -> Result<Self, CompareError> {
        let whole = Grouping::of(table, &options.by)?;
        let n = table.observations.low.len();
        if n == 0 {
            return Err(CompareError::NoLives);
        }
        let strata = options
            .stratify
            .as_ref()
            .map(|c| Grouping::of(table, c))
            .transpose()?;
        let known = |g: &Grouping, i: usize| (g.codes[i] as usize) < g.levels.len();
        let kept: Vec<usize> = (0..n)
            .filter(|&i| known(&whole, i) && strata.as_ref().is_none_or(|s| known(s, i)))
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
            cautions.push(Caution::new(
                CautionCode::Note,
                format!(
                    "{} of {n} rows were left out because {} is empty.",
                    n - kept.len(),
                    options
                        .stratify
                        .as_ref()
                        .map_or_else(|| whole.name.clone(), |s| format!("{} or {s}", whole.name))
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
            strata: strata.map(|s| s.keep(&kept)),
            grouping,
            machines,
            adjust,
            cautions,
        })
    }

    fn request(&self, covariates: Vec<Covariate>) -> RegressionRequest {
        RegressionRequest {
            family: self.options.family,
            confidence: self.options.confidence,
            ..RegressionRequest::weibull(covariates)
        }
    }

    /// Machine of each life; a life without one is a machine of its own.
    fn clusters(&self) -> Option<Vec<u32>> {
        self.machines.as_ref().map(Grouping::clusters)
    }

    fn compare(mut self) -> Result<Comparison, CompareError> {
        let k = self.grouping.levels.len();
        let clusters = self.clusters();
        let mut groups = Vec::with_capacity(k);
        let mut separate = Vec::with_capacity(k);
        for g in 0..k {
            let rows = self.grouping.rows_of(g);
            let lives = self.lives.rows(&rows);
            let curve = reliability_curve(&lives, self.options.confidence)?;
            let own = regress(&lives, &self.request(Vec::new()));
            groups.push(Group {
                value: self.grouping.levels[g].clone(),
                lives: curve.lives,
                worn: curve.worn,
                machines: clusters
                    .as_ref()
                    .map(|c| distinct(rows.iter().map(|&i| c[i]))),
                median: curve.median,
                shape: own.as_ref().ok().map(|r| r.shapes[0].shape.clone()),
                scale: own
                    .as_ref()
                    .ok()
                    .and_then(|r| r.intercept.estimate)
                    .map(f64::exp),
                curve,
            });
            separate.push(own);
        }
        let with_worn: Vec<usize> = (0..k).filter(|&g| groups[g].worn > 0.0).collect();
        let log_rank = match log_rank(
            &self.lives,
            &self.grouping.codes,
            k,
            self.strata.as_ref().map(|s| &s.codes[..]),
        ) {
            Ok(test) => Some(test),
            Err(CompareError::Interval { .. }) => {
                self.note("Some lives are known only within bounds, so there is no log-rank test; the likelihood-ratio tests use those lives in full.");
                None
            }
            Err(other) => return Err(other),
        };

        // One shape, a scale each: over the groups with a worn life. Without one, a group's scale
        // has no finite estimate and its lives add nothing to the maximum.
        let active: Vec<usize> = (0..self.grouping.codes.len())
            .filter(|&i| with_worn.contains(&(self.grouping.codes[i] as usize)))
            .collect();
        let shared = if with_worn.len() >= 2 {
            let lives = self.lives.rows(&active);
            let grouping = self.grouping.keep(&active);
            Some(regress(&lives, &self.request(vec![grouping.covariate(0)])))
        } else {
            None
        };
        let everyone = regress(&self.lives, &self.request(Vec::new()));
        let shared_value = match &shared {
            Some(Ok(r)) => Some(r.log_likelihood),
            None if with_worn.len() == 1 => separate[with_worn[0]]
                .as_ref()
                .ok()
                .map(|r| r.log_likelihood),
            _ => None,
        };
        let separate_value: Option<f64> = with_worn
            .iter()
            .map(|&g| separate[g].as_ref().ok().map(|r| r.log_likelihood))
            .sum();
        let null_value = everyone.as_ref().ok().map(|r| r.log_likelihood);
        let test = |better: Option<f64>, worse: Option<f64>, df: usize| {
            Some(TestResult::chi_square(2.0 * (better? - worse?), df as u32)).filter(|_| df > 0)
        };
        let shapes_free = with_worn.len().saturating_sub(1);
        let is_exponential = self.options.family == crate::models::Family::Exponential;
        let equal_shape = if is_exponential {
            None
        } else {
            test(separate_value, shared_value, shapes_free)
        };
        let equal_life = test(shared_value, null_value, k - 1);
        let equal_both = if is_exponential {
            None
        } else {
            test(separate_value, null_value, k - 1 + shapes_free)
        };
        for (g, outcome) in separate.iter().enumerate() {
            if matches!(outcome, Err(RegressionError::PerfectFit)) && groups[g].worn > 1.0 {
                self.cautions.push(Caution::new(
                    CautionCode::AllWornAtOneAge,
                    format!(
                        "All worn lives of {} ended at one age, so this group alone has no shape.",
                        self.grouping.levels[g]
                    ),
                ));
            }
        }

        let few_machines = self.caution_thin(&groups);
        let permutation = self.permutation(clusters.as_deref(), few_machines);
        let clustered = self.clustered(clusters.as_deref(), &active, few_machines);
        let life_ratios = self.ratios(&with_worn, &active, clusters.as_deref(), few_machines)?;
        if let Some(test) = equal_shape.filter(|t| t.p_value < 0.05) {
            self.cautions.push(Caution::new(
                CautionCode::ShapesDiffer,
                format!(
                    "The groups do not wear in the same way (equal shape: p = {:.3}), so one life \
                     ratio does not hold at every age: look at the curves.",
                    test.p_value
                ),
            ));
        }
        let (primary_test, primary_p_value) = match (permutation, clustered, equal_life) {
            _ if few_machines => (PrimaryTest::None, None),
            (Some(test), _, _) => (PrimaryTest::PermutationByMachine, Some(test.p_value)),
            (None, Some(test), _) => (PrimaryTest::ClusteredByMachine, Some(test.p_value)),
            (None, None, Some(test)) if clusters.is_none() => {
                (PrimaryTest::EqualLife, Some(test.p_value))
            }
            _ => (PrimaryTest::None, None),
        };
        let mut comparison = Comparison {
            part: None,
            by: self.grouping.name.clone(),
            answer: String::new(),
            confidence: self.options.confidence,
            distribution: self.options.family,
            groups,
            log_rank,
            equal_shape,
            equal_life,
            equal_shape_and_life: equal_both,
            permutation_by_machine: permutation,
            clustered_by_machine: clustered,
            primary_test,
            primary_p_value,
            shared_shape: shared
                .and_then(Result::ok)
                .and_then(|r| r.shapes.into_iter().next())
                .map(|s| s.shape),
            life_ratios,
            machines: clusters.map(|c| distinct(c.into_iter())),
            cautions: self.cautions,
        };
        comparison.answer = answer(&comparison);
        Ok(comparison)
    }

    fn note(&mut self, text: impl Into<String>) {
        self.cautions.push(Caution::new(CautionCode::Note, text));
    }

    /// Cautions about thin groups; true when some group has too few machines for a test.
    fn caution_thin(&mut self, groups: &[Group]) -> bool {
        let named = |wanted: &dyn Fn(f64) -> bool| -> Vec<String> {
            let thin = groups.iter().filter(|g| wanted(g.worn));
            thin.map(|g| format!("{} ({})", g.value, g.worn)).collect()
        };
        let none: Vec<&str> = groups
            .iter()
            .filter(|g| g.worn == 0.0)
            .map(|g| g.value.as_str())
            .collect();
        if !none.is_empty() {
            self.cautions.push(Caution::new(
                CautionCode::NoWorn,
                format!(
                    "No life ended worn in {}, so there is no estimate of life and no ratio there.",
                    none.join(", ")
                ),
            ));
        }
        let few = named(&|worn| worn > 0.0 && worn < FEW_WORN);
        if !few.is_empty() {
            self.cautions.push(Caution::new(
                CautionCode::FewWorn,
                format!(
                    "Few worn lives: {}. Their numbers are rough.",
                    few.join(", ")
                ),
            ));
        }
        let thin: Vec<String> = groups
            .iter()
            .filter(|g| g.machines.is_some_and(|m| m < MACHINES_FOR_A_TEST))
            .map(|g| format!("{} ({})", g.value, g.machines.unwrap_or(0)))
            .collect();
        if thin.is_empty() {
            return false;
        }
        self.cautions.push(Caution::new(
            CautionCode::FewMachines,
            format!(
                "Fewer than {MACHINES_FOR_A_TEST} machines in {}: lives on one machine are alike, so \
                 no test that allows for it can be given, only the estimates. The tests shown take \
                 every life as independent and find differences too readily.",
                thin.join(", ")
            ),
        ));
        true
    }

    /// Whole machines dealt anew, where every machine is in one group.
    fn permutation(&self, clusters: Option<&[u32]>, few: bool) -> Option<PermutationTest> {
        let clusters = clusters?;
        if few {
            return None;
        }
        let scores = level_scores(&self.lives, &self.request(Vec::new())).ok()?;
        let mut machine: Vec<(u32, u32, f64)> = (0..clusters.len())
            .map(|i| (clusters[i], self.grouping.codes[i], scores[i]))
            .collect();
        machine.sort_by_key(|m| m.0);
        let mut excess = Vec::new();
        let mut group = Vec::new();
        for lives in machine.chunk_by(|a, b| a.0 == b.0) {
            if lives.iter().any(|l| l.1 != lives[0].1) {
                return None;
            }
            excess.push(lives.iter().map(|l| l.2).sum());
            group.push(lives[0].1);
        }
        permute_machines(&excess, &group, self.grouping.levels.len())
    }

    /// All groups at once, errors clustered by machine.
    fn clustered(
        &self,
        clusters: Option<&[u32]>,
        active: &[usize],
        few: bool,
    ) -> Option<ClusteredTest> {
        if few {
            return None;
        }
        let fit = self.clustered_fit(clusters?, active, 0, &[]).ok()?;
        let q = fit.coefficients.len();
        let k = q + 1 + fit.shapes.len();
        let mut matrix = Vec::with_capacity(q * q);
        for a in 1..=q {
            matrix.extend((1..=q).map(|b| fit.covariance[a * k + b]));
        }
        let mut y: Vec<f64> = fit.coefficients.iter().map(|c| c.estimate).collect();
        Cholesky::new(matrix, q)?.forward(&mut y);
        // Hotelling's T²: w·(d − q + 1)/(d·q) is F(q, d − q + 1).
        let clusters = fit.clusters?.degrees_of_freedom;
        let df = clusters - q as f64 + 1.0;
        if df < 1.0 {
            return None;
        }
        let wald = y.iter().map(|y| y * y).sum::<f64>();
        let statistic = wald * df / (clusters * q as f64);
        let x = df / (df + q as f64 * statistic);
        Some(ClusteredTest {
            statistic,
            degrees_of_freedom: q as u32,
            error_degrees_of_freedom: df,
            p_value: beta_cdf(x, 0.5 * df, 0.5 * q as f64),
        })
    }

    fn clustered_fit(
        &self,
        clusters: &[u32],
        active: &[usize],
        base: usize,
        adjust: &[Covariate],
    ) -> Result<Regression, RegressionError> {
        let mut covariates = vec![self.grouping.keep(active).covariate(base)];
        covariates.extend(adjust.iter().map(|c| keep_covariate(c, active)));
        let mut request = self.request(covariates);
        request.errors = Errors::ByCluster;
        request.clusters = Some(active.iter().map(|&i| clusters[i]).collect());
        regress(&self.lives.rows(active), &request)
    }

    /// Ratios of every pair of groups.
    fn ratios(
        &mut self,
        with_worn: &[usize],
        active: &[usize],
        clusters: Option<&[u32]>,
        few_machines: bool,
    ) -> Result<Vec<LifeRatio>, CompareError> {
        let levels = self.grouping.levels.clone();
        let lives = self.lives.rows(active);
        let mut ratios = Vec::new();
        for to in 0..levels.len() {
            let base = with_worn.binary_search(&to).ok();
            // With `to` as the base, each other group's coefficient is its log ratio.
            let (model, clustered, adjusted) = match base {
                Some(base) if with_worn.len() >= 2 => {
                    let grouping = self.grouping.keep(active).covariate(base);
                    let model = regress(&lives, &self.request(vec![grouping.clone()]));
                    if let Err(error) = &model
                        && to == with_worn[0]
                    {
                        self.note(format!("No life ratio: {error}."));
                    }
                    let clustered = clusters.map(|c| self.clustered_fit(c, active, base, &[]));
                    (
                        model.ok(),
                        clustered.and_then(Result::ok),
                        self.adjusted(&lives, active, clusters, base)?,
                    )
                }
                _ => (None, None, None),
            };
            for (of, name) in levels.iter().enumerate().skip(to + 1) {
                let term = format!("{}: {}", self.grouping.name, name);
                let plain = model.as_ref().and_then(|r| r.coefficient(&term));
                let best = clustered
                    .as_ref()
                    .and_then(|r| r.coefficient(&term))
                    .or(plain);
                let exp = |v: Option<f64>| v.map(f64::exp);
                ratios.push(LifeRatio {
                    of: name.clone(),
                    to: levels[to].clone(),
                    ratio: best.map(|c| c.estimate.exp()),
                    lower: exp(best.and_then(|c| c.lower)),
                    upper: exp(best.and_then(|c| c.upper)),
                    p_value: best.map(|c| c.p_value).filter(|_| !few_machines),
                    p_value_holm: None,
                    lower_model_only: exp(plain.and_then(|c| c.lower)),
                    upper_model_only: exp(plain.and_then(|c| c.upper)),
                    adjusted: adjusted.as_ref().and_then(|r: &Regression| {
                        let c = r.coefficient(&term)?;
                        Some(AdjustedRatio {
                            held: self.options.adjust.clone(),
                            ratio: c.estimate.exp(),
                            lower: c.lower?.exp(),
                            upper: c.upper?.exp(),
                        })
                    }),
                });
                debug_assert!(of > to);
            }
        }
        let p_values: Vec<f64> = ratios.iter().filter_map(|r| r.p_value).collect();
        let mut adjusted = holm(&p_values).into_iter();
        for ratio in ratios.iter_mut().filter(|r| r.p_value.is_some()) {
            ratio.p_value_holm = adjusted.next();
        }
        Ok(ratios)
    }

    fn adjusted(
        &mut self,
        lives: &Observations,
        active: &[usize],
        clusters: Option<&[u32]>,
        base: usize,
    ) -> Result<Option<Regression>, CompareError> {
        if self.adjust.is_empty() {
            return Ok(None);
        }
        let result = if let Some(clusters) = clusters {
            self.clustered_fit(clusters, active, base, &self.adjust)
        } else {
            let mut covariates = vec![self.grouping.keep(active).covariate(base)];
            covariates.extend(self.adjust.iter().map(|c| keep_covariate(c, active)));
            regress(lives, &self.request(covariates))
        };
        match result {
            Ok(fit) => Ok(Some(fit)),
            Err(RegressionError::Value(error)) => Err(error.into()),
            Err(error) => {
                if base == 0 {
                    self.note(format!("No adjusted ratio: {error}."));
                }
                Ok(None)
            }
        }
    }
}

fn keep_covariate(covariate: &Covariate, rows: &[usize]) -> Covariate {
    use crate::models::regression::CovariateValues;
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

fn distinct(codes: impl Iterator<Item = u32>) -> usize {
    let mut codes: Vec<u32> = codes.collect();
    codes.sort_unstable();
    codes.dedup();
    codes.len()
}
