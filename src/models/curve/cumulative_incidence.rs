//! Parts that can end for several causes: the share ended by each, by an age.

use serde::Serialize;

use super::CurveError;
use super::risk_set::{risk_steps, two_sided_z};
use crate::lives::Observations;

/// Share ended for one cause by one age.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct IncidencePoint {
    /// Age, hours.
    pub hours: f64,
    /// Lives under observation just before.
    pub at_risk: f64,
    /// Lives that ended for this cause at this age.
    pub ended: f64,
    /// Share ended for this cause by this age.
    pub incidence: f64,
    /// Its standard error.
    pub standard_error: Option<f64>,
    /// Lower limit, complementary log-log scale.
    pub lower: Option<f64>,
    /// Upper limit.
    pub upper: Option<f64>,
}

/// Cumulative incidence of one cause.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CauseCurve {
    /// Cause, as numbered by the caller.
    pub cause: usize,
    /// Steps of this cause, by age.
    pub points: Vec<IncidencePoint>,
}

impl CauseCurve {
    /// Share ended for this cause by an age; 0 before its first step.
    pub fn at(&self, hours: f64) -> f64 {
        let after = self.points.partition_point(|p| p.hours <= hours);
        self.points[..after].last().map_or(0.0, |p| p.incidence)
    }
}

/// Sums from which the variance at any later age follows.
#[derive(Default, Clone, Copy)]
struct VarianceSums {
    a0: f64,
    a1: f64,
    a2: f64,
    own: f64,
    b0: f64,
    b1: f64,
}

/// Cumulative incidence by cause, the other causes competing (Aalen & Johansen 1978, from memory).
///
/// `F_k(t) = Σ_{s ≤ t} S(s−)·d_k(s)/n(s)`; variance by the delta method, with n lives at risk, d ended, `d_k` for cause k:
/// `Σ (F_k(t) − F_k(s))²·d/(n(n−d)) + Σ S(s−)²·d_k(n−d_k)/n³ − 2·Σ (F_k(t) − F_k(s))·S(s−)·d_k/n²`
/// (Marubini & Valsecchi 1995, from memory). `cause` numbers the cause of each ended life from 0;
/// it is ignored for right-censored ones.
///
/// # Errors
/// See [`CurveError`]; lives must be exact or right-censored, and `cause` as long as they are.
pub fn cumulative_incidence(
    lives: &Observations,
    cause: &[usize],
    confidence: f64,
) -> Result<Vec<CauseCurve>, CurveError> {
    let z = two_sided_z(confidence)?;
    if cause.len() != lives.low.len() {
        return Err(CurveError::Length {
            column: "cause",
            found: cause.len(),
            expected: lives.low.len(),
        });
    }
    let steps = risk_steps(lives)?;
    let ended = |i: usize| lives.high[i].is_finite();
    let causes = (0..cause.len())
        .filter(|&i| ended(i))
        .map(|i| cause[i] + 1)
        .max()
        .unwrap_or(0);
    let mut ended_for = vec![vec![0.0; steps.len()]; causes];
    for i in (0..cause.len()).filter(|&i| ended(i)) {
        let at = steps.partition_point(|s| s.hours < lives.low[i]);
        ended_for[cause[i]][at] += lives.count.get(i).copied().unwrap_or(1.0);
    }
    Ok(ended_for
        .iter()
        .enumerate()
        .map(|(cause, ended_for)| {
            let mut points = Vec::new();
            let (mut good, mut incidence) = (1.0, 0.0);
            let mut v = VarianceSums::default();
            for (step, &own) in steps.iter().zip(ended_for) {
                let (n, d) = (step.at_risk, step.worn);
                incidence += good * own / n;
                if n > d {
                    let w = d / (n * (n - d));
                    v.a0 += w;
                    v.a1 += w * incidence;
                    v.a2 += w * incidence * incidence;
                }
                v.own += good * good * own * (n - own) / (n * n * n);
                let b = good * own / (n * n);
                v.b0 += b;
                v.b1 += b * incidence;
                good *= (n - d).max(0.0) / n;
                if own > 0.0 {
                    let variance =
                        incidence * incidence * v.a0 - 2.0 * incidence * v.a1 + v.a2 + v.own
                            - 2.0 * (incidence * v.b0 - v.b1);
                    points.push(point(step.hours, (n, own), incidence, variance.max(0.0), z));
                }
            }
            CauseCurve { cause, points }
        })
        .collect())
}

fn point(
    hours: f64,
    (at_risk, ended): (f64, f64),
    incidence: f64,
    variance: f64,
    z: f64,
) -> IncidencePoint {
    let standard_error = variance.sqrt();
    let inside = incidence > 0.0 && incidence < 1.0;
    let limits = inside.then(|| {
        let h = -f64::ln_1p(-incidence);
        let factor = (z * standard_error / ((1.0 - incidence) * h)).exp();
        (-(-h / factor).exp_m1(), -(-h * factor).exp_m1())
    });
    IncidencePoint {
        hours,
        at_risk,
        ended,
        incidence,
        standard_error: Some(standard_error),
        lower: limits.map(|l| l.0),
        upper: limits.map(|l| l.1),
    }
}

#[cfg(test)]
mod tests {
    use approx::assert_relative_eq;

    use super::super::kaplan_meier;
    use super::*;

    /// 30 units in the field, two causes (Meeker & Escobar 1998, from memory); incidence and errors
    /// recomputed with R survival 3.5-3.
    #[test]
    fn device_g_by_cause() {
        let surge = [
            13., 23., 30., 65., 10., 173., 106., 2., 261., 88., 247., 28., 143., 23., 80.,
        ];
        let wear = [275., 147., 181., 212., 293., 245., 266.];
        let mut lives = Observations::default();
        let mut cause = Vec::new();
        for (k, times) in [&surge[..], &wear[..]].into_iter().enumerate() {
            lives.low.extend(times);
            lives.high.extend(times);
            cause.extend(times.iter().map(|_| k));
        }
        lives.low.extend([300.0; 8]);
        lives.high.extend([f64::INFINITY; 8]);
        cause.extend([0; 8]);
        let curves = cumulative_incidence(&lives, &cause, 0.95).unwrap();
        let error = |k: usize, hours: f64| {
            let points: &[IncidencePoint] = &curves[k].points;
            points
                .iter()
                .rev()
                .find(|p| p.hours <= hours)
                .unwrap()
                .standard_error
                .unwrap()
        };
        for (hours, s, w) in [
            (100., 0.333333333333, 0.0),
            (200., 0.433333333333, 0.0666666666667),
            (299., 0.5, 0.2333333333333),
        ] {
            assert_relative_eq!(curves[0].at(hours), s, max_relative = 1e-11);
            assert_relative_eq!(curves[1].at(hours), w, max_relative = 1e-11);
        }
        // Nothing is censored before 300, so both errors are those of a binomial share, which is
        // also what R's jackknife gives.
        assert_relative_eq!(error(0, 299.0), 0.0912870929175, max_relative = 1e-9);
        assert_relative_eq!(error(1, 299.0), 0.0772202237951, max_relative = 1e-9);
        let all = kaplan_meier(&lives, 0.95)
            .unwrap()
            .reliability_at(299.0)
            .unwrap();
        assert_relative_eq!(
            all + curves[0].at(299.0) + curves[1].at(299.0),
            1.0,
            epsilon = 1e-12
        );
    }
}
