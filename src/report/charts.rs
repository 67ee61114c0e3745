//! From an analysis to the plain values its charts are drawn from.

use super::chart::{
    Across, CalendarJob, CalendarRow, CostCurve, DemandCell, DemandRow, LifeRange, Look, MeterLine,
    ProbabilityPlot, ReliabilityPlot, StockRow, TensionPlot, calendar, demand, probability_plot,
    reliability, stock_levels,
};
use super::practice_charts::PracticeCharts;
use super::{Svg, chart, format, tables};
use crate::analysis::{Analysis, CONFIDENCE, Detail, LifeSpread, PartDetail};
use crate::meters::{MeterReading, Standing};
use crate::models::curve::Curve;
use crate::records::Part;

/// Rows of the calendar chart.
const CALENDAR_ROWS: usize = 30;
/// Jobs of the demand chart.
const DEMAND_JOBS: usize = 24;
/// Parts side by side in one demand chart.
const DEMAND_PARTS: usize = 5;

/// A chart about one part kind, what to say under it, and the table it was drawn from.
pub(super) struct PartChart {
    pub(super) part: String,
    pub(super) svg: Svg,
    pub(super) caption: String,
    pub(super) table: &'static str,
}

/// Every chart of the report.
#[derive(Default)]
pub(super) struct Charts {
    pub(super) meters: Option<Svg>,
    pub(super) tension: Option<Svg>,
    pub(super) practice: PracticeCharts,
    pub(super) kit: Option<(Svg, String)>,
    pub(super) calendar: Option<Svg>,
    pub(super) demand: Vec<Svg>,
    pub(super) stock: Option<Svg>,
    pub(super) courses: Vec<Svg>,
    /// How long each part lasts, side by side.
    pub(super) lives: Option<Svg>,
    pub(super) parts: Vec<PartChart>,
}

impl Charts {
    pub(super) fn of(analysis: &Analysis, detail: &Detail) -> Self {
        Self {
            calendar: fitted_calendar(analysis),
            demand: demands(analysis),
            stock: stock(analysis),
            courses: courses(analysis),
            lives: lives(analysis, detail),
            parts: parts(analysis, detail),
            meters: meter_history(analysis, detail),
            tension: tension_checks(analysis),
            practice: (analysis.practice.as_ref().ok())
                .map(PracticeCharts::of)
                .unwrap_or_default(),
            kit: kit(analysis, detail),
        }
    }

    pub(super) fn of_part(&self, part: &str) -> impl Iterator<Item = &PartChart> {
        self.parts.iter().filter(move |chart| chart.part == part)
    }

