//! Do lives get shorter or longer as a machine ages, or by date? Then one life model does not hold.
//!
//! For the replacements of whole machines: Laplace's test and its form for renewal processes (Lewis
//! & Robinson), and the power-law process. For the lives of one part kind, censored ones included:
//! a regression of life on the day it went in.

use std::collections::BTreeMap;

use jiff::civil::Date;
use serde::Serialize;

use super::curve::EventHistory;
use super::regression::{Covariate, Errors, RegressionRequest, TestResult, regress};
use super::{Caution, CautionCode};
use crate::lives::{Life, observations};
use crate::numerics::roots::brent;
use crate::numerics::special::{chi_square_sf, normal_cdf};

/// A trend statistic that is standard normal when there is no trend; positive when replacements
/// come ever faster.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct TrendTest {
    /// Statistic.
    pub statistic: f64,
    /// Two-sided p-value.
    pub p_value: f64,
    /// Replacements behind it.
    pub events: usize,
}

/// Laplace's test, pooled over machines each watched to its own end:
/// `U = Σ_ij (t_ij − T_i/2) / √(Σ_i n_i·T_i²/12)`, times counted from entry (Cox & Lewis 1966; Ascher
/// & Feingold 1984). Right for a Poisson process only: under wear-out it rejects too seldom.
/// None without events.
pub fn laplace(histories: &[EventHistory]) -> Option<TrendTest> {
    let (mut sum, mut variance, mut events) = (0.0, 0.0, 0);
    for h in histories {
        let watched = h.end - h.entry;
        events += h.events.len();
        sum += h
            .events
            .iter()
            .map(|t| t - h.entry - watched / 2.0)
            .sum::<f64>();
        variance += h.events.len() as f64 * watched * watched / 12.0;
    }
    (variance > 0.0).then(|| test(sum / variance.sqrt(), events))
}

/// Lewis and Robinson's test, which holds for any renewal process (Lewis & Robinson 1974, from memory), pooled over
/// machines.
///
/// Laplace's sum `V = Σ_{k<n} T_k` of a machine's first n − 1 replacement ages is held against its
/// mean and variance over all orders of that machine's n complete times x between replacements:
/// `E V = (n−1)/2·Σx`, `Var V = n(n+1)/12·Σ(x − x̄)²`. Without a trend every order is as likely,
/// however long the machine was watched, so neither wear-out nor short watches mislead it, as both
/// do the usual form that divides by the coefficient of variation. None with fewer than three
/// complete times, or when they do not vary.
pub fn lewis_robinson(histories: &[EventHistory]) -> Option<TrendTest> {
    let (mut sum, mut variance, mut gaps, mut events) = (0.0, 0.0, 0, 0);
    for h in histories {
        let mut ages: Vec<f64> = h.events.iter().map(|t| t - h.entry).collect();
        ages.sort_by(f64::total_cmp);
        events += ages.len();
        let n = ages.len() as f64;
        let Some(last) = ages.last().copied().filter(|_| ages.len() >= 2) else {
            continue;
        };
        gaps += ages.len();
        let mean = last / n;
        let mut before = 0.0;
        let mut squares = 0.0;
        for &age in &ages {
            squares += (age - before - mean).powi(2);
            before = age;
        }
        sum += ages[..ages.len() - 1].iter().sum::<f64>() - (n - 1.0) / 2.0 * last;
        variance += n * (n + 1.0) / 12.0 * squares;
    }
    (gaps >= 3 && variance > 0.0).then(|| test(sum / variance.sqrt(), events))
}

fn test(statistic: f64, events: usize) -> TrendTest {
    TrendTest {
        statistic,
        p_value: 2.0 * normal_cdf(-statistic.abs()),
        events,
    }
}

