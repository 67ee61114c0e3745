//! A model-free reliability curve as data.

use std::f64::consts::LN_2;

use serde::Serialize;
use serde::ser::{SerializeStruct, Serializer};

use crate::models::Caution;

/// How a curve was estimated.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum CurveMethod {
    /// Product-limit estimate from exact and right-censored lives.
    KaplanMeier,
    /// Nonparametric maximum likelihood from lives known within bounds.
    Turnbull,
}

/// One step down of the curve, as compact as a million of them need.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct CurveStep {
    /// Age at which the curve is this low, hours.
    pub hours: f64,
    /// Where the fall to this level began: equal to `hours` when it happened at that age; lower
    /// when it is known only that it happened somewhere in between (Turnbull).
    pub from_hours: f64,
    /// Lives under observation just before; expected ones for Turnbull.
    pub at_risk: f64,
    /// Lives worn out at this step; expected ones for Turnbull.
    pub worn: f64,
    /// Reliability from `hours` on.
    pub reliability: f64,
    /// Variance of ln(reliability): Greenwood's sum Σ d/(n(n−d)). NaN never: infinite where the
    /// curve is at 0, negative where it was not computed.
    log_variance: f64,
}

impl CurveStep {
    pub(crate) fn new(
        hours: (f64, f64),
        at_risk: f64,
        worn: f64,
        reliability: f64,
        log_variance: Option<f64>,
    ) -> Self {
        Self {
            from_hours: hours.0,
            hours: hours.1,
            at_risk,
            worn,
            reliability,
            log_variance: log_variance.unwrap_or(-1.0),
        }
    }

    /// Variance of ln(reliability), where it exists.
    pub fn log_variance(&self) -> Option<f64> {
        (self.log_variance >= 0.0 && self.log_variance.is_finite()).then_some(self.log_variance)
    }

    /// Standard error of the reliability: S·√(Σ d/(n(n−d))), Greenwood 1926.
    pub fn standard_error(&self) -> Option<f64> {
        self.log_variance().map(|v| self.reliability * v.sqrt())
    }

    /// Limits on the complementary log-log scale: `S^exp(±z·√v/|ln S|)`. None at S = 0 and 1.
    pub fn limits(&self, z: f64) -> Option<(f64, f64)> {
        let v = self.log_variance()?;
        if !(self.reliability > 0.0 && self.reliability < 1.0) {
            return None;
        }
        let h = -self.reliability.ln();
        let factor = (z * v.sqrt() / h).exp();
        Some(((-h * factor).exp(), (-h / factor).exp()))
    }
}

/// One point as it is shown; what does not exist is null.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct CurvePoint {
    /// Age, hours.
    pub hours: f64,
    /// Age from which the fall to this level may have happened; equal to `hours` when exact.
    pub from_hours: f64,
    /// Lives under observation just before.
    #[serde(serialize_with = "whole")]
    pub at_risk: f64,
    /// Lives worn out here.
    #[serde(serialize_with = "whole")]
    pub worn: f64,
    /// Share still good.
    pub reliability: f64,
    /// Its standard error.
    pub standard_error: Option<f64>,
    /// Lower limit.
    pub lower: Option<f64>,
    /// Upper limit.
    pub upper: Option<f64>,
}

/// Median life with limits; null where the curve, or its limit, does not come down to a half.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize)]
pub struct MedianLife {
    /// Hours.
    pub hours: Option<f64>,
    /// Lower limit.
    pub lower: Option<f64>,
    /// Upper limit.
    pub upper: Option<f64>,
}

/// How a Turnbull estimate converged.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Convergence {
    /// Log-likelihood reached.
    pub log_likelihood: f64,
    /// Upper bound on what is missing to the maximum (from the optimality conditions).
    pub gap: f64,
    /// Iterations taken.
    pub iterations: usize,
}

/// A model-free reliability curve: 1 up to the first step, then as the steps say.
#[derive(Debug, Clone, PartialEq)]
pub struct Curve {
    /// How it was estimated.
    pub method: CurveMethod,
    /// Confidence of the limits.
    pub confidence: f64,
    /// Normal quantile of that confidence.
    pub(crate) z: f64,
    /// Lives behind it.
    pub lives: f64,
    /// Worn lives among them, whether known exactly or within bounds.
    pub worn: f64,
    /// Greatest age seen, hours; the curve says nothing beyond it.
    pub last_hours: f64,
    /// Steps, by age.
    pub steps: Vec<CurveStep>,
    /// Median life.
    pub median: MedianLife,
    /// How the estimate converged, where it took iterations.
    pub convergence: Option<Convergence>,
    /// Cautions.
    pub cautions: Vec<Caution>,
}

impl Curve {
    /// A step with its limits.
    fn point(&self, step: &CurveStep) -> CurvePoint {
        let limits = step.limits(self.z);
        CurvePoint {
            hours: step.hours,
            from_hours: step.from_hours,
            at_risk: step.at_risk,
            worn: step.worn,
            reliability: step.reliability,
            standard_error: step.standard_error(),
            lower: limits.map(|l| l.0),
            upper: limits.map(|l| l.1),
        }
    }

