//! Tension practice as tables.

use super::{Cell, Table, format};
use crate::compare::practice::{Band, BandRatio, PracticeComparison};
use crate::compare::{Comparison, MachineSpread};
use crate::records::LengthUnit;

/// Life ratio that expected limits are shown of.
const EXAMPLE: f64 = 1.3;
/// Months beyond which a plan is not spelt out.
const LONGEST_MONTHS: f64 = 600.0;

/// Every table of a comparison of practice that has something to say: bands, ratios, dose, plans.
pub fn practice_tables(p: &PracticeComparison) -> Vec<Table> {
    let tables = [
        Some(bands(p)),
        ratios(p),
        dose(p),
        plans(p),
        expectations(p),
    ];
    tables.into_iter().flatten().collect()
}

fn length(p: &PracticeComparison, inches: f64) -> String {
    match p.practice.unit {
        LengthUnit::In => format!("{inches:.3} in"),
        LengthUnit::Mm => format!("{:.1} mm", inches * p.practice.unit.per_inch()),
    }
}

fn three(value: Option<f64>) -> Cell {
    Cell::maybe(value, |v| Cell::text(format::significant(v, 3)))
}

fn bands(p: &PracticeComparison) -> Table {
    let mut table = Table::new("bands", "Lives by tension as read at the time")
        .words("band", "Band")
        .words("deflection", "Deflection")
        .words("tension", "Tension, times target")
        .figures("lives", "Lives")
        .figures("worn", "Worn")
        .figures("machines", "Machines")
        .figures("hours", "Hours")
        .figures("mean_life", "Mean life, h");
    for b in &p.bands {
        let (deflection, tension) = match b.band {
            Band::TooTight => (
                b.to_in.map(|d| format!("below {}", length(p, d))),
                b.relative_tension.1.map(|t| format!("above {t:.2}")),
            ),
            Band::OnTarget => (
                b.from_in
                    .zip(b.to_in)
                    .map(|(a, z)| format!("{} to {}", length(p, a), length(p, z))),
                b.relative_tension
                    .0
                    .zip(b.relative_tension.1)
                    .map(|(a, z)| format!("{a:.2} to {z:.2}")),
            ),
            Band::TooLoose => (
                b.from_in.map(|d| format!("above {}", length(p, d))),
                b.relative_tension.0.map(|t| format!("below {t:.2}")),
            ),
        };
        table.push(vec![
            Cell::text(b.band.word()),
            Cell::maybe(deflection, Cell::text),
            Cell::maybe(tension, Cell::text),
            Cell::count(b.lives),
            Cell::count(b.worn),
            Cell::count(b.machines),
            Cell::text(format::hours(b.hours)),
            Cell::maybe(b.mean_life, |h| Cell::text(format::hours(h))),
        ]);
    }
    table.note(format!(
        "Deflection under {} lbf; tension goes as 1/deflection for a small give at mid-span. A belt \
         read in two bands counts as a life in both.",
        p.force_lbf
    ));
    table
}

/// How much machines differ, in words.
pub fn machine_spread(s: &MachineSpread) -> String {
    if s.standard_deviation == 0.0 {
        return format!(
            "Lives on the {} machines differ no more from machine to machine than luck would have it.",
            s.machines
        );
    }
    format!(
        "Machines differ by a standard deviation of {:.2} in log life{} (p = {}); machine by machine \
         lives so vary by about {:.0}%.",
        s.standard_deviation,
        s.standard_error
            .map_or_else(String::new, |se| format!(", standard error {se:.2}")),
        format::p_value(s.p_value),
        100.0 * (s.standard_deviation.exp() - 1.0)
    )
}

fn ratios(p: &PracticeComparison) -> Option<Table> {
    let mut table = Table::new("band_ratios", "Life in the band over life outside it")
        .words("how", "Looked at")
        .figures("ratio", "Times")
        .figures("lower", "Lower")
        .figures("upper", "Upper");
    for row in ratio_rows(p) {
        let mut cells = vec![Cell::text(row.label)];
        cells.extend([row.ratio.ratio, row.ratio.lower, row.ratio.upper].map(|v| three(Some(v))));
        table.push(cells);
    }
    if table.rows.is_empty() {
        return None;
    }
    if let Some(c) = &p.primary {
        tests(&mut table, c);
        for caution in &c.cautions {
            table.note(&caution.text);
        }
        if let Some(s) = &c.machine_spread {
            table.note(machine_spread(s));
        }
    }
    Some(table)
}

