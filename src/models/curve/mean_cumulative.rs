//! Repeated replacements of one machine: how many to expect by an age.

use serde::Serialize;

use super::CurveError;
use super::risk_set::two_sided_z;

/// What happened to one machine (or one position of it) while it was watched.
#[derive(Debug, Clone, PartialEq)]
pub struct EventHistory {
    /// Machine.
    pub machine: String,
    /// Watched from this age, hours (after it).
    pub entry: f64,
    /// Watched to this age, hours.
    pub end: f64,
    /// Ages at which parts were replaced, hours, in (entry, end].
    pub events: Vec<f64>,
}

/// Mean number of replacements a machine by one age.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct MeanPoint {
    /// Age, hours.
    pub hours: f64,
    /// Machines watched at that age.
    pub at_risk: u64,
    /// Replacements at that age.
    pub events: u64,
    /// Mean number of replacements a machine up to and at that age.
    pub mean: f64,
    /// Robust standard error: machines differ, their replacements need not be independent.
    pub standard_error: f64,
    /// Standard error if replacements came as a Poisson process.
    pub poisson_standard_error: f64,
    /// Lower limit, on the log scale.
    pub lower: f64,
    /// Upper limit, on the log scale.
    pub upper: f64,
}

/// Mean cumulative function with its robust variance.
///
/// `M(t) = Σ_{s ≤ t} d(s)/Y(s)`, d the events and Y the machines watched at s;
/// `Var M(t) = Σ_i [Σ_{s ≤ t} (Y_i(s)/Y(s))·(d_i(s) − d(s)/Y(s))]²` (Lawless & Nadeau 1995, "Some
/// simple robust methods for the analysis of recurrent events").
///
/// # Errors
/// No machine, an age out of order, or a confidence outside (0, 1).
pub fn mean_cumulative(
    histories: &[EventHistory],
    confidence: f64,
) -> Result<Vec<MeanPoint>, CurveError> {
    let z = two_sided_z(confidence)?;
    check(histories)?;
    let mut events: Vec<(f64, usize)> = histories
        .iter()
        .enumerate()
        .flat_map(|(i, h)| h.events.iter().map(move |&t| (t, i)))
        .collect();
    events.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)));
    let order_by = |age: fn(&EventHistory) -> f64| {
        let mut order: Vec<usize> = (0..histories.len()).collect();
        order.sort_by(|&a, &b| {
            age(&histories[a])
                .total_cmp(&age(&histories[b]))
                .then(a.cmp(&b))
        });
        order
    };
    let mut entering = order_by(|h| h.entry).into_iter().peekable();
    let mut leaving = order_by(|h| h.end).into_iter().peekable();

    // A machine's term is its own jumps less the drift C(t) since it entered; only the jumps are
    // kept, and the sum of squares follows from the sum over those watched.
    let mut jumps = vec![0.0; histories.len()];
    let mut drift_at_entry = vec![0.0; histories.len()];
    let (mut drift, mut watched, mut sum, mut squares) = (0.0, 0.0_f64, 0.0, 0.0_f64);
    let (mut mean, mut poisson) = (0.0, 0.0);
    let mut points = Vec::new();
    for tied in events.chunk_by(|a, b| a.0 == b.0) {
        let hours = tied[0].0;
        while let Some(i) = entering.next_if(|&i| histories[i].entry < hours) {
            drift_at_entry[i] = drift;
            watched += 1.0;
        }
        while let Some(i) = leaving.next_if(|&i| histories[i].end < hours) {
            sum -= jumps[i] - (drift - drift_at_entry[i]);
            watched -= 1.0;
        }
        let count = tied.len() as f64;
        let fall = count / (watched * watched);
        squares += fall * (watched * fall - 2.0 * sum);
        sum -= fall * watched;
        drift += fall;
        for own in tied.chunk_by(|a, b| a.1 == b.1) {
            let i = own[0].1;
            let jump = own.len() as f64 / watched;
            let term = jumps[i] - (drift - drift_at_entry[i]);
            squares += jump * (2.0 * term + jump);
            sum += jump;
            jumps[i] += jump;
        }
        mean += count / watched;
        poisson += fall;
        let standard_error = squares.max(0.0).sqrt();
        let factor = (z * standard_error / mean).exp();
        points.push(MeanPoint {
            hours,
            at_risk: watched as u64,
            events: tied.len() as u64,
            mean,
            standard_error,
            poisson_standard_error: f64::sqrt(poisson),
            lower: mean / factor,
            upper: mean * factor,
        });
    }
    Ok(points)
}

