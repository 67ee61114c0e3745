//! How life depends on the deflection: `ln T = μ + b₁x + b₂x² + W/β`, `x = ln(d / target)`.

use serde::Serialize;

use super::reading_error::{TrueValues, true_values};
use super::spells::Spell;
use crate::lives::Observations;
use crate::models::regression::{
    Coefficient, Covariate, Errors, RegressionError, RegressionRequest, TestResult, regress,
};
use crate::numerics::special::two_sided_normal;
use crate::numerics::student_t::t_multiplier;
use crate::records::Practice;

/// Points of the curve.
const POINTS: usize = 61;

/// Relative life at one deflection.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct DosePoint {
    /// Deflection, inches.
    pub deflection_in: f64,
    /// Belt tension over that on target: `T ≈ F·span/(4δ)` for a small deflection at mid-span, so
    /// target / deflection.
    pub relative_tension: f64,
    /// Life over that on target.
    pub relative_life: f64,
    /// Lower limit.
    pub lower: f64,
    /// Upper limit.
    pub upper: f64,
}

/// Deflection at which belts last longest.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Optimum {
    /// Deflection, inches.
    pub deflection_in: f64,
    /// Lower limit (Fieller), cut at the least reading; null when the lives cannot bound it.
    pub lower_in: Option<f64>,
    /// Upper limit, cut at the greatest reading.
    pub upper_in: Option<f64>,
    /// Whether the limits were cut at the readings seen.
    pub cut_at_readings: bool,
}

/// How reading error flattens the curve.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct ReadingError {
    /// Standard deviation of a reading, inches, as stated by the user.
    pub error_in: f64,
    /// Share of the spread of ln d among belts that is not reading error.
    pub share_true: f64,
    /// Curvature without allowing for it.
    pub curvature_as_read: f64,
}

/// Dose and response.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct DoseResponse {
    /// b₁, of x.
    pub slope: Coefficient,
    /// b₂, of x²; negative when there is a best tension.
    pub curvature: Coefficient,
    /// Chance of so much dependence if there were none (clustered, Hotelling's form; by likelihood
    /// ratio where there are too few machines).
    pub p_value: f64,
    /// The same by likelihood ratio, every life taken as independent.
    pub p_value_model_only: f64,
    /// Best deflection, where the curve has a top within the readings.
    pub optimum: Option<Optimum>,
    /// Curve from the least to the greatest reading.
    pub points: Vec<DosePoint>,
    /// Least reading, or expected true value where a reading error is allowed for, inches.
    pub least_in: f64,
    /// Greatest, likewise.
    pub greatest_in: f64,
    /// Weibull shape.
    pub shape: f64,
    /// Machines the errors are clustered by; null when there are too few and the errors are the
    /// model's own.
    pub clusters: Option<usize>,
    /// Stated reading error, if any, and what it does.
    pub reading_error: Option<ReadingError>,
    /// Columns held constant.
    pub held: Vec<String>,
}

/// What a curve is fitted to.
#[derive(Clone)]
pub(super) struct DoseRequest<'a> {
    pub(super) spells: &'a [Spell],
    pub(super) practice: &'a Practice,
    /// Columns held constant.
    pub(super) held: &'a [Covariate],
    /// Machine of each spell.
    pub(super) machines: &'a [u32],
    /// Whether there are enough machines to cluster by.
    pub(super) clustered: bool,
    pub(super) confidence: f64,
}

/// A reading error to allow for.
#[derive(Clone, Copy)]
pub(super) struct Allowed<'a> {
    /// Standard deviation of a reading, inches.
    pub(super) error_in: f64,
    /// What stands behind the readings.
    pub(super) behind: &'a TrueValues,
    /// Curvature without allowing for it.
    pub(super) curvature_as_read: f64,
}

/// Share of the spread of readings that must be left after the reading error for the curve to be
/// mended: below, what is left is luck.
const LEAST_SHARE_TRUE: f64 = 0.2;

impl DoseRequest<'_> {
    /// Readings, inches.
    fn readings(&self) -> Vec<f64> {
        self.spells.iter().map(|s| s.deflection_in).collect()
    }

    /// Expected true values behind the readings, where they spread enough beyond their stated error.
    pub(super) fn true_values(&self, error_in: f64) -> Option<TrueValues> {
        true_values(&self.readings(), self.practice.target_in, error_in)
            .filter(|t| t.share_true >= LEAST_SHARE_TRUE)
    }
}