fn tests(table: &mut Table, c: &Comparison) {
    let log_rank = if c.strata.is_empty() {
        "log-rank, lives taken as independent".to_owned()
    } else {
        format!(
            "log-rank within {}, lives taken as independent",
            c.strata.join(", ")
        )
    };
    let tests = [
        (
            "clustered by machine".to_owned(),
            c.clustered_by_machine.map(|t| t.p_value),
        ),
        (
            "whole machines dealt anew".to_owned(),
            c.permutation_by_machine.map(|t| t.p_value),
        ),
        (
            "equal shape (do both wear in the same way?)".to_owned(),
            c.equal_shape.map(|t| t.p_value),
        ),
        (log_rank, c.log_rank.as_ref().map(|t| t.test.p_value)),
        (
            "log-rank, not stratified".to_owned(),
            c.log_rank_unstratified.as_ref().map(|t| t.test.p_value),
        ),
    ];
    let told: Vec<String> = tests
        .into_iter()
        .filter_map(|(name, p)| p.map(|p| format!("{name} {}", format::p_value(p))))
        .collect();
    if !told.is_empty() {
        table.note(format!(
            "Chance of so much by luck alone (p): {}.",
            told.join("; ")
        ));
    }
}

/// A ratio with what it holds constant, allows for, or compares.
pub(super) struct RatioRow {
    pub(super) label: String,
    pub(super) ratio: BandRatio,
}

/// The ratios side by side: as recorded, adjusted, each machine its own level, every life for itself,
/// and the bands in pairs.
pub(super) fn ratio_rows(p: &PracticeComparison) -> Vec<RatioRow> {
    let mut rows = Vec::new();
    let mut row = |label: String, ratio: Option<BandRatio>| {
        rows.extend(ratio.map(|ratio| RatioRow { label, ratio }));
    };
    row("in the band, as recorded".to_owned(), p.in_band);
    row(
        format!("in the band, {} held constant", p.held.join(", ")),
        p.in_band_adjusted,
    );
    row(
        "in the band, each machine a level of its own".to_owned(),
        p.in_band_shared_frailty,
    );
    row(
        "in the band, as if machines did not matter".to_owned(),
        p.in_band_model_only,
    );
    for r in p.by_band.iter().flat_map(|c| &c.life_ratios) {
        let (Some(ratio), Some(lower), Some(upper)) = (r.ratio, r.lower, r.upper) else {
            continue;
        };
        // Life on target over that off it.
        let (of, to, ratio) = if r.to == Band::OnTarget.word() {
            let turned = BandRatio {
                ratio: 1.0 / ratio,
                lower: 1.0 / upper,
                upper: 1.0 / lower,
            };
            (&r.to, &r.of, turned)
        } else {
            let ratio = BandRatio {
                ratio,
                lower,
                upper,
            };
            (&r.of, &r.to, ratio)
        };
        row(format!("{of} against {to}"), Some(ratio));
    }
    rows
}

