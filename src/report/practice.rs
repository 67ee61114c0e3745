//! Tension practice as tables.

use super::{Cell, Table, format};
use crate::compare::practice::{Band, BandRatio, PracticeComparison};
use crate::records::LengthUnit;

const MM_PER_INCH: f64 = 25.4;

/// Every table of a comparison of practice that has something to say: bands, ratios, dose, plans.
pub fn practice_tables(p: &PracticeComparison) -> Vec<Table> {
    let tables = [Some(bands(p)), ratios(p), dose(p), plans(p)];
    tables.into_iter().flatten().collect()
}

fn length(p: &PracticeComparison, inches: f64) -> String {
    match p.practice.unit {
        LengthUnit::In => format!("{inches:.3} in"),
        LengthUnit::Mm => format!("{:.1} mm", inches * MM_PER_INCH),
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

fn ratios(p: &PracticeComparison) -> Option<Table> {
    let mut table = Table::new("band_ratios", "Life in the band over life outside it")
        .words("how", "Looked at")
        .figures("ratio", "Times")
        .figures("lower", "Lower")
        .figures("upper", "Upper");
    let mut row = |how: String, r: Option<BandRatio>| {
        if let Some(r) = r {
            let mut cells = vec![Cell::text(how)];
            cells.extend([r.ratio, r.lower, r.upper].map(|v| three(Some(v))));
            table.push(cells);
        }
    };
    row("as recorded".to_owned(), p.in_band);
    row(
        format!("{} held constant", p.held.join(", ")),
        p.in_band_adjusted,
    );
    if table.rows.is_empty() {
        return None;
    }
    if let Some(c) = &p.primary {
        let tests = [
            (
                "clustered by machine",
                c.clustered_by_machine.map(|t| t.p_value),
            ),
            (
                "whole machines dealt anew",
                c.permutation_by_machine.map(|t| t.p_value),
            ),
            ("equal shape", c.equal_shape.map(|t| t.p_value)),
            (
                "log-rank, lives taken as independent",
                c.log_rank.as_ref().map(|t| t.test.p_value),
            ),
        ];
        for (name, p) in tests {
            if let Some(p) = p {
                table.note(format!("{}: p = {}.", name, format::p_value(p)));
            }
        }
        for caution in &c.cautions {
            table.note(&caution.text);
        }
    }
    Some(table)
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
                    " ({} % limits {} to {}{})",
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
            "Reading error {} allowed for: {} of the spread between belts is true; without, the \
             curvature would read {} instead of {}.",
            length(p, e.error_in),
            format::percent(e.share_true),
            format::significant(e.curvature_as_read, 3),
            format::significant(d.curvature.estimate, 3)
        ));
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
    .figures("ratio", "Ratio")
    .figures("alternating", "Each practice, alternating on every machine")
    .figures("by_machine", "Each practice, a machine keeps one")
    .figures("months", "Months at this use, alternating");
    for plan in &p.plans {
        table.push(vec![
            three(Some(plan.ratio)),
            Cell::count(plan.worn_per_arm_alternating),
            plan.worn_per_arm_by_machine
                .map_or_else(|| Cell::text("never"), Cell::count),
            Cell::maybe(plan.months_alternating, |m| Cell::number(m, 0)),
        ]);
    }
    table.note(match p.machine_spread {
        Some(s) => format!("Machines differ by a standard deviation of {s:.2} in log life here."),
        None => "The lives show no spread between machines beyond luck; 0.2 in log life is assumed (common practice, no source).".to_owned(),
    });
    Some(table)
}
