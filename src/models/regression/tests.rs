//! Regressions against published and independently recomputed values.

use approx::{assert_abs_diff_eq, assert_relative_eq};
use proptest::prelude::*;

use super::likelihood::Coordinates;
use super::rows::{Known, Rows};
use super::*;
use crate::lives::Observations;
use crate::models::{CautionCode, Family, Kernel};
use crate::numerics::streams::stream;

const INF: f64 = f64::INFINITY;

/// Columns of a published data set, as text.
struct Data(Vec<std::collections::BTreeMap<String, String>>);

impl Data {
    fn read(name: &str) -> Self {
        let path = format!("{}/datasets/{name}/data.csv", env!("CARGO_MANIFEST_DIR"));
        let mut reader = csv::Reader::from_path(path).unwrap();
        Self(reader.deserialize().map(Result::unwrap).collect())
    }

    fn numbers(&self, column: &str) -> Vec<f64> {
        self.0
            .iter()
            .map(|r| r[column].parse().unwrap_or(f64::NAN))
            .collect()
    }

    fn category(&self, column: &str) -> Covariate {
        let mut levels: Vec<String> = self.0.iter().map(|r| r[column].clone()).collect();
        levels.sort();
        levels.dedup();
        let code = |r: &std::collections::BTreeMap<String, String>| {
            levels.iter().position(|l| *l == r[column]).unwrap() as u32
        };
        let codes = self.0.iter().map(code).collect();
        Covariate::category(column, levels, codes)
    }

    fn number(&self, column: &str) -> Covariate {
        Covariate::number(column, self.numbers(column))
    }

    fn lives(&self) -> Observations {
        let time = self.numbers("time");
        Observations {
            high: self
                .0
                .iter()
                .zip(&time)
                .map(|(r, &t)| if r["status"] == "failure" { t } else { INF })
                .collect(),
            low: time,
            ..Observations::default()
        }
    }
}

fn near(ours: f64, theirs: f64, tolerance: f64) {
    assert_abs_diff_eq!(ours, theirs, epsilon = tolerance);
}

/// Edmonson et al. 1979 as in R's `ovarian`; estimates as printed in that package's help page
/// (from memory: 6.897, −0.385, 0.529, 0.884, −97.1), digits by scipy 1.17.1 and R survival 3.5-3.
#[test]
fn ovarian_cancer_trial() {
    let data = Data::read("ovarian");
    let mut request = RegressionRequest::weibull(vec![data.number("ecog_ps"), data.number("rx")]);
    let fit = regress(&data.lives(), &request).unwrap();
    near(fit.intercept.estimate.unwrap(), 6.89669312858, 1e-8);
    near(fit.intercept.standard_error.unwrap(), 1.17754721555, 1e-6);
    near(fit.coefficients[0].estimate, -0.38504254935, 1e-8);
    near(fit.coefficients[0].standard_error, 0.527001781436, 1e-6);
    near(fit.coefficients[1].estimate, 0.528645496261, 1e-8);
    near(fit.coefficients[1].standard_error, 0.529201901038, 1e-6);
    near(fit.shapes[0].sigma.ln(), -0.1234418107, 1e-8);
    near(fit.shapes[0].standard_error_ln_sigma, 0.252213104378, 1e-6);
    near(fit.log_likelihood, -97.0844931684, 1e-8);
    near(fit.null_log_likelihood, -97.9539010471, 1e-8);
    near(fit.likelihood_ratio.statistic, 1.73881575749, 1e-7);
    near(fit.likelihood_ratio.p_value, 0.419199692824, 1e-8);
    // Profile likelihood limits by scipy 1.17 (Nelder–Mead within a root search).
    request.errors = Errors::Likelihood;
    let fit = regress(&data.lives(), &request).unwrap();
    LR_LIMITS
        .iter()
        .zip(&fit.coefficients)
        .for_each(|(limits, c)| {
            near(c.lower.unwrap(), limits.0, 1e-6);
            near(c.upper.unwrap(), limits.1, 1e-6);
        });
    near(
        1.0 / fit.shapes[0].shape.upper.unwrap(),
        LR_LN_SIGMA.0.exp(),
        1e-6,
    );
    near(
        1.0 / fit.shapes[0].shape.lower.unwrap(),
        LR_LN_SIGMA.1.exp(),
        1e-6,
    );
}