fn dose(p: &PracticeComparison) -> Option<Table> {
    let d = p.dose.as_ref()?;
    let mut table = Table::new("dose", "Life by deflection, against life on target")
        .words("deflection", "Deflection")
        .figures("tension", "Tension, times target")
        .figures("life", "Life, times")
        .figures("lower", "Lower")
        .figures("upper", "Upper");
    for point in d.points.iter().step_by(10) {
        table.push(vec![
            Cell::text(length(p, point.deflection_in)),
            three(Some(point.relative_tension)),
            three(Some(point.relative_life)),
            three(Some(point.lower)),
            three(Some(point.upper)),
        ]);
    }
    table.note(match &d.optimum {
        Some(best) => format!(
            "Longest lives at {}{}.",
            length(p, best.deflection_in),
            match (best.lower_in, best.upper_in) {
                (Some(a), Some(z)) => format!(
                    " ({}% limits {} to {}{})",
                    100.0 * p.confidence,
                    length(p, a),
                    length(p, z),
                    if best.cut_at_readings {
                        ", cut at the readings seen"
                    } else {
                        ""
                    }
                ),
                _ => ", but the readings cannot bound it".to_owned(),
            }
        ),
        None => "No best deflection within the readings seen.".to_owned(),
    });
    table.note(format!(
        "Chance of so much dependence by luck alone: {}. Nothing is claimed outside the readings.",
        format::p_value(d.p_value)
    ));
    if let Some(e) = d.reading_error {
        table.note(format!(
            "A reading error of {} (standard deviation) is allowed for: {} of the spread between \
             belts is true. As read, without allowing for it, the curvature is {} instead of {}.",
            length(p, e.error_in),
            format::percent(e.share_true),
            format::significant(e.curvature_as_read, 3),
            format::significant(d.curvature.estimate, 3)
        ));
    }
    if d.clusters.is_none() {
        table.note("Too few machines to allow for lives on one machine being alike.");
    }
    Some(table)
}

fn plans(p: &PracticeComparison) -> Option<Table> {
    if p.plans.is_empty() {
        return None;
    }
    let mut table = Table::new(
        "plans",
        "Worn parts it takes to tell a life ratio in four cases of five",
    )
    .figures("ratio", "Life ratio")
    .figures("alternating", "Worn in all, alternating")
    .figures("more", "Still to come")
    .figures("machine_hours", "Operating hours")
    .figures("months", "Months")
    .figures("by_machine", "Worn in all, by machine")
    .figures("months_by_machine", "Months, by machine");
    for plan in &p.plans {
        let months = |m: Option<f64>| {
            Cell::maybe(m, |m| {
                if m > LONGEST_MONTHS {
                    Cell::text("over 50 years")
                } else {
                    Cell::number(m, 0)
                }
            })
        };
        table.push(vec![
            three(Some(plan.ratio)),
            Cell::count(2 * plan.worn_per_arm_alternating),
            Cell::count(plan.more_worn_alternating),
            Cell::maybe(plan.machine_hours_alternating, |h| {
                Cell::text(format::hours(h))
            }),
            months(plan.months_alternating),
            plan.worn_per_arm_by_machine
                .map_or_else(|| Cell::text("never"), |n| Cell::count(2 * n)),
            months(plan.months_by_machine),
        ]);
    }
    table.note(
        "Alternating: both practices on every machine, belt by belt. By machine: each machine keeps one \
         practice; never: not on these machines, however many wear out. Months at this fleet's use, \
         from none. The better design: alternate. Set one belt on target and the next as it is now, on the same \
         machine, so that what is peculiar to a machine cancels out.",
    );
    if let (Some(shape), Some(spread)) = (p.planning_shape, p.planning_spread) {
        table.note(format!(
            "Planned with shape {} (less what few worn lives add to it) and machines that differ by \
             {spread:.2} in log life{}; half of the worn lives in each practice, two-sided 5%.",
            format::significant(shape, 3),
            if p.machine_spread.is_some() {
                ", as found here"
            } else {
                ", an assumption: the lives show no spread beyond luck"
            }
        ));
    }
    Some(table)
}

fn expectations(p: &PracticeComparison) -> Option<Table> {
    if p.expectations.is_empty() {
        return None;
    }
    let mut table = Table::new(
        "expected_limits",
        "How sure the ratio will be as more wear out",
    )
    .figures("worn", "Worn in all")
    .figures("months", "Months at this use, from none")
    .words("alternating", "Limits of a true ratio of 1.3, alternating")
    .words("by_machine", "The same, by machine");
    for e in &p.expectations {
        let limits = |factor: f64| format!("{:.2} to {:.2}", EXAMPLE / factor, EXAMPLE * factor);
        table.push(vec![
            Cell::count(2 * e.worn_per_arm),
            Cell::maybe(e.months, |m| Cell::number(m, 0)),
            Cell::text(limits(e.factor_alternating)),
            Cell::text(limits(e.factor_by_machine)),
        ]);
    }
    table.note("Expected 95% limits, half of the worn lives in each practice; those that come will scatter about them.");
    Some(table)
}
