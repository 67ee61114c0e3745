//! Fits beside the two-parameter Weibull: other families, a known shape, no worn life, truncation
//! left out, competing causes in series, grouped counts, thresholds, ranks, fit checks.

use super::weibull::{parameter, request};
use super::{Answers, Case, at_time, numbers_named};
use crate::forecast::{FirstLife, chance_within};
use crate::lives::Observations;
use crate::models::{
    Family, Fit, FitRequest, IntervalMethod, Method, PlotPosition, fit, life_model, plot_points,
    scale_limits as limits_of_scale,
};
use crate::records::Part;
use crate::validate::Subset;

fn fitted(lives: &Observations, request: &FitRequest) -> Result<Fit, String> {
    fit(lives, request).map_err(|error| error.to_string())
}

fn log_likelihood(fit: &Fit) -> Result<f64, String> {
    fit.log_likelihood
        .ok_or_else(|| "the fit gives no log-likelihood".to_owned())
}

fn estimate(fit: &Fit, name: &str) -> Result<f64, String> {
    let found = parameter(fit, name)?.estimate;
    found.ok_or_else(|| format!("the fit gives no {name}"))
}

/// Answers each quantity for which `answer` has one.
fn each(
    case: &Case,
    answer: impl Fn(&Observations, &str) -> Option<Result<f64, String>>,
) -> Answers {
    let mut answers = Answers::new();
    for quantity in case.quantities() {
        let found = match case.sample.lives(&case.subset(&quantity.subset)) {
            Ok(lives) => answer(&lives, &quantity.name),
            Err(reason) => Some(Err(reason)),
        };
        if let Some(found) = found {
            answers.insert(quantity.whole, found);
        }
    }
    answers
}

/// `lognormal_loglik`, `exponential_loglik`, `exponential_mean`, `exponential_total_time_on_test`,
/// `LR_weibull_vs_exponential`.
pub(super) fn families(case: &Case) -> Answers {
    let of = |lives: &Observations, family| {
        let request = FitRequest {
            family,
            ..request(IntervalMethod::Wald)
        };
        fitted(lives, &request)
    };
    each(case, |lives, name| {
        let exponential = || of(lives, Family::Exponential);
        Some(match name {
            "lognormal_loglik" => of(lives, Family::Lognormal).and_then(|f| log_likelihood(&f)),
            "exponential_loglik" => exponential().and_then(|f| log_likelihood(&f)),
            "exponential_mean" => exponential().and_then(|f| estimate(&f, "scale")),
            "exponential_total_time_on_test" => {
                exponential().and_then(|f| Ok(estimate(&f, "scale")? * f.lives.worn as f64))
            }
            "LR_weibull_vs_exponential" => of(lives, Family::Weibull).and_then(|weibull| {
                Ok(2.0 * (log_likelihood(&weibull)? - log_likelihood(&exponential()?)?))
            }),
            _ => return None,
        })
    })
}

/// `known_shape_2:scale_mle` and `:loglik`.
pub(super) fn known_shape(case: &Case) -> Answers {
    each(case, |lives, name| {
        let (shape, what) = name.strip_prefix("known_shape_")?.split_once(':')?;
        let request = FitRequest {
            known_shape: Some(shape.parse().ok()?),
            ..request(IntervalMethod::Wald)
        };
        match what {
            "scale_mle" => Some(fitted(lives, &request).and_then(|f| estimate(&f, "scale"))),
            "loglik" => Some(fitted(lives, &request).and_then(|f| log_likelihood(&f))),
            _ => None,
        }
    })
}

/// `known_shape_2:scale_lower_95_one_sided_…` and, for the exponential, `exponential_mean_chi2_95_lo_…`
/// and `_hi_…`: limits from the total of transformed hours.
pub(super) fn scale_limits(case: &Case) -> Answers {
    each(case, |lives, name| {
        let (shape, what) = match name.strip_prefix("known_shape_") {
            Some(rest) => {
                let (shape, what) = rest.split_once(':')?;
                (shape.parse().ok()?, what)
            }
            None => (1.0, name),
        };
        let is = |start: &str| what.starts_with(start);
        let known = is("scale_lower_95_one_sided") || is("exponential_mean_chi2_95_");
        if !known {
            return None;
        }
        let found = limits_of_scale(lives, shape, 0.95).map(|limits| {
            if is("scale_lower_95_one_sided") {
                Some(limits.one_sided_lower)
            } else if is("exponential_mean_chi2_95_lo") {
                Some(limits.lower)
            } else {
                limits.upper
            }
        });
        Some(found.flatten().ok_or_else(|| "no such limit".to_owned()))
    })
}