const LR_LIMITS: [(f64, f64); 2] = [(-1.6962371761, 0.6781118613), (-0.5291400466, 1.8468140899)];
const LR_LN_SIGMA: (f64, f64) = (-0.5702891236, 0.4313222444);

/// Loprinzi et al. 1994 as in R's `lung`; scipy 1.17.1 and R survival 3.5-3. One row lacks `ph_ecog`.
#[test]
fn lung_cancer_with_a_missing_covariate() {
    let data = Data::read("lung");
    let (mut lives, mut ecog) = (data.lives(), data.numbers("ph_ecog"));
    // The row that the published file has without ph_ecog; its other values do not matter.
    lives.push(100.0, 100.0, 0.0, 1.0);
    ecog.push(f64::NAN);
    let mut age = data.numbers("age");
    age.push(60.0);
    let mut sex = data.category("sex");
    if let CovariateValues::Category { codes, .. } = &mut sex.values {
        codes.push(0);
    }
    let covariates = vec![
        Covariate::number("ph_ecog", ecog),
        Covariate::number("age", age),
        sex,
    ];
    let fit = regress(&lives, &RegressionRequest::weibull(covariates)).unwrap();
    assert_eq!((fit.left_out, fit.lives.total), (1, 227));
    assert!(fit.cautions.iter().any(|c| c.code == CautionCode::Note));
    near(
        fit.coefficient("ph_ecog").unwrap().estimate,
        -0.339638098309,
        1e-9,
    );
    near(
        fit.coefficient("ph_ecog").unwrap().standard_error,
        0.08347841503,
        1e-7,
    );
    near(
        fit.coefficient("age").unwrap().estimate,
        -0.00747543940914,
        1e-10,
    );
    near(
        fit.coefficient("age").unwrap().standard_error,
        0.00676350766757,
        1e-8,
    );
    // The published case codes female as 1; ours takes the first level, F, as the base.
    near(
        fit.coefficient("sex: M").unwrap().estimate,
        -0.401090541193,
        1e-9,
    );
    let intercept = fit.intercept.estimate.unwrap();
    near(intercept, 6.67452579319 + 0.401090541193, 1e-8);
    near(fit.log_likelihood, -1132.43874588, 1e-7);
    near(fit.null_log_likelihood, -1147.42805687, 1e-7);
}

/// The other families on the same lives: R survival 3.5-3, `survreg(Surv(time, ev) ~ age + sex)`.
#[test]
fn lung_cancer_in_every_family() {
    let data = Data::read("lung");
    for (family, age, sex, log_likelihood, null, error) in [
        (
            Family::Lognormal,
            -0.0236398692321,
            -0.5086718415649,
            -1152.79094470,
            -1163.17598442,
            0.155287119939,
        ),
        (
            Family::Loglogistic,
            -0.0142105425411,
            -0.4661308900175,
            -1146.70963582,
            -1154.54917932,
            0.140092782947,
        ),
        (
            Family::Exponential,
            -0.0158663314409,
            -0.4733940191673,
            -1149.99844805,
            -1156.12326447,
            0.167340463084,
        ),
    ] {
        let mut request =
            RegressionRequest::weibull(vec![data.number("age"), data.category("sex")]);
        request.family = family;
        let fit = regress(&data.lives(), &request).unwrap();
        near(fit.coefficients[0].estimate, age, 1e-9);
        near(fit.coefficients[1].estimate, sex, 1e-8);
        near(fit.coefficients[1].standard_error, error, 1e-7);
        near(fit.log_likelihood, log_likelihood, 1e-7);
        near(fit.null_log_likelihood, null, 1e-7);
    }
}

/// Own shape by sex: R survival 3.5-3, `survreg(Surv(time, ev) ~ age + strata(sex))`.
#[test]
fn strata_with_their_own_shape() {
    let data = Data::read("lung");
    let mut request = RegressionRequest::weibull(vec![data.number("age")]);
    request.strata = Some(Strata {
        of: data.category("sex"),
        own: StratumOwns::Shape,
    });
    let fit = regress(&data.lives(), &request).unwrap();
    near(fit.intercept.estimate.unwrap(), 6.8511487176356, 1e-8);
    near(fit.coefficients[0].estimate, -0.0126137091407, 1e-10);
    near(fit.shapes[0].sigma, 0.662115836759, 1e-8);
    near(fit.shapes[1].sigma, 0.805124427217, 1e-8);
    near(fit.log_likelihood, -1144.40002028, 1e-7);
    near(fit.coefficients[0].standard_error, 0.006882499334, 1e-8);
    near(fit.shapes[0].standard_error_ln_sigma, 0.106760145591, 1e-6);
    near(fit.shapes[1].standard_error_ln_sigma, 0.079143381871, 1e-6);
}

