//! From a comparison of tension practice to its charts.

use super::Svg;
use super::chart::{
    self, DosePlot, GroupCurve, GroupPoints, GroupStep, RatioBar, forest, group_probability, panels,
};
use super::practice::ratio_rows;
use crate::compare::Group;
use crate::compare::practice::{Band, BandSummary, PracticeComparison};
use crate::models::Family;

/// Charts of practice, in the order they are read.
#[derive(Default)]
pub(super) struct PracticeCharts {
    /// Life ratios on a log axis.
    pub(super) ratios: Option<Svg>,
    /// Share still good, a panel for each band.
    pub(super) curves: Option<Svg>,
    /// Bands on a Weibull probability plot.
    pub(super) probability: Option<Svg>,
    /// Life against deflection.
    pub(super) dose: Option<Svg>,
}

impl PracticeCharts {
    pub(super) fn of(found: &PracticeComparison) -> Self {
        Self {
            ratios: ratios(found),
            curves: curves(found),
            probability: probability(found),
            dose: dose(found),
        }
    }

    pub(super) fn all(&self) -> impl Iterator<Item = &Svg> {
        [&self.ratios, &self.curves, &self.probability, &self.dose]
            .into_iter()
            .flatten()
    }
}

fn ratios(found: &PracticeComparison) -> Option<Svg> {
    let rows: Vec<RatioBar> = ratio_rows(found)
        .into_iter()
        .enumerate()
        .map(|(i, row)| RatioBar {
            label: row.label,
            ratio: row.ratio.ratio,
            lower: row.ratio.lower,
            upper: row.ratio.upper,
            main: i == 0 && found.in_band.is_some(),
        })
        .collect();
    let title = format!("How many times as long {}s last", found.part);
    (!rows.is_empty()).then(|| forest("practice-ratios", &title, &rows))
}

/// Bands that lives were seen in, each with its group of the comparison.
fn seen(found: &PracticeComparison) -> Vec<(&BandSummary, &Group)> {
    let groups = found.by_band.iter().flat_map(|c| &c.groups);
    let of = |band: Band| groups.clone().find(|g| g.value == band.word());
    found
        .bands
        .iter()
        .filter_map(|b| Some((b, of(b.band)?)))
        .collect()
}

fn curves(found: &PracticeComparison) -> Option<Svg> {
    let groups: Vec<GroupCurve> = seen(found)
        .into_iter()
        .map(|(band, group)| GroupCurve {
            name: group.value.clone(),
            lives: u64::from(band.lives),
            worn: u64::from(band.worn),
            steps: (group.curve.points())
                .map(|p| GroupStep {
                    hours: p.hours,
                    good: p.reliability,
                    limits: p.lower.zip(p.upper),
                })
                .collect(),
            last_hours: group.curve.last_hours,
            at_risk: (band.at_risk.iter())
                .map(|r| (r.hours, u64::from(r.lives)))
                .collect(),
        })
        .collect();
    let title = format!("Share of {}s still good, by tension as read", found.part);
    (!groups.is_empty()).then(|| panels("practice-curves", &title, &groups))
}

fn probability(found: &PracticeComparison) -> Option<Svg> {
    let weibull = (found.by_band.as_ref()).is_some_and(|c| c.distribution == Family::Weibull);
    let groups: Vec<GroupPoints> = seen(found)
        .into_iter()
        .map(|(_, group)| {
            let mut before = 1.0;
            let mut worn = Vec::new();
            for p in group.curve.points() {
                // Halfway down the step that each makes in the model-free curve.
                let share = 1.0 - f64::midpoint(before, p.reliability);
                before = p.reliability;
                if p.worn > 0.0 && share > 0.0 && share < 1.0 {
                    worn.push((p.hours, share));
                }
            }
            let shape = group.shape.as_ref().and_then(|s| s.estimate);
            GroupPoints {
                name: group.value.clone(),
                line: shape.zip(group.scale).filter(|_| weibull),
                worn,
            }
        })
        .collect();
    let any = groups.iter().any(|g| !g.worn.is_empty());
    let title = "Do the bands wear in the same way? Weibull probability plot by band";
    any.then(|| group_probability("practice-probability", title, &groups))
}

/// Life against deflection, where the records bear a curve.
fn dose(found: &PracticeComparison) -> Option<Svg> {
    let curve = found.dose.as_ref()?;
    let unit = found.practice.unit.symbol();
    let factor = found.practice.unit.per_inch();
    let plot = DosePlot {
        points: (curve.points.iter())
            .map(|p| (p.deflection_in * factor, p.relative_life, p.lower, p.upper))
            .collect(),
        as_read: (found.dose_as_read.iter().flat_map(|d| &d.points))
            .map(|p| (p.deflection_in * factor, p.relative_life))
            .collect(),
        low: found.practice.band_low_in * factor,
        target: found.practice.target_in * factor,
        high: found.practice.band_high_in * factor,
        best: curve.optimum.map(|o| {
            let limits = o.lower_in.zip(o.upper_in);
            (
                o.deflection_in * factor,
                limits.map(|(a, z)| (a * factor, z * factor)),
            )
        }),
        unit,
    };
    Some(chart::dose("dose", "Life against belt deflection", &plot))
}
