//! How many times as long the lives of one group last as those of another.

use super::prepare::{Prepared, keep_covariate};
use super::{AdjustedRatio, CompareError, LifeRatio, RatioLimits, holm};
use crate::lives::Observations;
use crate::models::regression::{Frailty, Regression, RegressionError, regress, shared_frailty};

/// Groups and lives up to which the machines' own levels are fitted as a check.
const FRAILTY_GROUPS: usize = 6;
const FRAILTY_LIVES: usize = 20_000;

impl Prepared<'_> {
    /// Ratios of every pair of groups.
    pub(super) fn ratios(
        &mut self,
        with_worn: &[usize],
        active: &[usize],
        clusters: Option<&[u32]>,
        few_machines: bool,
        frailty: Option<&Frailty>,
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
                let limits = best.and_then(|c| c.lower.zip(c.upper));
                let model = plain.and_then(|c| c.lower.zip(c.upper));
                // Errors clustered by a handful of machines can come out far too small by luck:
                // where they are too few for a test, the limits are at least the model's own.
                let limits = match (limits, model) {
                    (Some((a, z)), Some((c, y))) if few_machines => Some((a.min(c), z.max(y))),
                    (limits, _) => limits,
                };
                ratios.push(LifeRatio {
                    of: name.clone(),
                    to: levels[to].clone(),
                    ratio: best.map(|c| c.estimate.exp()),
                    lower: exp(limits.map(|l| l.0)),
                    upper: exp(limits.map(|l| l.1)),
                    p_value: best.map(|c| c.p_value).filter(|_| !few_machines),
                    p_value_holm: None,
                    lower_model_only: exp(plain.and_then(|c| c.lower)),
                    upper_model_only: exp(plain.and_then(|c| c.upper)),
                    shared_frailty: frailty.and_then(|f| self.frailty_ratio(f, with_worn, of, to)),
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

    /// A level of its own for each machine, as a check on the clustered errors; none where machines
    /// are unknown, too few, or there is more than a check should cost.
    pub(super) fn frailty(
        &self,
        clusters: Option<&[u32]>,
        with_worn: &[usize],
        active: &[usize],
    ) -> Option<Frailty> {
        let clusters = clusters?;
        if with_worn.len() < 2 || with_worn.len() > FRAILTY_GROUPS || active.len() > FRAILTY_LIVES {
            return None;
        }
        let mut request = self.request(vec![self.grouping.keep(active).covariate(0)]);
        request.clusters = Some(active.iter().map(|&i| clusters[i]).collect());
        shared_frailty(&self.lives.rows(active), &request).ok()
    }

    fn frailty_ratio(
        &self,
        frailty: &Frailty,
        with_worn: &[usize],
        of: usize,
        to: usize,
    ) -> Option<RatioLimits> {
        // The first group with a worn life is the base; the others' coefficients follow in order.
        let place = |group: usize| {
            with_worn
                .binary_search(&group)
                .ok()
                .map(|at| at.checked_sub(1))
        };
        let (ln, se) = frailty.difference(place(of)?, place(to)?);
        let reach = Frailty::multiplier(self.options.confidence) * se;
        Some(RatioLimits {
            ratio: ln.exp(),
            lower: (ln - reach).exp(),
            upper: (ln + reach).exp(),
        })
    }
}
