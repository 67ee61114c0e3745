//! Repeated failures of whole machines: power-law process and trend.

use super::curves::histories;
use super::{Answers, Case};
use crate::models::trend::{PowerLaw, TrendTest, laplace, power_law};

/// Exponent and rate of the power-law process, its chi-square test, Laplace's test, and what
/// follows from them for a growth test (improvement slope, time between failures at the end).
pub(super) fn repeated(case: &Case) -> Answers {
    let histories = histories(case);
    let fitted = histories
        .as_ref()
        .map_err(String::clone)
        .and_then(|all| power_law(all).ok_or_else(|| "no power-law fit".to_owned()));
    let trend = histories
        .as_ref()
        .map_err(String::clone)
        .and_then(|all| laplace(all).ok_or_else(|| "no trend test".to_owned()));
    // Of a single machine.
    let watched = histories
        .iter()
        .flatten()
        .map(|h| h.end)
        .fold(0.0, f64::max);
    let law = |of: &dyn Fn(&PowerLaw) -> f64| fitted.as_ref().map(of).map_err(String::clone);
    let test = |of: fn(&TrendTest) -> f64| trend.as_ref().map(of).map_err(String::clone);
    let between = |p: &PowerLaw| watched / (p.events as f64 * p.unbiased_exponent);
    let mut answers = Answers::new();
    for quantity in case.quantities() {
        let answer = match quantity.name.as_str() {
            "beta_mle_n/sum" | "power_law_NHPP_beta_mle" => law(&|p| p.exponent),
            "lambda_mle" | "power_law_NHPP_lambda_mle" => law(&|p| p.rate),
            "beta_(n-1)/sum" => law(&|p| p.unbiased_exponent),
            "improvement_slope_1-(n-1)/sum" => law(&|p| 1.0 - p.unbiased_exponent),
            "instantaneous_MTBF_with_(n-1)/sum" | "MTBF_at_1500" => law(&between),
            "mil_chi2_statistic_2*sum_ln(T/t)" => law(&|p| p.constant_rate.statistic),
            "mil_chi2_df" => law(&|p| f64::from(p.constant_rate.degrees_of_freedom)),
            "mil_chi2_upper_p" => law(&|p| p.constant_rate.p_value),
            "laplace_U" | "laplace_trend_pooled_(each unit own end)" => test(|t| t.statistic),
            "laplace_two_sided_p" => test(|t| t.p_value),
            _ => continue,
        };
        answers.insert(quantity.whole, answer);
    }
    answers
}