/// A power-law process, expected replacements by age t `λ·t^β`: β above 1 means ever faster.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct PowerLaw {
    /// Exponent β by maximum likelihood.
    pub exponent: f64,
    /// λ by maximum likelihood.
    pub rate: f64,
    /// β·(n − 1)/n: unbiased when all machines were watched equally long.
    pub unbiased_exponent: f64,
    /// Replacements.
    pub events: usize,
    /// `2·Σ ln(T_i/t_ij)`, chi-square with 2n degrees of freedom when β = 1.
    pub constant_rate: TestResult,
    /// Likelihood-ratio test of β = 1, two-sided.
    pub likelihood_ratio: TestResult,
}

impl PowerLaw {
    /// Replacements an hour at an age: `λ·β·t^(β−1)`.
    pub fn intensity(&self, hours: f64) -> f64 {
        self.exponent * self.rate * hours.powf(self.exponent - 1.0)
    }
}

/// Fits a power-law process to machines each watched from new to its own end (Crow 1974; Rigdon &
/// Basu 2000): β solves `n/β + Σ ln t = n·Σ T^β·ln T / Σ T^β`, `λ = n/Σ T^β`.
///
/// None without events, or when a machine was not watched from new, or all events are at the ends.
pub fn power_law(histories: &[EventHistory]) -> Option<PowerLaw> {
    let times: Vec<f64> = histories
        .iter()
        .flat_map(|h| h.events.iter().copied())
        .collect();
    let n = times.len() as f64;
    if times.is_empty()
        || histories.iter().any(|h| h.entry > 0.0)
        || times.iter().any(|t| *t <= 0.0)
    {
        return None;
    }
    // Ages over the longest watch, so that powers neither overflow nor lose digits.
    let longest = histories.iter().map(|h| h.end).fold(0.0, f64::max);
    let ends: Vec<f64> = histories.iter().map(|h| (h.end / longest).ln()).collect();
    let ln_sum: f64 = times.iter().map(|t| (t / longest).ln()).sum();
    let power_sum = |b: f64| ends.iter().map(|e| (b * e).exp()).sum::<f64>();
    let slope = |b: f64| {
        let weighted: f64 = ends.iter().map(|e| e * (b * e).exp()).sum();
        n / b + ln_sum - n * weighted / power_sum(b)
    };
    let (mut low, mut high) = (1e-3, 1.0);
    while slope(low) < 0.0 && low > 1e-12 {
        low /= 10.0;
    }
    while slope(high) > 0.0 && high < 1e6 {
        high *= 2.0;
    }
    let exponent = brent(slope, low, high, 1e-14 * high)?;
    let ln_rate = |b: f64| n.ln() - power_sum(b).ln() - b * longest.ln();
    // Log-likelihood n·ln λβ + (β−1)·Σ ln t − λ·Σ T^β, the last being n at the top over λ.
    let value = |b: f64| n * (ln_rate(b) + b.ln()) + (b - 1.0) * (ln_sum + n * longest.ln());
    let statistic: f64 = 2.0
        * histories
            .iter()
            .flat_map(|h| h.events.iter().map(|t| (h.end / t).ln()))
            .sum::<f64>();
    Some(PowerLaw {
        exponent,
        rate: ln_rate(exponent).exp(),
        unbiased_exponent: exponent * (n - 1.0) / n,
        events: times.len(),
        constant_rate: TestResult {
            statistic,
            degrees_of_freedom: 2 * times.len() as u32,
            p_value: chi_square_sf(statistic, 2.0 * n),
        },
        likelihood_ratio: TestResult::chi_square(2.0 * (value(exponent) - value(1.0)), 1),
    })
}

/// How lives of one part kind change with the day they went in.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LifeTrend {
    /// Life of parts put in a year later over that of parts now: below 1 means ever shorter.
    pub ratio_per_year: f64,
    /// Lower 95 % limit.
    pub lower: f64,
    /// Upper 95 % limit.
    pub upper: f64,
    /// p-value of no trend, errors clustered by machine where there are enough machines.
    pub p_value: f64,
}

