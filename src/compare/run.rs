//! The comparison itself.

use super::answer::answer;
use super::prepare::{Prepared, distinct};
use super::{CompareError, CompareOptions, Comparison, Group, LogRank, PrimaryTest, log_rank};
use crate::lives::LivesTable;
use crate::models::curve::reliability_curve;
use crate::models::regression::{Regression, RegressionError, TestResult, regress};
use crate::models::{Caution, CautionCode, Family};

/// Compares lives by the groups of one column.
///
/// # Errors
/// A column that is not there, fewer than two groups, or unusable lives. What cannot be given for
/// lack of worn lives or machines is null in the result, with a caution.
pub fn compare(table: &LivesTable, options: &CompareOptions) -> Result<Comparison, CompareError> {
    Prepared::new(table, options)?.compare()
}

/// Likelihood-ratio tests of the groups, where they exist.
struct Likelihoods {
    equal_shape: Option<TestResult>,
    equal_life: Option<TestResult>,
    equal_both: Option<TestResult>,
    /// One shape, a scale each.
    shared: Option<Regression>,
}

impl Prepared<'_> {
    fn compare(mut self) -> Result<Comparison, CompareError> {
        let clusters = self.clusters();
        let (groups, separate) = self.groups(clusters.as_deref())?;
        let with_worn: Vec<usize> = (0..groups.len())
            .filter(|&g| groups[g].worn > 0.0)
            .collect();
        let log_rank = self.log_rank(self.strata.as_deref())?;
        if log_rank.is_none() {
            self.note("Some lives are known only within bounds, so there is no log-rank test; the likelihood-ratio tests use those lives in full.");
        }
        let log_rank_unstratified = match &self.strata {
            Some(_) => self.log_rank(None)?,
            None => None,
        };
        // Over the groups with a worn life. Without one, a group's scale has no finite estimate and
        // its lives add nothing to the maximum.
        let active: Vec<usize> = (0..self.grouping.codes.len())
            .filter(|&i| with_worn.contains(&(self.grouping.codes[i] as usize)))
            .collect();
        let tests = self.likelihoods(&with_worn, &active, &separate);
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
        let frailty = self.frailty(clusters.as_deref(), &with_worn, &active);
        let life_ratios = self.ratios(
            &with_worn,
            &active,
            clusters.as_deref(),
            few_machines,
            frailty.as_ref(),
        )?;
        if let Some(test) = tests.equal_shape.filter(|t| t.p_value < 0.05) {
            self.cautions.push(Caution::new(
                CautionCode::ShapesDiffer,
                format!(
                    "The groups do not wear in the same way (equal shape: p = {:.3}), so one life \
                     ratio does not hold at every age: look at the curves.",
                    test.p_value
                ),
            ));
        }
        let (primary_test, primary_p_value) = match (permutation, clustered, tests.equal_life) {
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
            log_rank_unstratified,
            strata: self.options.stratify.clone(),
            equal_shape: tests.equal_shape,
            equal_life: tests.equal_life,
            equal_shape_and_life: tests.equal_both,
            permutation_by_machine: permutation,
            clustered_by_machine: clustered,
            primary_test,
            primary_p_value,
            p_value_holm: None,
            shared_shape: tests
                .shared
                .and_then(|r| r.shapes.into_iter().next())
                .map(|s| s.shape),
            life_ratios,
            machines: clusters.map(|c| distinct(c.into_iter())),
            machine_spread: frailty.map(|f| (&f).into()),
            cautions: self.cautions,
        };
        comparison.answer = answer(&comparison);
        Ok(comparison)
    }

    /// Each group by itself: its curve, and its own fit.
    #[expect(clippy::type_complexity, reason = "two columns side by side")]
    fn groups(
        &self,
        clusters: Option<&[u32]>,
    ) -> Result<(Vec<Group>, Vec<Result<Regression, RegressionError>>), CompareError> {
        let mut groups = Vec::new();
        let mut separate = Vec::new();
        for (g, level) in self.grouping.levels.iter().enumerate() {
            let rows = self.grouping.rows_of(g);
            let lives = self.lives.rows(&rows);
            let curve = reliability_curve(&lives, self.options.confidence)?;
            let own = regress(&lives, &self.request(Vec::new()));
            let fitted = own.as_ref().ok();
            groups.push(Group {
                value: level.clone(),
                lives: curve.lives,
                worn: curve.worn,
                machines: clusters.map(|c| distinct(rows.iter().map(|&i| c[i]))),
                median: curve.median,
                shape: fitted.map(|r| r.shapes[0].shape.clone()),
                scale: fitted.and_then(|r| r.intercept.estimate).map(f64::exp),
                curve,
            });
            separate.push(own);
        }
        Ok((groups, separate))
    }

    /// None where lives are known only within bounds.
    fn log_rank(&self, strata: Option<&[u32]>) -> Result<Option<LogRank>, CompareError> {
        let groups = self.grouping.levels.len();
        match log_rank(&self.lives, &self.grouping.codes, groups, strata) {
            Ok(test) => Ok(Some(test)),
            Err(CompareError::Interval { .. }) => Ok(None),
            Err(other) => Err(other),
        }
    }

    fn likelihoods(
        &self,
        with_worn: &[usize],
        active: &[usize],
        separate: &[Result<Regression, RegressionError>],
    ) -> Likelihoods {
        let k = self.grouping.levels.len();
        let shared = (with_worn.len() >= 2)
            .then(|| {
                let lives = self.lives.rows(active);
                let grouping = self.grouping.keep(active);
                regress(&lives, &self.request(vec![grouping.covariate(0)])).ok()
            })
            .flatten();
        let own_value = |g: &usize| separate[*g].as_ref().ok().map(|r| r.log_likelihood);
        let shared_value = match with_worn {
            [only] => own_value(only),
            _ => shared.as_ref().map(|r| r.log_likelihood),
        };
        let separate_value: Option<f64> = with_worn.iter().map(own_value).sum();
        let everyone = regress(&self.lives, &self.request(Vec::new()));
        let null_value = everyone.ok().map(|r| r.log_likelihood);
        let test = |better: Option<f64>, worse: Option<f64>, df: usize| {
            Some(TestResult::chi_square(2.0 * (better? - worse?), df as u32)).filter(|_| df > 0)
        };
        let shapes_free = with_worn.len().saturating_sub(1);
        let with_shape = self.options.family != Family::Exponential;
        Likelihoods {
            equal_shape: test(separate_value, shared_value, shapes_free).filter(|_| with_shape),
            equal_life: test(shared_value, null_value, k - 1),
            equal_both: test(separate_value, null_value, k - 1 + shapes_free)
                .filter(|_| with_shape),
            shared,
        }
    }
}