/// Motorettes (Nelson & Hahn 1972): one temperature has no failure at all, and the slope is still
/// finite because temperature is a number. Digits by scipy 1.17.1.
#[test]
fn motorettes_by_temperature() {
    let data = Data::read("imotor");
    let fit = regress(
        &data.lives(),
        &RegressionRequest::weibull(vec![data.number("temp_C")]),
    )
    .unwrap();
    near(fit.intercept.estimate.unwrap(), 16.3185193824, 1e-7);
    near(fit.intercept.standard_error.unwrap(), 0.622963863421, 1e-6);
    near(fit.coefficients[0].estimate, -0.0453070534788, 1e-9);
    near(fit.coefficients[0].standard_error, 0.00318582106048, 1e-8);
    near(fit.shapes[0].sigma.ln(), -1.09564089424, 1e-8);
    near(fit.shapes[0].standard_error_ln_sigma, 0.214796643435, 1e-6);
    near(fit.log_likelihood, -147.365061177, 1e-7);
    // As categories, the temperature without failures is separated, and named.
    let error = regress(
        &data.lives(),
        &RegressionRequest::weibull(vec![data.category("temp_C")]),
    )
    .unwrap_err();
    assert_eq!(
        error,
        RegressionError::Separated {
            terms: vec!["temp_C: 150.0".to_owned()]
        }
    );
}

/// A number that is above 0 only where nothing wore out pulls for ever.
#[test]
fn a_separated_number_is_a_named_outcome() {
    let lives = Observations {
        low: vec![10., 14., 17., 25., 30., 20., 40.],
        high: vec![10., 14., 17., 25., INF, INF, INF],
        ..Observations::default()
    };
    let x = Covariate::number("grit", vec![0., 0., 0., 0., 1., 2., 3.]);
    for family in [
        Family::Weibull,
        Family::Lognormal,
        Family::Loglogistic,
        Family::Exponential,
    ] {
        let mut request = RegressionRequest::weibull(vec![x.clone()]);
        request.family = family;
        let error = regress(&lives, &request).unwrap_err();
        assert_eq!(
            error,
            RegressionError::Separated {
                terms: vec!["grit".to_owned()]
            },
            "{family:?}"
        );
    }
}

#[test]
fn outcomes_without_an_estimate_are_named() {
    let two = |high: [f64; 4]| Observations {
        low: vec![10., 20., 30., 40.],
        high: high.to_vec(),
        ..Observations::default()
    };
    let exact = two([10., 20., 30., 40.]);
    let x = |v: [f64; 4]| RegressionRequest::weibull(vec![Covariate::number("x", v.to_vec())]);
    let outcome = |lives: &Observations, r: &RegressionRequest| regress(lives, r).unwrap_err();
    assert_eq!(
        outcome(&two([INF; 4]), &x([1., 2., 3., 5.])),
        RegressionError::NoWorn
    );
    assert!(matches!(
        outcome(&exact, &x([3.; 4])),
        RegressionError::OneValue { .. }
    ));
    assert!(matches!(
        outcome(&exact, &x([1., INF, 2., 3.])),
        RegressionError::NotFinite { row: 2, .. }
    ));
    let mut twice = x([1., 2., 3., 5.]);
    twice
        .covariates
        .push(Covariate::number("double", vec![2., 4., 6., 10.]));
    assert!(matches!(
        outcome(&exact, &twice),
        RegressionError::Collinear { .. }
    ));
    // ln t exactly linear in x: every worn life on the line.
    let line = x([10., 20., 30., 40.].map(f64::ln));
    assert_eq!(outcome(&exact, &line), RegressionError::PerfectFit);
    let mut same = exact.clone();
    same.low = vec![10.; 4];
    same.high = vec![10.; 4];
    assert_eq!(
        outcome(&same, &RegressionRequest::weibull(Vec::new())),
        RegressionError::PerfectFit
    );
}