fn check(histories: &[EventHistory]) -> Result<(), CurveError> {
    if histories.is_empty() {
        return Err(CurveError::NoLives);
    }
    for (i, h) in histories.iter().enumerate() {
        let wrong = |column, value, allowed| {
            Err(CurveError::Value {
                row: i + 1,
                column,
                value,
                allowed,
            })
        };
        if !(h.entry >= 0.0 && h.entry.is_finite()) {
            return wrong("entry", h.entry, "finite, 0 or more");
        }
        if !(h.end > h.entry && h.end.is_finite()) {
            return wrong("end", h.end, "finite, above entry");
        }
        if let Some(&t) = h.events.iter().find(|&&t| !(t > h.entry && t <= h.end)) {
            return wrong("event", t, "above entry and not above end");
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use approx::assert_relative_eq;

    use super::*;

    /// Valve-seat replacements in 41 diesel engines, days (Nelson & Doganaksoy 1989).
    fn valve_seats() -> Vec<EventHistory> {
        let rows: [(f64, &[f64]); 41] = [
            (761., &[]),
            (759., &[]),
            (667., &[98.]),
            (667., &[326., 653., 653.]),
            (665., &[]),
            (667., &[84.]),
            (663., &[87.]),
            (653., &[646.]),
            (653., &[92.]),
            (651., &[]),
            (650., &[258., 328., 377., 621.]),
            (648., &[61., 539.]),
            (644., &[254., 276., 298., 640.]),
            (642., &[76., 538.]),
            (641., &[635.]),
            (649., &[349., 404., 561.]),
            (631., &[]),
            (596., &[]),
            (614., &[120., 479.]),
            (582., &[323., 449.]),
            (589., &[139., 139.]),
            (593., &[]),
            (589., &[573.]),
            (606., &[165., 408., 604.]),
            (594., &[249.]),
            (613., &[344., 497.]),
            (595., &[265., 586.]),
            (389., &[166., 206., 348.]),
            (601., &[]),
            (601., &[410., 581.]),
            (611., &[]),
            (608., &[]),
            (587., &[]),
            (603., &[367.]),
            (585., &[202., 563., 570.]),
            (587., &[]),
            (578., &[]),
            (578., &[]),
            (586., &[]),
            (585., &[]),
            (582., &[]),
        ];
        rows.iter()
            .enumerate()
            .map(|(i, (end, events))| EventHistory {
                machine: i.to_string(),
                entry: 0.0,
                end: *end,
                events: events.to_vec(),
            })
            .collect()
    }

    /// Means and robust errors recomputed with scipy 1.17.1 and R survival 3.5-3.
    #[test]
    fn valve_seats_have_the_published_means_and_errors() {
        let points = mean_cumulative(&valve_seats(), 0.95).unwrap();
        for (hours, at_risk, mean, robust, poisson) in [
            (61., 41, 0.0243902439024, 0.0240909657719, 0.0243902439024),
            (139., 41, 0.219512195122, 0.0732698119581, 0.0731707317073),
            (404., 40, 0.683536585366, 0.135938957261, 0.129177660359),
            (604., 22, 1.059718685, 0.185060988117, 0.164880430364),
            (653., 9, 1.54268751356, 0.311656074751, 0.262805596815),
        ] {
            let p = points.iter().find(|p| p.hours == hours).unwrap();
            assert_eq!(p.at_risk, at_risk);
            assert_relative_eq!(p.mean, mean, max_relative = 1e-9);
            assert_relative_eq!(p.standard_error, robust, max_relative = 1e-9);
            assert_relative_eq!(p.poisson_standard_error, poisson, max_relative = 1e-9);
        }
    }

    #[test]
    fn the_running_variance_is_the_sum_over_machines() {
        let mut histories = valve_seats();
        for (i, h) in histories.iter_mut().enumerate() {
            h.entry = 13.0 * (i % 7) as f64;
            h.events.retain(|&t| t > h.entry);
        }
        let points = mean_cumulative(&histories, 0.95).unwrap();
        for (k, p) in points.iter().enumerate() {
            let mut variance = 0.0;
            for h in &histories {
                let mut term = 0.0;
                for q in &points[..=k] {
                    if h.entry < q.hours && h.end >= q.hours {
                        let own = h.events.iter().filter(|&&t| t == q.hours).count() as f64;
                        let (d, y) = (q.events as f64, q.at_risk as f64);
                        term += (own - d / y) / y;
                    }
                }
                variance += term * term;
            }
            assert_relative_eq!(p.standard_error, f64::sqrt(variance), max_relative = 1e-9);
        }
    }
}
