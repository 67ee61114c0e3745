//! From an analysis to the plain values its charts are drawn from.

use super::chart::{
    CalendarJob, CalendarRow, DemandCell, DemandRow, ProbabilityPlot, ReliabilityPlot, StockRow,
    calendar, demand, probability_plot, reliability, stock_levels,
};
use super::{Svg, format, tables};
use crate::analysis::Analysis;
use crate::lives::{Life, Observations, observations};
use crate::models::LifeModel;
use crate::models::curve::{Curve, reliability_curve};

/// Rows of the calendar chart.
const CALENDAR_ROWS: usize = 30;
/// Jobs of the demand chart.
const DEMAND_JOBS: usize = 24;
/// Parts side by side in one demand chart.
const DEMAND_PARTS: usize = 5;
/// Part kinds with charts of their own.
const PARTS: usize = 12;
/// Confidence of every band drawn.
const CONFIDENCE: f64 = 0.95;

/// A chart about one part kind, and what to say under it.
pub(super) struct PartChart {
    pub(super) part: String,
    pub(super) svg: Svg,
    pub(super) caption: String,
}

/// Every chart of the report.
#[derive(Default)]
pub(super) struct Charts {
    pub(super) calendar: Option<Svg>,
    pub(super) demand: Vec<Svg>,
    pub(super) stock: Option<Svg>,
    pub(super) parts: Vec<PartChart>,
}

impl Charts {
    pub(super) fn of(analysis: &Analysis) -> Self {
        Self {
            calendar: fitted_calendar(analysis),
            demand: demands(analysis),
            stock: stock(analysis),
            parts: parts(analysis),
        }
    }

    pub(super) fn of_part(&self, part: &str) -> impl Iterator<Item = &PartChart> {
        self.parts.iter().filter(move |chart| chart.part == part)
    }

    pub(super) fn all(&self) -> impl Iterator<Item = &Svg> {
        let parts = self.parts.iter().map(|chart| &chart.svg);
        self.calendar
            .iter()
            .chain(&self.demand)
            .chain(&self.stock)
            .chain(parts)
    }
}

fn fitted_calendar(analysis: &Analysis) -> Option<Svg> {
    let parts = tables::worst_first(&analysis.forecast.fitted);
    if parts.is_empty() {
        return None;
    }
    let as_of = analysis.forecast.as_of;
    let jobs: Vec<CalendarJob> = analysis
        .fleet
        .jobs
        .iter()
        .filter(|job| job.end >= as_of)
        .map(|job| CalendarJob {
            name: job.name.clone(),
            start: job.start.max(as_of),
            end: job.end,
            machines: job.machines.clone(),
        })
        .collect();
    let rows: Vec<CalendarRow> = parts
        .iter()
        .take(CALENDAR_ROWS)
        .map(|part| CalendarRow {
            label: format!("{} · {} {}", part.machine, part.part, part.position),
            machine: part.machine.clone(),
            p10: part.date_p10,
            p50: part.date_p50,
            p90: part.date_p90,
        })
        .collect();
    let title = if parts.len() > rows.len() {
        format!(
            "When the {} most pressing fitted parts wear out",
            rows.len()
        )
    } else {
        "When the fitted parts wear out".to_owned()
    };
    Some(calendar("fitted-parts", &title, as_of, &jobs, &rows))
}

fn demands(analysis: &Analysis) -> Vec<Svg> {
    let forecast = &analysis.forecast;
    let mut parts: Vec<String> = Vec::new();
    for demand in &forecast.demand {
        if !parts.contains(&demand.part) {
            parts.push(demand.part.clone());
        }
    }
    let jobs: Vec<&String> = analysis
        .fleet
        .jobs
        .iter()
        .filter(|job| job.end >= forecast.as_of)
        .map(|job| &job.name)
        .take(DEMAND_JOBS)
        .collect();
    if jobs.is_empty() {
        return Vec::new();
    }
    parts
        .chunks(DEMAND_PARTS)
        .take(4)
        .enumerate()
        .map(|(i, parts)| {
            let rows: Vec<DemandRow> = jobs
                .iter()
                .map(|job| DemandRow {
                    job: (*job).clone(),
                    cells: parts.iter().map(|part| cell(analysis, job, part)).collect(),
                })
                .collect();
            demand(
                &format!("demand-{}", i + 1),
                "Parts needed in each job",
                parts,
                &rows,
            )
        })
        .collect()
}