/// Fits the curve.
///
/// Where a reading error is allowed for each reading is replaced by what it says of the true deflection
/// ([`true_values`]: expected x and expected x²). The fitted spread of true deflections is taken as known. How
/// much of the flattening is taken back: trials in `DEVELOPERS.md`.
///
/// # Errors
/// As [`regress`].
pub(super) fn dose(
    request: &DoseRequest<'_>,
    allowed: Option<Allowed<'_>>,
) -> Result<DoseResponse, RegressionError> {
    let DoseRequest {
        spells,
        practice,
        held,
        machines,
        clustered,
        confidence,
    } = *request;
    let target = practice.target_in;
    let mut lives = Observations::default();
    for s in spells {
        lives.push(s.low, s.high, s.entry, f64::from(s.count));
    }
    let (x, square) = if let Some(allowed) = allowed {
        (allowed.behind.x.clone(), allowed.behind.square.clone())
    } else {
        let readings = request.readings();
        let x: Vec<f64> = readings.iter().map(|d| (d / target).ln()).collect();
        let square = x.iter().map(|x| x * x).collect();
        (x, square)
    };
    // With a reading error the least and greatest are those of the expected true values.
    let (first, last) = (x.iter()).fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), &x| {
        (a.min(x), b.max(x))
    });
    let mut covariates = vec![
        Covariate::number("x", x),
        Covariate::number("x squared", square),
    ];
    covariates.extend(held.iter().cloned());
    let mut asked = RegressionRequest::weibull(covariates);
    asked.confidence = confidence;
    if clustered {
        asked.errors = Errors::ByClusterUnbiased;
        asked.clusters = Some(machines.to_vec());
    }
    let r = regress(&lives, &asked)?;
    let k = r.coefficients.len() + 1 + r.shapes.len();
    let v = |a: usize, b: usize| r.covariance[a * k + b];
    let (b1, b2) = (r.coefficients[0].estimate, r.coefficients[1].estimate);
    let df = r.clusters.map(|c| c.degrees_of_freedom);
    let multiplier = df.map_or_else(
        || two_sided_normal(confidence),
        |df| t_multiplier(confidence, df),
    );
    let points = (0..POINTS)
        .map(|i| {
            let x = first + (last - first) * i as f64 / (POINTS - 1) as f64;
            let ln = b1 * x + b2 * x * x;
            let se = (x * x * (v(1, 1) + 2.0 * x * v(1, 2) + x * x * v(2, 2)))
                .max(0.0)
                .sqrt();
            DosePoint {
                deflection_in: target * x.exp(),
                relative_tension: (-x).exp(),
                relative_life: ln.exp(),
                lower: (ln - multiplier * se).exp(),
                upper: (ln + multiplier * se).exp(),
            }
        })
        .collect();
    // Joint test of b₁ and b₂.
    let chi_square = |v11: f64, v12: f64, v22: f64| {
        (b1 * b1 * v22 - 2.0 * b1 * b2 * v12 + b2 * b2 * v11) / (v11 * v22 - v12 * v12)
    };
    let clustered_p = df.map(|df| {
        // Hotelling: w·(d − 1)/(2d) is F(2, d − 1), and P(F(2, m) > f) = (1 + 2f/m)^(−m/2).
        let w = chi_square(v(1, 1), v(1, 2), v(2, 2));
        (1.0 + w / df).powf(-(df - 1.0).max(0.5) / 2.0)
    });
    let model_p = TestResult::chi_square(
        2.0 * (r.log_likelihood - without_dose(&lives, held, confidence)?),
        2,
    )
    .p_value;
    let p_value = clustered_p
        .filter(|p| p.is_finite())
        .unwrap_or(0.0)
        .max(model_p);
    Ok(DoseResponse {
        optimum: optimum(
            (b1, b2),
            (v(1, 1), v(1, 2), v(2, 2)),
            multiplier,
            (first, last),
            target,
        ),
        slope: r.coefficients[0].clone(),
        curvature: r.coefficients[1].clone(),
        p_value,
        p_value_model_only: model_p,
        points,
        least_in: target * first.exp(),
        greatest_in: target * last.exp(),
        shape: 1.0 / r.shapes[0].sigma,
        clusters: r.clusters.map(|c| c.clusters),
        reading_error: allowed.map(|allowed| ReadingError {
            error_in: allowed.error_in,
            share_true: allowed.behind.share_true,
            curvature_as_read: allowed.curvature_as_read,
        }),
        held: held.iter().map(|c| c.name.clone()).collect(),
    })
}

/// Log-likelihood with the held columns only.
fn without_dose(
    lives: &Observations,
    held: &[Covariate],
    confidence: f64,
) -> Result<f64, RegressionError> {
    let mut request = RegressionRequest::weibull(held.to_vec());
    request.confidence = confidence;
    Ok(regress(lives, &request)?.log_likelihood)
}

/// Top of the parabola with Fieller's limits: all x at which a slope of 0, `b₁ + 2b₂x`, is not
/// rejected. None when the curve has no top, or has it outside the readings.
fn optimum(
    (b1, b2): (f64, f64),
    (v11, v12, v22): (f64, f64, f64),
    multiplier: f64,
    (first, last): (f64, f64),
    target: f64,
) -> Option<Optimum> {
    if b2 >= 0.0 {
        return None;
    }
    let best = -b1 / (2.0 * b2);
    if !(first..=last).contains(&best) {
        return None;
    }
    // (b₁ + 2b₂x)² ≤ m²(v₁₁ + 4x·v₁₂ + 4x²·v₂₂), a·x² + b·x + c ≤ 0 in x.
    let m2 = multiplier * multiplier;
    let a = 4.0 * (b2 * b2 - m2 * v22);
    let b = 4.0 * (b1 * b2 - m2 * v12);
    let c = b1 * b1 - m2 * v11;
    let discriminant = b * b - 4.0 * a * c;
    // With a ≤ 0 the curvature itself may be 0, and any x may be the best.
    let limits = (a > 0.0 && discriminant >= 0.0).then(|| {
        let root = discriminant.sqrt();
        ((-b - root) / (2.0 * a), (-b + root) / (2.0 * a))
    });
    let (low, high) = limits.unzip();
    let inch = |x: f64| target * x.clamp(first, last).exp();
    Some(Optimum {
        deflection_in: target * best.exp(),
        lower_in: low.map(inch),
        upper_in: high.map(inch),
        cut_at_readings: low.is_some_and(|x| x < first) || high.is_some_and(|x| x > last),
    })
}