/// Regresses life on the day it went in, censored lives included. None with fewer than five worn
/// lives, or where the lives cannot tell.
pub fn life_trend<'a>(lives: impl IntoIterator<Item = &'a Life>) -> Option<LifeTrend> {
    let lives: Vec<&Life> = lives.into_iter().filter(|l| l.start.is_some()).collect();
    let first = lives.iter().filter_map(|l| l.start).min()?;
    let worn: u32 = lives
        .iter()
        .filter(|l| l.high.is_finite())
        .map(|l| l.count)
        .sum();
    if worn < 5 {
        return None;
    }
    let years = |day: Date| f64::from(first.until(day).map_or(0, |span| span.get_days())) / 365.25;
    let started = lives
        .iter()
        .map(|l| l.start.map_or(f64::NAN, years))
        .collect();
    let mut names = BTreeMap::new();
    for life in &lives {
        let next = names.len() as u32;
        names.entry(life.machine.as_str()).or_insert(next);
    }
    let mut request = RegressionRequest::weibull(vec![Covariate::number("start", started)]);
    if names.len() >= 6 {
        request.errors = Errors::ByCluster;
        request.clusters = Some(lives.iter().map(|l| names[l.machine.as_str()]).collect());
    }
    let fit = regress(&observations(lives.iter().copied()), &request).ok()?;
    let c = fit.coefficients.first()?;
    let trend = LifeTrend {
        ratio_per_year: c.estimate.exp(),
        lower: c.lower?.exp(),
        upper: c.upper?.exp(),
        p_value: c.p_value,
    };
    [trend.ratio_per_year, trend.lower, trend.upper]
        .iter()
        .all(|v| v.is_finite())
        .then_some(trend)
}

/// The caution for a forecast, where lives of a part kind change by date (p below 0.05).
pub fn trend_caution<'a>(part: &str, lives: impl IntoIterator<Item = &'a Life>) -> Option<Caution> {
    let trend = life_trend(lives)?;
    (trend.p_value < 0.05).then(|| {
        let word = if trend.ratio_per_year < 1.0 { "shorter" } else { "longer" };
        Caution::about(
            CautionCode::Trend,
            part,
            format!(
                "Lives are getting {word}: parts put in a year later last {:.2} times as long (95%: \
                 {:.2} to {:.2}). The forecast takes all records as alike, so look for what changed.",
                trend.ratio_per_year, trend.lower, trend.upper
            ),
        )
    })
}

#[cfg(test)]
mod tests {
    use approx::assert_relative_eq;

    use super::*;
    use crate::lives::{LifeId, LifeRows};
    use crate::numerics::streams::stream;
    use crate::records::{Extras, Text};

    fn one(end: f64, events: &[f64]) -> EventHistory {
        EventHistory {
            machine: "1".to_owned(),
            entry: 0.0,
            end,
            events: events.to_vec(),
        }
    }

    /// NIST/SEMATECH e-Handbook 8.4.5.2: improvement slope 0.5165 and 310 h at 1,500 h (from memory);
    /// digits by scipy 1.17.1.
    #[test]
    fn reliability_growth_test() {
        let h = [one(
            1500.0,
            &[5., 40., 43., 175., 389., 712., 747., 795., 1299., 1478.],
        )];
        let p = power_law(&h).unwrap();
        assert_relative_eq!(p.exponent, 0.537228866034, max_relative = 1e-10);
        assert_relative_eq!(p.unbiased_exponent, 0.483505979431, max_relative = 1e-10);
        assert_relative_eq!(p.rate, 0.196658215714, max_relative = 1e-9);
        assert_relative_eq!(
            p.constant_rate.statistic,
            37.2280814835,
            max_relative = 1e-10
        );
        assert_eq!(p.constant_rate.degrees_of_freedom, 20);
        assert_relative_eq!(
            p.constant_rate.p_value,
            0.0109863571158,
            max_relative = 1e-8
        );
        let u = laplace(&h).unwrap();
        assert_relative_eq!(u.statistic, -1.32694918265, max_relative = 1e-10);
        assert_relative_eq!(u.p_value, 0.184525493367, max_relative = 1e-9);
    }