    /// The curve's points with errors and limits, by age.
    pub fn points(&self) -> impl ExactSizeIterator<Item = CurvePoint> + '_ {
        self.steps.iter().map(|step| self.point(step))
    }

    /// The last step at or before an age; none before the first.
    pub fn step_at(&self, hours: f64) -> Option<&CurveStep> {
        let after = self.steps.partition_point(|s| s.hours <= hours);
        self.steps[..after].last()
    }

    /// Reliability at an age: none beyond the greatest age seen, unless the curve has come to 0.
    pub fn reliability_at(&self, hours: f64) -> Option<f64> {
        let reliability = self.step_at(hours).map_or(1.0, |s| s.reliability);
        (hours <= self.last_hours || reliability == 0.0).then_some(reliability)
    }

    /// Point with limits at an age; the point's own `hours` are those of the step before.
    pub fn point_at(&self, hours: f64) -> Option<CurvePoint> {
        self.step_at(hours).map(|s| self.point(s))
    }
}

impl Serialize for Curve {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        struct Points<'a>(&'a Curve);
        impl Serialize for Points<'_> {
            fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
                serializer.collect_seq(self.0.points())
            }
        }
        struct Whole(f64);
        impl Serialize for Whole {
            fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
                whole(&self.0, serializer)
            }
        }
        let mut map = serializer.serialize_struct("Curve", 9)?;
        map.serialize_field("method", &self.method)?;
        map.serialize_field("confidence", &self.confidence)?;
        map.serialize_field("lives", &Whole(self.lives))?;
        map.serialize_field("worn", &Whole(self.worn))?;
        map.serialize_field("last_hours", &self.last_hours)?;
        map.serialize_field("median", &self.median)?;
        map.serialize_field("points", &Points(self))?;
        map.serialize_field("convergence", &self.convergence)?;
        map.serialize_field("cautions", &self.cautions)?;
        map.end()
    }
}

/// Counts are whole in files; only expected ones and bootstrap weights are not.
#[expect(clippy::trivially_copy_pass_by_ref, reason = "serde's signature")]
pub(crate) fn whole<S: Serializer>(value: &f64, serializer: S) -> Result<S::Ok, S::Error> {
    if value.fract() == 0.0 && (0.0..9e15).contains(value) {
        serializer.serialize_u64(*value as u64)
    } else {
        serializer.serialize_f64(*value)
    }
}

/// Steps that a search for a median looks at together.
const STRETCH: usize = 64;

/// Whether both limits are certainly above a half over a stretch of steps along which the curve falls
/// and its variance v grows: with h = −ln S, that of the lower limit is `h·exp(z·√v/h)`, which is at
/// most what the last h before it, the first h below and the last v give.
fn limits_above_a_half(stretch: &[CurveStep], z: f64) -> bool {
    let (Some(first), Some(last)) = (stretch.first(), stretch.last()) else {
        return true;
    };
    let (least, most) = (-first.reliability.ln(), -last.reliability.ln());
    let grows = last.log_variance >= 0.0 && least > 0.0;
    grows && most * (z * last.log_variance.sqrt() / least).exp() < 0.999_999 * LN_2
}

/// Median of a product-limit curve with the ages at which its limits are down to a half, long stretches
/// above it passed over.
pub(crate) fn median_with_limits(steps: &[CurveStep], last_hours: f64, z: f64) -> MedianLife {
    let above = |stretch: &[CurveStep]| stretch.last().is_none_or(|s| s.reliability > 0.500_001);
    let lower = |step: &CurveStep| step.limits(z).map(|l| l.0);
    let upper = |step: &CurveStep| step.limits(z).map(|l| l.1);
    MedianLife {
        hours: median_after(steps, last_hours, above, |s| Some(s.reliability)),
        lower: median_after(steps, last_hours, |s| limits_above_a_half(s, z), lower),
        // The upper limit lies above the curve.
        upper: median_after(steps, last_hours, above, upper),
    }
}

/// First age at which a curve is at or below a half.
///
/// Where the curve rests exactly at a half, every age of the flat is a median; the middle of it is
/// given, as textbooks do. `level` is any of the curve, its lower or its upper limit.
pub(crate) fn median_of(
    steps: &[CurveStep],
    last_hours: f64,
    level: impl Fn(&CurveStep) -> Option<f64>,
) -> Option<f64> {
    median_after(steps, last_hours, |_| false, level)
}

/// [`median_of`], passing over stretches that are `above` a half throughout.
fn median_after(
    steps: &[CurveStep],
    last_hours: f64,
    above: impl Fn(&[CurveStep]) -> bool,
    level: impl Fn(&CurveStep) -> Option<f64>,
) -> Option<f64> {
    // Products of many factors miss a half by rounding.
    const TOLERANCE: f64 = 1e-9;
    let mut found: Option<f64> = None;
    for stretch in steps.chunks(STRETCH) {
        if found.is_none() && above(stretch) {
            continue;
        }
        for step in stretch {
            let Some(value) = level(step) else { continue };
            match found {
                None if value < 0.5 - TOLERANCE => return Some(step.hours),
                None if value <= 0.5 + TOLERANCE => found = Some(step.hours),
                Some(start) if value < 0.5 - TOLERANCE => {
                    return Some(f64::midpoint(start, step.hours));
                }
                _ => {}
            }
        }
    }
    found.map(|start| f64::midpoint(start, last_hours.max(start)))
}
