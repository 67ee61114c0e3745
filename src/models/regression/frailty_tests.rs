//! Machines with a level of their own, against other software.

use approx::assert_relative_eq;

use super::*;
use crate::lives::Observations;
use crate::models::Family;
use crate::numerics::streams::stream;

const INF: f64 = f64::INFINITY;

/// Machine, x, entry, hours, worn; drawn at random.
#[rustfmt::skip]
const LIVES: [(u32, f64, f64, f64, bool); 30] = [
    (1, 0.0, 0., 900., false), (1, 1.0, 0., 900., false), (1, 0.0, 0., 900., false), (1, 1.0, 0., 900., false), (1, 1.0, 0., 893.3, true),
    (2, 0.0, 0., 90., true), (2, 1.0, 163.5, 408.7, true), (2, 0.0, 0., 275.8, true), (2, 1.0, 0., 537.4, true), (2, 1.0, 0., 536.9, true),
    (3, 0.0, 0., 408.8, true), (3, 1.0, 0., 334.1, true), (3, 0.0, 0., 324., true), (3, 1.0, 201., 502.5, true), (3, 1.0, 0., 393.4, true),
    (4, 0.0, 0., 409.1, true), (4, 1.0, 0., 812.4, true), (4, 0.0, 0., 353., true), (4, 1.0, 0., 395.6, true), (4, 1.0, 0., 412.2, true),
    (5, 0.0, 106.6, 266.6, true), (5, 1.0, 0., 265.2, true), (5, 0.0, 0., 245.5, true), (5, 1.0, 0., 499., true), (5, 1.0, 0., 564.5, true),
    (6, 0.0, 0., 441., true), (6, 1.0, 0., 506.5, true), (6, 0.0, 124.5, 311.3, true), (6, 1.0, 0., 600., true), (6, 1.0, 0., 69.5, true),
];

/// Machine, x, hours, all worn; drawn at random.
#[rustfmt::skip]
const ALL_WORN: [(u32, f64, f64); 30] = [
    (1, 0.0, 1206.7), (1, 1.0, 2358.2), (1, 0.0, 1037.), (1, 1.0, 1351.8), (1, 1.0, 2261.8), (2, 0.0, 296.7), (2, 1.0, 390.6), (2, 0.0, 200.5), (2, 1.0, 125.4), (2, 1.0, 329.8), (3, 0.0, 279.5), (3, 1.0, 574.6), (3, 0.0, 448.3), (3, 1.0, 304.6), (3, 1.0, 525.6), (4, 0.0, 306.3), (4, 1.0, 1047.4), (4, 0.0, 380.3), (4, 1.0, 1067.4), (4, 1.0, 520.5), (5, 0.0, 566.6), (5, 1.0, 456.), (5, 0.0, 289.), (5, 1.0, 461.8), (5, 1.0, 919.1), (6, 0.0, 219.8), (6, 1.0, 302.3), (6, 0.0, 747.1), (6, 1.0, 588.), (6, 1.0, 205.9),
];

fn lives(with_entry: bool) -> (Observations, RegressionRequest) {
    let mut lives = Observations::default();
    for (_, _, entry, t, worn) in LIVES {
        let entry = if with_entry { entry } else { 0.0 };
        lives.push(t, if worn { t } else { INF }, entry, 1.0);
    }
    let x = LIVES.iter().map(|l| l.1).collect();
    let mut request = RegressionRequest::weibull(vec![Covariate::number("x", x)]);
    request.clusters = Some(LIVES.iter().map(|l| l.0).collect());
    (lives, request)
}

/// Weibull with censoring and late entry: R 4, the marginal likelihood written out, each machine's
/// integral by `integrate(rel.tol = 1e-12)`, maximised by `optim` (BFGS).
#[test]
fn weibull_lives_agree_with_a_likelihood_written_out_in_r() {
    let (lives, request) = lives(true);
    let f = shared_frailty(&lives, &request).unwrap();
    assert_relative_eq!(
        f.coefficients[0].estimate,
        0.357_408_741,
        max_relative = 2e-5
    );
    assert_relative_eq!(f.sigma, 0.315_639_367, max_relative = 2e-5);
    assert_relative_eq!(f.standard_deviation, 0.416_886_431, max_relative = 2e-5);
    // optim stops within 2e-6 of the top.
    assert_relative_eq!(f.log_likelihood_gained, 8.910_905_99, max_relative = 1e-6);
    // Standard errors from optim's differenced Hessian.
    assert_relative_eq!(
        f.coefficients[0].standard_error,
        0.137_896,
        max_relative = 1e-3
    );
    assert_relative_eq!(f.standard_error.unwrap(), 0.152_728, max_relative = 1e-3);
    assert_eq!(f.clusters, 6);
}