/// `shape=2,conf=0.9:scale_lower_bound` and `:B10_lower_bound`. The confidence 0.632121 stands for
/// `1 − 1/e`, at which the bound is `Σ t^β = η^β`.
pub(super) fn no_worn_life(case: &Case) -> Answers {
    each(case, |lives, name| {
        let given = numbers_named(name);
        let (shape, stated) = (*given.get("shape")?, *given.get("conf")?);
        let confidence = match stated {
            0.632121 => 1.0 - (-1.0_f64).exp(),
            other => other,
        };
        let request = FitRequest {
            known_shape: Some(shape),
            confidence,
            ..request(IntervalMethod::Likelihood)
        };
        let fit = fitted(lives, &request);
        let bound = match name.rsplit(':').next()? {
            "scale_lower_bound" => fit.and_then(|f| Ok(parameter(&f, "scale")?.lower)),
            "B10_lower_bound" => fit.map(|f| f.quantiles.first().and_then(|q| q.lower)),
            _ => return None,
        };
        Some(bound.and_then(|bound| bound.ok_or_else(|| "the fit gives no bound".to_owned())))
    })
}

/// `ignoring_truncation:shape` and `:scale`: what leaving out the entry ages would do.
pub(super) fn ignoring_truncation(case: &Case) -> Answers {
    each(case, |lives, name| {
        let parameter = name.strip_prefix("ignoring_truncation:")?;
        let lives = Observations {
            entry: Vec::new(),
            ..lives.clone()
        };
        let fit = fitted(&lives, &request(IntervalMethod::Wald));
        Some(fit.and_then(|fit| estimate(&fit, parameter)))
    })
}

/// `series_model_R(t)`: the product of the reliabilities of all causes, each fitted with the others
/// as right-censoring.
pub(super) fn series(case: &Case) -> Answers {
    let causes: Vec<&Subset> = case.dataset.subsets.values().collect();
    each(case, |_, name| {
        let ("series_model_R", hours) = at_time(name)? else {
            return None;
        };
        let request = FitRequest {
            at_hours: vec![hours],
            ..request(IntervalMethod::Wald)
        };
        let of = |cause: &&&Subset| {
            let fit = fitted(&case.sample.lives(cause)?, &request)?;
            let found = fit.reliability.first().and_then(|r| r.reliability);
            found.ok_or_else(|| "the fit gives no reliability".to_owned())
        };
        let competing = causes.iter().filter(|cause| cause.others.is_some());
        Some(competing.map(|cause| of(&cause)).product())
    })
}

/// `n`, `pearson_chisq_all_cells`, `pearson_df_(cells-1-2)` of grouped counts: the cells' expected
/// counts come from the fit, the sum over cells is made here.
pub(super) fn chi_square(case: &Case) -> Answers {
    each(case, |lives, name| {
        let cells = lives.low.len() as f64;
        let counts = &lives.count;
        match name {
            "n" => Some(Ok(counts.iter().sum())),
            "pearson_df_(cells-1-2)" => Some(Ok(cells - 3.0)),
            "pearson_chisq_all_cells" => Some(pearson(lives)),
            _ => None,
        }
    })
}

fn pearson(lives: &Observations) -> Result<f64, String> {
    let ages = |bounds: &[f64]| -> Vec<f64> {
        let inside = bounds.iter().copied();
        inside.filter(|t| *t > 0.0 && t.is_finite()).collect()
    };
    let request = FitRequest {
        at_hours: [ages(&lives.low), ages(&lives.high)].concat(),
        ..request(IntervalMethod::Wald)
    };
    let fit = fitted(lives, &request)?;
    let reliability = |hours: f64| match hours {
        0.0 => Ok(1.0),
        f64::INFINITY => Ok(0.0),
        hours => {
            let found = fit.reliability.iter().find(|r| r.hours == hours);
            let found = found.and_then(|r| r.reliability);
            found.ok_or_else(|| format!("the fit gives no reliability at {hours}"))
        }
    };
    let total: f64 = lives.count.iter().sum();
    let mut sum = 0.0;
    for ((low, high), count) in lives.low.iter().zip(&lives.high).zip(&lives.count) {
        let expected = total * (reliability(*low)? - reliability(*high)?);
        sum += (count - expected).powi(2) / expected;
    }
    Ok(sum)
}