/// A random problem of every kind of life, late entry included.
fn random_rows(seed: u64, n: usize) -> Rows {
    let mut s = stream(seed, 0);
    let kinds = [Known::Exactly, Known::Beyond, Known::Before, Known::Between];
    let mut rows = Rows {
        known: Vec::new(),
        y: Vec::new(),
        y_high: Vec::new(),
        y_entry: Vec::new(),
        weight: Vec::new(),
        columns: vec![Vec::new(); 2],
        stratum: Vec::new(),
        strata: 2,
        plain: false,
        shift: 0.0,
        constant: 0.0,
    };
    for _ in 0..n {
        let y = s.normal();
        rows.known.push(kinds[s.below(4)]);
        rows.y.push(y);
        rows.y_high.push(y + 0.1 + s.uniform());
        rows.y_entry.push(if s.below(2) == 0 {
            f64::NEG_INFINITY
        } else {
            y - 1.0 - s.uniform()
        });
        rows.weight.push(1.0 + s.below(3) as f64);
        for column in &mut rows.columns {
            column.push(s.normal());
        }
        rows.stratum.push(s.below(2) as u32);
    }
    rows
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(40))]

    #[test]
    fn derivatives_agree_with_central_differences(
        seed in 0..1000_u64, b in -0.5..0.5_f64, a in -0.5..0.7_f64, k in 0..3_usize
    ) {
        let rows = random_rows(seed, 30);
        let kernel = [Kernel::SmallestExtreme, Kernel::Normal, Kernel::Logistic][k];
        for coordinates in [Coordinates::Concave, Coordinates::Natural] {
            let at = match coordinates {
                Coordinates::Concave => vec![b, 0.3, -0.2, a.exp()],
                Coordinates::Natural => vec![b, 0.3, -0.2, a, 0.5 * a],
            };
            let sums = rows.sums(kernel, &at, coordinates, &[]);
            let m = at.len();
            for j in 0..m {
                let h = 1e-5;
                let moved = |d: f64| {
                    let mut at = at.clone();
                    at[j] += d;
                    rows.sums(kernel, &at, coordinates, &[])
                };
                let (left, right) = (moved(-h), moved(h));
                let slope = (right.value - left.value) / (2.0 * h);
                prop_assert!((slope - sums.gradient[j]).abs() < 1e-4 * (1.0 + slope.abs()));
                for i in 0..m {
                    let curve = (right.gradient[i] - left.gradient[i]) / (2.0 * h);
                    let ours = sums.hessian[i * m + j];
                    prop_assert!((curve - ours).abs() < 1e-4 * (1.0 + curve.abs()), "{i} {j} {curve} {ours}");
                }
            }
        }
    }

    /// Whole columns against life by life.
    #[test]
    fn plain_rows_have_the_same_sums_either_way(seed in 0..1000_u64, b in -0.5..0.5_f64, a in -0.5..0.7_f64) {
        let mut rows = random_rows(seed, 300);
        for known in &mut rows.known {
            if !matches!(known, Known::Exactly | Known::Beyond) {
                *known = Known::Beyond;
            }
        }
        rows.y_entry.clear();
        rows.stratum.clear();
        rows.strata = 1;
        let kernel = Kernel::SmallestExtreme;
        for coordinates in [Coordinates::Concave, Coordinates::Natural] {
            let last = if coordinates == Coordinates::Concave { a.exp() } else { a };
            let at = vec![b, 0.3, -0.2, last];
            rows.plain = false;
            let each = rows.sums(kernel, &at, coordinates, &[]);
            rows.plain = true;
            let columns = rows.sums(kernel, &at, coordinates, &[]);
            let near = |x: f64, y: f64| (x - y).abs() < 1e-10 * (1.0 + x.abs());
            prop_assert!(near(each.value, columns.value));
            for (x, y) in each.gradient.iter().zip(&columns.gradient) {
                prop_assert!(near(*x, *y), "{x} {y}");
            }
            for (x, y) in each.hessian.iter().zip(&columns.hessian) {
                prop_assert!(near(*x, *y), "{x} {y}");
            }
        }
    }

    #[test]
    fn units_order_and_counts_change_nothing(seed in 0..1000_u64, power in -9..10_i32) {
        let mut s = stream(seed, 1);
        let n = 40;
        let mut lives = Observations::default();
        let mut x = Vec::new();
        for _ in 0..n {
            let v = s.normal();
            let t = 500.0 * (0.3 * v).exp() * s.exponential().sqrt();
            let low = if s.below(4) == 0 { 0.7 * t } else { t };
            let high = if s.below(4) == 0 { INF } else { t };
            lives.push(low, high, if s.below(3) == 0 { 0.2 * low } else { 0.0 }, 1.0 + s.below(2) as f64);
            x.push(v);
        }
        let fit = |lives: &Observations, x: &[f64]| {
            regress(lives, &RegressionRequest::weibull(vec![Covariate::number("x", x.to_vec())]))
        };
        let Ok(plain) = fit(&lives, &x) else { return Ok(()) };
        let unit = 10_f64.powi(power);
        let mut other = Observations::default();
        let mut other_x = Vec::new();
        for i in (0..n).rev() {
            let entry = lives.entry.get(i).copied().unwrap_or(0.0);
            for _ in 0..lives.count.get(i).map_or(1, |c| *c as usize) {
                other.push(lives.low[i] * unit, lives.high[i] * unit, entry * unit, 1.0);
                other_x.push(x[i] * 1e3 + 7e5);
            }
        }
        let again = fit(&other, &other_x).unwrap();
        let (a, b) = (&plain.coefficients[0], &again.coefficients[0]);
        prop_assert!((a.estimate - b.estimate * 1e3).abs() < 1e-8 * (1.0 + a.estimate.abs()));
        prop_assert!((a.standard_error / b.standard_error / 1e3 - 1.0).abs() < 1e-7);
        prop_assert!((plain.shapes[0].sigma / again.shapes[0].sigma - 1.0).abs() < 1e-8);
    }
}