fn cell(analysis: &Analysis, job: &str, part: &str) -> Option<DemandCell> {
    let demands = &analysis.forecast.demand;
    let demand = demands
        .iter()
        .find(|d| d.part == part && d.job.as_deref() == Some(job))?;
    let kit = analysis
        .stock
        .kits
        .iter()
        .find(|k| k.part == part && k.job == job);
    Some(DemandCell {
        chances: demand
            .distribution
            .iter()
            .map(|q| (q.quantity, q.probability))
            .collect(),
        expected: demand.expected,
        carry: kit.map(|k| k.quantity),
    })
}

fn stock(analysis: &Analysis) -> Option<Svg> {
    let rows: Vec<StockRow> = analysis
        .stock
        .orders
        .iter()
        .take(40)
        .map(|order| StockRow {
            part: order.part.clone(),
            on_hand: order.on_hand,
            on_order: order.on_order,
            order_now: order.order_quantity,
            expected: order.expected_demand,
            needed: order.needed,
        })
        .collect();
    let level = analysis.stock.service_level;
    (!rows.is_empty()).then(|| {
        stock_levels(
            "stock",
            "Stock against what the schedule may ask",
            level,
            &rows,
        )
    })
}

fn parts(analysis: &Analysis) -> Vec<PartChart> {
    let mut charts = Vec::new();
    for (place, fit) in analysis.fits.iter().enumerate().take(PARTS) {
        let part = fit.part.clone().unwrap_or_default();
        let lives = observations(
            analysis
                .lives
                .lives
                .iter()
                .filter(|l: &&Life| l.part == part),
        );
        let model = analysis.models.iter().find(|m| m.part == part);
        let curve = reliability_curve(&lives, CONFIDENCE).ok();
        let plot = probability(&lives, curve.as_ref(), model);
        let title = format::shortened(&format::plain(&part), 60);
        charts.push(PartChart {
            svg: probability_plot(
                &format!("probability-{}", place + 1),
                &format!("Weibull probability plot: {title}"),
                &plot,
            ),
            caption: "Rings: worn lives. Ticks under the axis: lives that had not worn out. \
                      Points along a straight line speak for a Weibull life."
                .to_owned(),
            part: part.clone(),
        });
        let fitted = analysis.lives.fitted.iter().filter(|f| f.part == part);
        let plot = ReliabilityPlot {
            steps: curve
                .iter()
                .flat_map(Curve::points)
                .map(|p| (p.hours, p.reliability))
                .collect(),
            last_hours: curve.as_ref().map_or(0.0, |c| c.last_hours),
            model: plot
                .model
                .iter()
                .map(|m| (m.0, 1.0 - m.1, 1.0 - m.3, 1.0 - m.2))
                .collect(),
            fitted: fitted.filter_map(|f| f.age_hours).collect(),
        };
        charts.push(PartChart {
            svg: reliability(
                &format!("reliability-{}", place + 1),
                &format!("Share still good: {title}"),
                &plot,
            ),
            caption: "Steps: what the records say without any model. Smooth line: the forecast, \
                      with the band that holds the true share. Triangles: ages of the parts now \
                      fitted."
                .to_owned(),
            part,
        });
    }
    charts
}

/// Worn lives stand halfway down the step that each makes in the model-free curve.
fn probability(
    lives: &Observations,
    curve: Option<&Curve>,
    model: Option<&LifeModel>,
) -> ProbabilityPlot {
    let mut plot = ProbabilityPlot::default();
    let mut before = 1.0;
    for point in curve.into_iter().flat_map(Curve::points) {
        let share = 1.0 - f64::midpoint(before, point.reliability);
        if point.worn > 0.0 && share > 0.0 && share < 1.0 {
            if point.from_hours < point.hours {
                plot.between.push((point.from_hours, point.hours, share));
            } else {
                plot.worn.push((point.hours, share));
            }
        }
        before = point.reliability;
    }
    for (i, (&low, &high)) in lives.low.iter().zip(&lives.high).enumerate() {
        if high.is_infinite() {
            let count = lives.count.get(i).map_or(1.0, |c| c.round());
            plot.censored.push((low, count as u64));
        }
    }
    if let Some(model) = model {
        let ends = (model.hours_at(0.0005), model.hours_at(0.9995));
        if let (Some(low), Some(high)) = ends {
            let (low, high) = (low.ln(), high.ln());
            for i in 0..=80 {
                let hours = (low + (high - low) * f64::from(i) / 80.0).exp();
                let band = model.worn_by_with_band(hours, CONFIDENCE);
                plot.model.push((hours, band.share, band.lower, band.upper));
            }
        }
        "forecast used (average)".clone_into(&mut plot.line_label);
        plot.band_label = format!("{} band for the share", format::percent(CONFIDENCE));
    }
    plot
}