/// `threshold`, `shape`, `scale`, `loglik_3p` of the Weibull with a threshold;
/// `loglik_2p_threshold0`, `LR_3p_vs_2p` against the one without.
pub(super) fn threshold(case: &Case) -> Answers {
    let of = |lives: &Observations, family| {
        let request = FitRequest {
            family,
            ..request(IntervalMethod::Wald)
        };
        fitted(lives, &request)
    };
    let two = |lives: &Observations| log_likelihood(&of(lives, Family::Weibull)?);
    each(case, |lives, name| {
        let three = || of(lives, Family::WeibullThreshold);
        Some(match name {
            "threshold" | "shape" | "scale" => three().and_then(|fit| estimate(&fit, name)),
            "loglik_3p" => three().and_then(|fit| log_likelihood(&fit)),
            "loglik_2p_threshold0" => two(lives),
            "LR_3p_vs_2p" => {
                three().and_then(|fit| Ok(2.0 * (log_likelihood(&fit)? - two(lives)?)))
            }
            _ => return None,
        })
    })
}

/// `rank_regression_x_on_y_exact_median_ranks_shape` (time on rank) and `_y_on_x_` (rank on time),
/// the same with `_bernard_(i-0.3)/(n+0.4)_`, `adjusted_rank_failure_1`.
pub(super) fn rank_regression(case: &Case) -> Answers {
    each(case, |lives, name| {
        if let Some(number) = name.strip_prefix("adjusted_rank_failure_") {
            let number: usize = number.parse().ok()?;
            let point = plot_points(lives).and_then(|p| p.get(number.checked_sub(1)?).copied());
            return Some(
                point
                    .map(|p| p.rank)
                    .ok_or_else(|| "no such rank".to_owned()),
            );
        }
        let (direction, rest) = name
            .strip_prefix("rank_regression_")?
            .split_at("x_on_y".len());
        let exact = rest.strip_prefix("_exact_median_ranks_");
        let approximate = rest.strip_prefix("_bernard_(i-0.3)/(n+0.4)_");
        let (plot_position, parameter) = match (exact, approximate) {
            (Some(parameter), _) => (PlotPosition::MedianRank, parameter),
            (None, Some(parameter)) => (PlotPosition::Benard, parameter),
            (None, None) => return None,
        };
        let method = match direction {
            "x_on_y" => Method::TimeOnRank,
            "y_on_x" => Method::RankOnTime,
            _ => return None,
        };
        let request = FitRequest {
            method,
            plot_position,
            ..request(IntervalMethod::Posterior)
        };
        Some(fitted(lives, &request).and_then(|fit| estimate(&fit, parameter)))
    })
}

/// `anderson_darling_A2_at_mle` and the same times `1 + 0.2/√n`.
pub(super) fn anderson_darling(case: &Case) -> Answers {
    each(case, |lives, name| {
        let factor = match name {
            "anderson_darling_A2_at_mle" => 1.0,
            "anderson_darling_A2_times_(1+0.2/sqrt(n))" => 1.0 + 0.2 / (lives.len() as f64).sqrt(),
            _ => return None,
        };
        let statistic = fitted(lives, &request(IntervalMethod::Wald)).and_then(|fit| {
            let found = fit.goodness_of_fit.anderson_darling;
            found.ok_or_else(|| "the fit gives no distance".to_owned())
        });
        Some(statistic.map(|statistic| factor * statistic))
    })
}

/// `predictive_R(t)`: reliability averaged over the life model that forecasts use.
pub(super) fn predictive(case: &Case) -> Answers {
    each(case, |lives, name| {
        let ("predictive_R", hours) = at_time(name)? else {
            return None;
        };
        let model = life_model(&Part::named(&case.dataset.id), lives);
        let new = FirstLife::Aged(0.0);
        Some(match model {
            Ok(model) => Ok(1.0 - chance_within(&model.nodes, 1, &new, hours)),
            Err(no_model) => Err(no_model.to_string()),
        })
    })
}