    pub(super) fn all(&self) -> impl Iterator<Item = &Svg> {
        let parts = self.parts.iter().map(|chart| &chart.svg);
        let kit = self.kit.iter().map(|kit| &kit.0);
        self.calendar
            .iter()
            .chain(&self.demand)
            .chain(kit)
            .chain(&self.stock)
            .chain(&self.courses)
            .chain(&self.meters)
            .chain(&self.tension)
            .chain(self.practice.all())
            .chain(&self.lives)
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

fn meter_history(analysis: &Analysis, detail: &Detail) -> Option<Svg> {
    let lines: Vec<MeterLine> = detail
        .meters
        .iter()
        .map(|meter| {
            let (used, doubtful): (Vec<_>, Vec<_>) = meter
                .readings
                .iter()
                .partition(|r| r.standing == Standing::Used);
            let plain =
                |readings: Vec<&MeterReading>| readings.iter().map(|r| (r.date, r.hours)).collect();
            MeterLine {
                machine: meter.machine.clone(),
                readings: plain(used),
                doubtful: plain(doubtful),
            }
        })
        .filter(|line| !line.readings.is_empty() || !line.doubtful.is_empty())
        .collect();
    let title = if analysis.fleet.machines.len() > detail.meters.len() {
        format!("Hour meters of the first {} machines", detail.meters.len())
    } else {
        "Hour meters".to_owned()
    };
    (!lines.is_empty()).then(|| chart::meters("meters", &title, &lines))
}

fn tension_checks(analysis: &Analysis) -> Option<Svg> {
    let practice = analysis.fleet.practice?;
    let (unit, factor) = (practice.unit.symbol(), practice.unit.per_inch());
    let checks = &analysis.fleet.tension;
    let plot = TensionPlot {
        checks: checks
            .iter()
            .map(|c| (c.date, c.deflection_in * factor, c.machine.clone()))
            .collect(),
        low: practice.band_low_in * factor,
        target: practice.target_in * factor,
        high: practice.band_high_in * factor,
        unit,
    };
    (!checks.is_empty()).then(|| chart::tension("tension", "Belt tension checks", &plot))
}

/// What more certainty costs in the kit of the next job.
fn kit(analysis: &Analysis, detail: &Detail) -> Option<(Svg, String)> {
    let found = detail.kit.as_ref()?;
    let advised = found.advised;
    let name = format!(
        "advised: {}, {}",
        format::percent(advised.enough),
        format::money(advised.cost, &analysis.fleet.currency)
    );
    let curve = CostCurve {
        points: found.choices.iter().map(|c| (c.enough, c.cost)).collect(),
        band: Vec::new(),
        marks: vec![(advised.enough, advised.cost, name)],
        across: "chance that nothing is lacking in the job".to_owned(),
        up: format::with_unit("cost of the kit", &analysis.fleet.currency),
        level: None,
        kind: Across::Chances,
    };
    let title = format!(
        "What certainty costs in the kit for {}",
        format::shortened(&format::plain(&found.job), 60)
    );
    let mut caption =
        "Each dot is the cheapest kit for its chance; the diamond is the kit advised.".to_owned();
    if !found.unpriced.is_empty() {
        caption.push_str(" Parts without a price are left out: ");
        caption.push_str(&format::shortened(
            &format::plain(&found.unpriced.join(", ")),
            200,
        ));
        caption.push('.');
    }
    Some((chart::cost_curve("kit", &title, &curve), caption))
}

/// The range of hours in which most lives of each part end.
fn lives(analysis: &Analysis, detail: &Detail) -> Option<Svg> {
    let counted = |part: &str| {
        let fit = analysis
            .fits
            .iter()
            .find(|f| f.part.as_deref() == Some(part));
        fit.map_or_else(String::new, |fit| {
            let lives = &fit.lives;
            format!(
                " ({} worn of {})",
                format::count(lives.worn + lives.interval_censored + lives.left_censored),
                format::count(lives.total)
            )
        })
    };
    let rows: Vec<LifeRange> = (detail.parts.iter())
        .filter_map(|part| {
            let spread = part.spread?;
            let name = format::shortened(&format::plain(&part.part), 24);
            Some(LifeRange {
                label: format!("{name}{}", counted(&part.part)),
                low: spread.low,
                middle: spread.middle,
                high: spread.high,
                look: Look::Solid,
            })
        })
        .collect();
    let title = "How long each part lasts here";
    (!rows.is_empty()).then(|| chart::ranges("lives", title, &rows, &[]))
}

/// What was believed, what the records alone say, and what the forecast uses.
fn belief(analysis: &Analysis, place: usize, part: &Part, detail: &PartDetail) -> Option<Svg> {
    let model = analysis.models.iter().find(|m| m.part == part.name)?;
    let found = detail.belief?;
    let range = |label: String, spread: LifeSpread, look| LifeRange {
        label,
        low: spread.low,
        middle: spread.middle,
        high: spread.high,
        look,
    };
    let mut rows = Vec::new();
    if let Some(stated) = part.believed_life {
        let worth = format::meter(stated.worth);
        rows.push(LifeRange {
            label: format!("stated belief, worth {worth} worn"),
            low: stated.low_hours,
            middle: None,
            high: stated.high_hours,
            look: Look::Dashed,
        });
    }
    if let Some(alone) = found.records_alone {
        rows.push(range("records alone".to_owned(), alone, Look::Hatched));
    }
    let used = format!("forecast: {}", tables::basis_short(model.basis));
    rows.push(range(used, found.used, Look::Solid));
    if rows.len() < 2 {
        return None;
    }
    let lives = detail.lives.low.iter().zip(&detail.lives.high);
    let worn: Vec<f64> = lives.filter(|(l, h)| l == h).map(|(l, _)| *l).collect();
    let title = format!(
        "Belief and records: {}",
        format::shortened(&format::plain(&part.name), 60)
    );
    let key = format!("belief-{}", place + 1);
    Some(chart::ranges(&key, &title, &rows, &worn))
}

/// Expected cost per hour against the age at which to change.
fn interval(
    analysis: &Analysis,
    place: usize,
    part: &str,
    detail: &PartDetail,
) -> Option<(Svg, String)> {
    let found = detail.cost.as_ref()?;
    let planned = analysis
        .stock
        .planned_intervals
        .iter()
        .find(|p| p.part == part)?;
    let marks = planned
        .hours
        .zip(planned.cost_per_hour)
        .map(|(hours, cost)| {
            let name = format!(
                "change at {} h: {}",
                format::hours(hours),
                format::significant(cost, 2)
            );
            (hours, cost, name)
        });
    let caption = match (planned.hours, planned.cost_per_hour, found.run_on) {
        (Some(_), Some(cost), Some(run_on)) if run_on > 0.0 => format!(
            "Planned change saves about {} of what running until worn costs.",
            format::percent((1.0 - cost / run_on).max(0.0))
        ),
        _ => "Planned change does not pay here.".to_owned(),
    };
    let caption = format!("{caption} Band: 90% of what the records leave possible.");
    let points = found.points.iter();
    let curve = CostCurve {
        points: points.clone().map(|p| (p.hours, p.expected)).collect(),
        band: points.map(|p| (p.hours, p.low, p.high)).collect(),
        level: found.run_on.map(|cost| (cost, "run until worn".to_owned())),
        marks: marks.into_iter().collect(),
        across: "age at which to change, operating hours (log scale)".to_owned(),
        up: format::with_unit("expected cost per operating hour", &analysis.fleet.currency),
        kind: Across::LogHours,
    };
    let title = format!(
        "When to change: {}",
        format::shortened(&format::plain(part), 60)
    );
    let key = format!("interval-{}", place + 1);
    Some((chart::cost_curve(&key, &title, &curve), caption))
}

/// Parts with a chart of their stock against time.
const COURSES: usize = 8;

fn courses(analysis: &Analysis) -> Vec<Svg> {
    let courses = analysis.stock.courses.iter().enumerate().take(COURSES);
    courses
        .map(|(place, course)| {
            let title = format!(
                "Stock of {} through the schedule",
                format::shortened(&format::plain(&course.part), 60)
            );
            chart::course(&format!("stock-{}", place + 1), &title, course)
        })
        .collect()
}

fn parts(analysis: &Analysis, detail: &Detail) -> Vec<PartChart> {
    let mut charts = Vec::new();
    for (place, detail) in detail.parts.iter().enumerate() {
        let part = detail.part.clone();
        let plot = probability(detail);
        let title = format::shortened(&format::plain(&part), 60);
        charts.push(PartChart {
            svg: probability_plot(
                &format!("probability-{}", place + 1),
                &format!("Weibull probability plot: {title}"),
                &plot,
            ),
            caption: "Rings: worn lives. Ticks under the axis: lives that had not worn out. \
                      Bars: worn somewhere between two looks. Points along a straight line speak \
                      for a Weibull life."
                .to_owned(),
            part: part.clone(),
            table: "life_curves",
        });
        let fitted = analysis.lives.fitted.iter().filter(|f| f.part == part);
        let curve = detail.curve.as_ref();
        let plot = ReliabilityPlot {
            steps: curve
                .iter()
                .flat_map(|c| c.points())
                .map(|p| (p.hours, p.reliability))
                .collect(),
            last_hours: curve.map_or(0.0, |c| c.last_hours),
            model: (detail.shares.iter())
                .map(|s| (s.hours, 1.0 - s.share, 1.0 - s.upper, 1.0 - s.lower))
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
            part: part.clone(),
            table: "life_forecast",
        });
        let Some(kind) = analysis.fleet.parts.iter().find(|p| p.name == part) else {
            continue;
        };
        if let Some(svg) = belief(analysis, place, kind, detail) {
            charts.push(PartChart {
                svg,
                caption: "Each bar holds 90% of lives; the diamond is the age by which half are \
                          worn out. Ticks: worn lives on record."
                    .to_owned(),
                part: part.clone(),
                table: "life_spread",
            });
        }
        if let Some((svg, caption)) = interval(analysis, place, &part, detail) {
            charts.push(PartChart {
                part,
                svg,
                caption,
                table: "cost_by_age",
            });
        }
    }
    charts
}

/// Worn lives stand halfway down the step that each makes in the model-free curve.
fn probability(detail: &PartDetail) -> ProbabilityPlot {
    let mut plot = ProbabilityPlot::default();
    let (mut before, mut worn) = (1.0, 0.0);
    for point in detail.curve.iter().flat_map(Curve::points) {
        let share = 1.0 - f64::midpoint(before, point.reliability);
        if point.worn > 0.0 && share > 0.0 && share < 1.0 {
            if point.from_hours < point.hours {
                plot.between.push((point.from_hours, point.hours, share));
            } else {
                plot.worn.push((point.hours, share));
                worn += point.worn;
            }
        }
        before = point.reliability;
    }
    plot.worn_lives = worn.round() as u64;
    let lives = &detail.lives;
    for (i, (&low, &high)) in lives.low.iter().zip(&lives.high).enumerate() {
        if high.is_infinite() {
            let count = lives.count.get(i).map_or(1.0, |c| c.round());
            plot.censored.push((low, count as u64));
        }
    }
    let shares = detail.shares.iter();
    plot.model = shares
        .map(|s| (s.hours, s.share, s.lower, s.upper))
        .collect();
    if !plot.model.is_empty() {
        "forecast used (average)".clone_into(&mut plot.line_label);
        plot.band_label = format!("{} band for the share", format::percent(CONFIDENCE));
    }
    plot
}
