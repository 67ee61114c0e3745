//! The line through the probability plot.

use super::{Problem, code_of};
use crate::models::functional::{Intervals, NoIntervals};
use crate::models::goodness::anderson_darling;
use crate::models::likelihood::{Likelihood, Second};
use crate::models::maximise::{NoOptimum, Optimum};
use crate::models::pivotal::Pivotal;
use crate::models::ranks::{line, points};
use crate::models::{Caution, CautionCode, Fit, GoodnessOfFit, IntervalMethod, Method};

impl Problem<'_> {
    /// A straight line through the probability plot, with limits from simulated samples: it has no
    /// likelihood to make them from.
    pub(super) fn by_ranks(&self, fit: &mut Fit) {
        let time_on_rank = self.request.method == Method::TimeOnRank;
        let position = self.request.plot_position;
        let found =
            points(self.lives, position).map(|points| line(&points, self.kernel, time_on_rank));
        let line = match found {
            Some(Some(line)) => line,
            Some(None) => {
                let why = if self.lives.worn() > 0.0 {
                    NoOptimum::OneAge
                } else {
                    NoOptimum::NoWorn
                };
                fit.cautions.push(Caution::new(
                    code_of(why),
                    "a line through the probability plot needs two worn lives at different ages",
                ));
                self.fill(None, &NoIntervals, fit);
                return;
            }
            None => {
                fit.cautions.push(Caution::new(
                    CautionCode::Note,
                    "ranks have no meaning for lives that are left- or interval-censored or seen \
                     only from a later age; use the likelihood method",
                ));
                self.fill(None, &NoIntervals, fit);
                return;
            }
        };
        let (mu, sigma) = (line.mu - self.lives.shift, self.known.unwrap_or(line.sigma));
        let likelihood = Likelihood {
            kernel: self.kernel,
            lives: self.lives,
        };
        let optimum = Optimum {
            mu,
            sigma,
            log_likelihood: likelihood.value(mu, sigma),
            covariance: Second {
                aa: f64::NAN,
                ab: f64::NAN,
                bb: f64::NAN,
            },
        };
        fit.log_likelihood = Some(optimum.log_likelihood);
        let simulated = Pivotal::of_line(
            self.lives,
            self.kernel,
            (mu, sigma),
            time_on_rank,
            position,
            0.5 * (1.0 - self.request.confidence),
        )
        .filter(|_| self.known.is_none());
        let intervals: &dyn Intervals = match &simulated {
            Some(simulated) => simulated,
            None => &NoIntervals,
        };
        self.fill(Some(&optimum), intervals, fit);
        fit.goodness_of_fit = GoodnessOfFit {
            anderson_darling: anderson_darling(self.lives, self.kernel, mu, sigma),
            p_value: None,
            plot_correlation: Some(line.correlation),
        };
        fit.interval_method = IntervalMethod::Simulation;
        fit.cautions.push(Caution::new(
            CautionCode::Note,
            if simulated.is_some() {
                "limits of a line through ranks come from samples simulated from it, censored as \
                 these lives are"
            } else {
                "no interval for the line through ranks (the family has one parameter, or there are \
                 too few worn lives or too many lives to simulate); the likelihood method gives one"
            },
        ));
    }
}