/// All worn and lognormal, the model is the linear mixed model: R 4, nlme `lme(method = "ML")`.
#[test]
fn lognormal_lives_agree_with_the_linear_mixed_model() {
    let mut lives = Observations::default();
    for (_, _, t) in ALL_WORN {
        lives.push(t, t, 0.0, 1.0);
    }
    let x = ALL_WORN.iter().map(|l| l.1).collect();
    let mut request = RegressionRequest::weibull(vec![Covariate::number("x", x)]);
    request.family = Family::Lognormal;
    request.clusters = Some(ALL_WORN.iter().map(|l| l.0).collect());
    let f = shared_frailty(&lives, &request).unwrap();
    assert_relative_eq!(
        f.coefficients[0].estimate,
        0.312_981_486,
        max_relative = 1e-6
    );
    assert_relative_eq!(f.standard_deviation, 0.534_843_90, max_relative = 1e-6);
    assert_relative_eq!(f.sigma, 0.432_296_26, max_relative = 1e-6);
    assert_relative_eq!(f.log_likelihood_gained, 7.453_562_26, max_relative = 1e-7);
}

/// Machines that are alike: no spread, and the regression's own numbers.
#[test]
fn alike_machines_leave_the_regression_as_it_is() {
    let mut lives = Observations::default();
    let (mut x, mut machine) = (Vec::new(), Vec::new());
    for m in 0..8_u32 {
        for j in 0..6_u32 {
            // Every machine has the same six lives, so the spread is less than luck would have it.
            let t = 300.0 + 70.0 * f64::from(j) + f64::from(m);
            lives.push(t, t, 0.0, 1.0);
            x.push(f64::from(j % 2));
            machine.push(m);
        }
    }
    let mut request = RegressionRequest::weibull(vec![Covariate::number("x", x)]);
    request.clusters = Some(machine);
    let f = shared_frailty(&lives, &request).unwrap();
    assert_eq!((f.standard_deviation, f.test.p_value), (0.0, 1.0));
    assert_eq!(f.standard_error, None);
    let plain = regress(&lives, &request).unwrap();
    let (ours, theirs) = (&f.coefficients[0], &plain.coefficients[0]);
    assert_relative_eq!(ours.estimate, theirs.estimate, max_relative = 1e-8);
    assert_relative_eq!(
        ours.standard_error,
        theirs.standard_error,
        max_relative = 1e-8
    );
}

/// The unit of time is nobody's business, and many lives a machine are no trouble.
#[test]
fn scale_does_not_matter_with_three_hundred_lives_a_machine() {
    let made = |scale: f64| {
        let mut s = stream(17, 0);
        let (mut lives, mut x, mut machine) = (Observations::default(), Vec::new(), Vec::new());
        for m in 0..5_u32 {
            let own = 0.5 * s.normal();
            for j in 0..300_u32 {
                let t = scale * (own + 0.4 * f64::from(j % 2)).exp() * s.exponential().powf(0.4);
                lives.push(t, t, 0.0, 1.0);
                x.push(f64::from(j % 2));
                machine.push(m);
            }
        }
        let mut request = RegressionRequest::weibull(vec![Covariate::number("x", x)]);
        request.clusters = Some(machine);
        shared_frailty(&lives, &request).unwrap()
    };
    let (a, b) = (made(1e-6), made(1e12));
    assert_relative_eq!(
        a.standard_deviation,
        b.standard_deviation,
        max_relative = 1e-6
    );
    assert_relative_eq!(
        a.coefficients[0].estimate,
        b.coefficients[0].estimate,
        max_relative = 1e-6
    );
    assert!((a.coefficients[0].estimate - 0.4).abs() < 4.0 * a.coefficients[0].standard_error);
    assert!((a.sigma - 0.4).abs() < 0.03, "{}", a.sigma);
}

/// The unbiased clustered error of the same lives without late entry, from survreg's own
/// derivatives in R survival 3.5 and `eigen`.
#[test]
fn unbiased_clustered_errors_agree_with_r() {
    let (lives, mut request) = lives(false);
    request.errors = Errors::ByClusterUnbiased;
    let r = regress(&lives, &request).unwrap();
    assert_relative_eq!(
        r.coefficients[0].estimate,
        0.165_749_626,
        max_relative = 1e-6
    );
    assert_relative_eq!(
        r.coefficients[0].standard_error,
        0.610_015_050,
        max_relative = 1e-5
    );
    assert_eq!(r.clusters.unwrap().degrees_of_freedom, 5.0);
}
