//! The numbers behind the charts as tables: what a curve, a band or a dot was drawn from.

use super::{Cell, Table, format};
use crate::analysis::{Analysis, Detail};
use crate::meters::Standing;
use crate::models::curve::Curve;

/// Every table of the charts, those without rows left out.
pub(super) fn detail_tables(analysis: &Analysis, detail: &Detail) -> Vec<Table> {
    let tables = [
        life_curves(detail),
        life_forecast(detail),
        life_spread(detail),
        cost_by_age(analysis, detail),
        stock_course(analysis),
        kit_choices(analysis, detail),
        meter_readings(detail),
    ];
    let filled = tables.into_iter().filter(|table| !table.rows.is_empty());
    filled.collect()
}

fn life_curves(detail: &Detail) -> Table {
    let mut table = Table::new("life_curves", "Share still good, without any model")
        .words("part", "Part")
        .figures("hours", "Hours")
        .figures("from_hours", "Fell from, h")
        .figures("at_risk", "Under observation")
        .figures("worn", "Worn there")
        .figures("still_good", "Still good");
    for part in &detail.parts {
        for step in part.curve.iter().flat_map(Curve::points) {
            table.push(vec![
                Cell::text(&part.part),
                Cell::Hours(step.hours),
                Cell::Hours(step.from_hours),
                Cell::number(step.at_risk, 1),
                Cell::number(step.worn, 1),
                Cell::Probability(step.reliability),
            ]);
        }
    }
    table.note(
        "Kaplan–Meier, or Turnbull where lives are known only within bounds; “fell from” is earlier \
         than “hours” where it is known only that the step happened in between.",
    );
    table
}

fn life_forecast(detail: &Detail) -> Table {
    let mut table = Table::new("life_forecast", "Share worn out by hours, as forecast")
        .words("part", "Part")
        .figures("hours", "Hours")
        .figures("worn_out", "Worn out")
        .figures("lower", "from")
        .figures("upper", "to");
    for part in &detail.parts {
        for share in &part.shares {
            table.push(vec![
                Cell::text(&part.part),
                Cell::Hours(share.hours),
                Cell::Probability(share.share),
                Cell::Probability(share.lower),
                Cell::Probability(share.upper),
            ]);
        }
    }
    table
}

fn life_spread(detail: &Detail) -> Table {
    let mut table = Table::new(
        "life_spread",
        "Hours in which 90% of lives end, as forecast",
    )
    .words("part", "Part")
    .words("basis", "By")
    .figures("low", "5% worn out by, h")
    .figures("middle", "Half worn out by, h")
    .figures("high", "95% worn out by, h");
    for part in &detail.parts {
        let alone = part.belief.and_then(|b| b.records_alone);
        for (basis, spread) in [("forecast", part.spread), ("records alone", alone)] {
            if let Some(spread) = spread {
                table.push(vec![
                    Cell::text(&part.part),
                    Cell::text(basis),
                    Cell::Hours(spread.low),
                    Cell::maybe(spread.middle, Cell::Hours),
                    Cell::Hours(spread.high),
                ]);
            }
        }
    }
    table
}

fn cost_by_age(analysis: &Analysis, detail: &Detail) -> Table {
    let currency = &analysis.fleet.currency;
    let mut table = Table::new("cost_by_age", "Expected cost against the age of a change")
        .words("part", "Part")
        .figures("hours", "Change at, h")
        .figures(
            "cost_per_hour",
            format::with_unit("Cost per hour", currency),
        )
        .figures("low", "from")
        .figures("high", "to");
    for part in &detail.parts {
        for point in part.cost.iter().flat_map(|cost| &cost.points) {
            table.push(vec![
                Cell::text(&part.part),
                Cell::Hours(point.hours),
                Cell::number(point.expected, 3),
                Cell::number(point.low, 3),
                Cell::number(point.high, 3),
            ]);
        }
    }
    table
}

fn stock_course(analysis: &Analysis) -> Table {
    let mut table = Table::new("stock_course", "Left in stock if the advice is followed")
        .words("part", "Part")
        .figures("day", "Day")
        .figures("low", "1 in 20 has fewer than")
        .figures("middle", "Even chances")
        .figures("high", "1 in 20 has more than");
    for course in &analysis.stock.courses {
        for day in &course.days {
            table.push(vec![
                Cell::text(&course.part),
                Cell::Date(day.day),
                Cell::number(day.low as f64, 0),
                Cell::number(day.middle as f64, 0),
                Cell::number(day.high as f64, 0),
            ]);
        }
    }
    table
}

fn kit_choices(analysis: &Analysis, detail: &Detail) -> Table {
    let currency = &analysis.fleet.currency;
    let mut table = Table::new(
        "kit_choices",
        "What certainty costs in the kit of the next job",
    )
    .words("job", "Job")
    .figures("enough", "Chance that nothing is lacking")
    .figures("cost", format::with_unit("Cost of the kit", currency));
    if let Some(kit) = &detail.kit {
        for choice in &kit.choices {
            table.push(vec![
                Cell::text(&kit.job),
                Cell::Probability(choice.enough),
                Cell::Cost(choice.cost),
            ]);
        }
    }
    table
}

fn meter_readings(detail: &Detail) -> Table {
    let mut table = Table::new("meter_readings", "Hour-meter readings")
        .words("machine", "Machine")
        .figures("date", "Day")
        .figures("hours", "Meter, h")
        .words("standing", "Used")
        .words("row", "From");
    for meter in &detail.meters {
        for reading in &meter.readings {
            let standing = match reading.standing {
                Standing::Used => "yes",
                Standing::Absurd => "no: does not fit the readings around it",
                Standing::InDoubt => "no: the meter went backwards before",
            };
            table.push(vec![
                Cell::text(&meter.machine),
                Cell::Date(reading.date),
                Cell::number(reading.hours, 1),
                Cell::text(standing),
                Cell::maybe(reading.row.as_ref(), |row| Cell::text(row.to_string())),
            ]);
        }
    }
    table
}