/// Half of 40 machines under each of two conditions, ten lives each.
fn two_conditions(replicate: u64, spread: f64) -> (Observations, RegressionRequest, Vec<u32>) {
    let mut s = stream(5, replicate);
    let (mut lives, mut x, mut machine) = (Observations::default(), Vec::new(), Vec::new());
    for m in 0..40_u32 {
        let own = spread * s.normal();
        for _ in 0..10 {
            let t = (6.0 + own).exp() * s.exponential().sqrt();
            lives.push(t, t, 0.0, 1.0);
            x.push(f64::from(m % 2));
            machine.push(m);
        }
    }
    let mut request = RegressionRequest::weibull(vec![Covariate::number("x", x)]);
    request.errors = Errors::ByCluster;
    request.clusters = Some(machine.clone());
    (lives, request, machine)
}

/// Against simulation: with machines that differ the clustered error is the spread of the estimate
/// over repeated fleets, and the error from the model alone is far below it.
#[test]
fn clustered_errors_see_machines_that_differ() {
    let (mut sum, mut squares, mut error, mut model) = (0.0, 0.0, 0.0, 0.0);
    let n = 120;
    for replicate in 0..n {
        let (lives, request, _) = two_conditions(replicate, 0.5);
        let fit = regress(&lives, &request).unwrap();
        assert_eq!(fit.clusters.unwrap().degrees_of_freedom, 38.0);
        let c = &fit.coefficients[0];
        sum += c.estimate;
        squares += c.estimate * c.estimate;
        error += c.standard_error.powi(2);
        model += c.model_standard_error.powi(2);
    }
    let n = n as f64;
    let spread = (squares / n - (sum / n).powi(2)).sqrt();
    assert_relative_eq!((error / n).sqrt(), spread, max_relative = 0.2);
    assert!(spread > 1.5 * (model / n).sqrt());
}

#[test]
fn one_life_a_machine_needs_no_clustering() {
    let (lives, mut request, machine) = two_conditions(1, 0.0);
    request.clusters = Some((0..machine.len() as u32).collect());
    let c = &regress(&lives, &request).unwrap().coefficients[0];
    assert_relative_eq!(
        c.standard_error,
        c.model_standard_error,
        max_relative = 0.15
    );
}

/// A life that ended before an age but was watched from an earlier one ended between the two.
#[test]
fn ended_before_an_age_and_watched_from_another_is_within_both() {
    let mut lives = Observations::default();
    let ages = [120.0, 310.0, 455.0, 610.0, 800.0, 900.0];
    for t in ages {
        lives.push(t, t, 0.0, 1.0);
    }
    let mut bounded = lives.clone();
    lives.push(0.0, 500.0, 200.0, 1.0);
    bounded.push(200.0, 500.0, 200.0, 1.0);
    let request = RegressionRequest::weibull(Vec::new());
    assert_eq!(
        regress(&lives, &request),
        regress(&bounded, &request).map(|mut fit| {
            // Counted as what the row says.
            fit.lives.left_censored += 1;
            fit.lives.interval_censored -= 1;
            fit
        })
    );
}