    /// Valve seats of 41 engines (Nelson & Doganaksoy 1989); digits by scipy 1.17.1.
    #[test]
    fn valve_seats_come_faster() {
        let path = format!(
            "{}/datasets/valve_seats/data.csv",
            env!("CARGO_MANIFEST_DIR")
        );
        let mut histories: BTreeMap<String, EventHistory> = BTreeMap::new();
        for row in csv::Reader::from_path(path).unwrap().records() {
            let row = row.unwrap();
            let t: f64 = row[1].parse().unwrap();
            let h = histories
                .entry(row[0].to_owned())
                .or_insert_with(|| one(0.0, &[]));
            if &row[2] == "replacement" {
                h.events.push(t);
            } else {
                h.end = t;
            }
        }
        let histories: Vec<EventHistory> = histories.into_values().collect();
        let p = power_law(&histories).unwrap();
        assert_relative_eq!(p.exponent, 1.39957926695, max_relative = 1e-9);
        assert_relative_eq!(p.rate, 0.000144754610659, max_relative = 1e-7);
        assert_relative_eq!(
            laplace(&histories).unwrap().statistic,
            2.37869277521,
            max_relative = 1e-9
        );
    }

    /// Under wear-out without trend, the permutation form keeps its level (Weibull shape 3, simulated);
    /// by hand, for gaps 1, 2, 3 over all six orders V has mean 6 and variance 2.
    #[test]
    fn lewis_robinson_keeps_its_level_under_wear_out() {
        // Orders of 1, 2, 3: V = 2x₁ + x₂ is 4, 5, 5, 7, 7, 8.
        let hand = lewis_robinson(&[one(7.0, &[1.0, 3.0, 6.0])]).unwrap();
        assert_relative_eq!(
            hand.statistic,
            (4.0 - 6.0) / f64::sqrt(2.0),
            max_relative = 1e-12
        );
        let (mut robinson, n) = (0, 2000);
        for r in 0..n {
            let mut s = stream(3, r);
            let histories: Vec<EventHistory> = (0..6)
                .map(|_| {
                    let mut t = 0.0;
                    let mut events = Vec::new();
                    loop {
                        t += s.exponential().powf(1.0 / 3.0);
                        if t > 8.0 {
                            break one(8.0, &events);
                        }
                        events.push(t);
                    }
                })
                .collect();
            robinson += i32::from(lewis_robinson(&histories).unwrap().p_value < 0.05);
        }
        let share = |k: i32| f64::from(k) / n as f64;
        assert!(
            (0.035..0.065).contains(&share(robinson)),
            "{}",
            share(robinson)
        );
    }

    fn life(machine: u32, day: i32, hours: f64) -> Life {
        let start = jiff::civil::date(2024, 1, 1)
            .checked_add(jiff::Span::new().days(day))
            .unwrap();
        Life {
            id: LifeId::new("belt", "M1", "1", 1),
            part: Text::from("belt"),
            machine: Text::from(format!("M{machine}")),
            position: Text::from("1"),
            serial: None,
            outcome: crate::lives::Outcome::Worn,
            low: hours,
            high: hours,
            entry: 0.0,
            count: 1,
            start: Some(start),
            end: start,
            rows: LifeRows::default(),
            unknown_reason: false,
            covariates: Extras::default(),
        }
    }

    #[test]
    fn lives_that_halve_every_year_are_told() {
        let mut s = stream(8, 0);
        let lives: Vec<Life> = (0..80)
            .map(|i| {
                let day = 9 * i;
                let hours =
                    500.0 * 0.5_f64.powf(f64::from(day) / 365.25) * s.exponential().powf(0.4);
                life(i as u32 % 8, day, hours)
            })
            .collect();
        let trend = life_trend(&lives).unwrap();
        assert!(trend.lower < 0.5 && 0.5 < trend.upper, "{trend:?}");
        let caution = trend_caution("belt", &lives).unwrap();
        assert_eq!(caution.code, CautionCode::Trend);
        assert!(caution.text.contains("shorter"));
        assert!(life_trend(&lives[..4]).is_none());
    }
}
