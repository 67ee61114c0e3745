//! Tables about stock, looks and money.

use super::{Cell, SAFETY_IN_SHORT, Table, format};
use crate::analysis::Analysis;
use crate::stock::{FEW_HUNDRED_HOURS, NeededStock, Question};

/// Needed stock at a row of service levels, a row each.
pub fn needed_stock(analysis: &Analysis) -> Table {
    let mut table = Table::new("needed_stock", "Needed stock by service level")
        .words("part", "Part")
        .figures("service_level", "Chance of no shortage")
        .figures("needed", "Needed")
        .figures("order_quantity", "Order")
        .figures(
            "order_cost",
            format::with_unit("Cost of the order", &analysis.fleet.currency),
        );
    for needed in &analysis.stock.needed_stock {
        table.push(vec![
            Cell::text(&needed.part),
            Cell::Probability(needed.service_level),
            Cell::count(needed.needed),
            Cell::count(needed.order_quantity),
            Cell::maybe(needed.order_cost, Cell::Cost),
        ]);
    }
    table
}

/// The same with a row a part and a column a service level, for reading.
pub fn needed_stock_across(analysis: &Analysis) -> Table {
    let stock = &analysis.stock.needed_stock;
    let mut table =
        Table::new("needed_stock", "Needed stock by chance of no shortage").words("part", "Part");
    let mut levels: Vec<f64> = stock.iter().map(|n| n.service_level).collect();
    levels.sort_by(f64::total_cmp);
    levels.dedup();
    for level in &levels {
        table = table.figures(&format!("at_{:.0}", level * 100.0), format::percent(*level));
    }
    let mut parts: Vec<&str> = Vec::new();
    for needed in stock {
        if parts.last() != Some(&needed.part.as_str()) {
            parts.push(&needed.part);
        }
    }
    for part in parts {
        let mut row = vec![Cell::text(part)];
        row.extend(levels.iter().map(|level| {
            let is = |n: &&NeededStock| n.part == part && n.service_level.total_cmp(level).is_eq();
            Cell::maybe(stock.iter().find(is), |n| {
                Cell::text(format!("{} ({})", n.needed, n.order_quantity))
            })
        }));
        table.push(row);
    }
    table.note(
        "The smallest stock, deliveries included, with which nothing runs short over the whole schedule \
         with that chance (the service level), and in brackets what to order for it in whole packs.",
    );
    table
}

/// The chance of lacking a part on the last day of each job.
pub fn lacking(analysis: &Analysis) -> Table {
    let mut table = Table::new("lacking_by_date", "Chance of lacking a part, by date")
        .words("part", "Part")
        .figures("date", "By the end of")
        .words("job", "Last day of")
        .figures("if_nothing_ordered", "If nothing is ordered")
        .figures("if_ordered", "If the advice is followed");
    for order in &analysis.stock.orders {
        for day in &order.lacking_by_date {
            table.push(vec![
                Cell::text(&order.part),
                Cell::Date(day.date),
                Cell::text(&day.job),
                Cell::Probability(day.if_nothing_ordered),
                Cell::Probability(day.if_ordered),
            ]);
        }
    }
    table.note(
        "The chance that by the end of the day more have been needed than there were. A shortage that a \
         delivery ends does not count from then on; the chance of running short at any time is in the \
         table of orders.",
    );
    table
}

/// The kit of each job as a whole.
pub fn kit_totals(analysis: &Analysis) -> Table {
    let mut table = Table::new("kit_totals", "Each kit as a whole")
        .words("job", "Job")
        .figures(
            "probability_nothing_lacking",
            "Chance that nothing is lacking",
        )
        .figures(
            "probability_nothing_lacking_from_shelf",
            "The same with no more than the shelf holds",
        )
        .figures(
            "cost",
            format::with_unit("Worth of the kit", &analysis.fleet.currency),
        );
    for kit in &analysis.stock.kit_totals {
        table.push(vec![
            Cell::text(&kit.job),
            Cell::Probability(kit.probability_nothing_lacking),
            Cell::Probability(kit.probability_nothing_lacking_from_shelf),
            Cell::maybe(kit.cost, Cell::Cost),
        ]);
    }
    table.note(
        "The cheapest kit with which nothing is lacking, over all parts together, with at least the \
         service level. Part kinds wear independently of each other.",
    );
    table
}

/// How the orders would change.
pub fn sensitivity(analysis: &Analysis) -> Table {
    let mut table = Table::new("sensitivity", "How the orders would change")
        .words("part", "Part")
        .words("question", "If")
        .figures("expected_demand", "Expected need")
        .figures("needed", "Needed")
        .figures("order_quantity", "Order")
        .figures("order_by", "Order by");
    for answer in &analysis.stock.sensitivity {
        let question = match answer.question {
            Question::AsItStands => "all is as it stands",
            Question::WithoutBelief if answer.needed.is_none() => {
                "the stated belief is left out: no forecast"
            }
            Question::WithoutBelief => "the stated belief is left out",
            Question::LessUse => "a fifth fewer hours are run",
            Question::MoreUse => "a fifth more hours are run",
            Question::LongerLead => "lead times are half as long again",
            Question::UnknownAllWorn => "unknown reasons all meant worn",
        };
        table.push(vec![
            Cell::text(&answer.part),
            Cell::text(question),
            Cell::maybe(answer.expected_demand, |n| Cell::number(n, 1)),
            Cell::maybe(answer.needed, Cell::count),
            Cell::maybe(answer.order_quantity, Cell::count),
            Cell::maybe(answer.order_by, Cell::Date),
        ]);
    }
    if table.rows.is_empty() {
        table.note("Not asked: it is worked out for up to 600 positions.");
    } else {
        table.note(
            if analysis.forecast.open_jobs.is_empty() {
                "One question at a time, all else as it stands; chances to within half a percent."
            } else {
                "One question at a time, all else as it stands; chances to within a few percent, for hours and \
                 starts that are not sure are averaged over few ways here."
            },
        );
    }
    table
}

/// When to look at a new part, and again.
pub fn inspections(analysis: &Analysis) -> Table {
    let mut table = Table::new("inspections", "When to look at a part")
        .words("part", "Part")
        .figures("first_look", "First look at, h")
        .figures("second_look", "then at")
        .figures("third_look", "then at")
        .figures("fourth_look", "then at")
        .figures(
            "worn_by_few_hundred",
            format!("Worn out by {} h", format::hours(FEW_HUNDRED_HOURS)),
        );
    let mut chance = None;
    for found in &analysis.stock.inspections {
        chance = Some(found.chance_unseen);
        let mut row = vec![Cell::text(&found.part)];
        row.extend((0..4).map(|i| Cell::maybe(found.looks.get(i).copied(), Cell::Hours)));
        row.push(Cell::Probability(found.probability_worn_by_few_hundred));
        table.push(row);
    }
    if let Some(chance) = chance {
        table.note(format!(
            "Age in operating hours since new at which to look, so that a part wears out unseen between \
             two looks with a chance of at most {}; each look counts on the part having been found good \
             at the one before. Last column: the chance that a new part is worn out by a few hundred hours \
             (here {}), the age at which it is common practice to look or change.{}",
            format::percent(chance),
            format::hours(FEW_HUNDRED_HOURS),
            " How small that chance is to be is set in fleet.toml."
        ));
        table.note(SAFETY_IN_SHORT);
    }
    table
}

/// The next look at each fitted part.
pub fn next_looks(analysis: &Analysis) -> Table {
    let mut table = Table::new("next_looks", "Next look at each fitted part")
        .words("part", "Part")
        .words("machine", "Machine")
        .words("position", "Position")
        .figures("age_hours", "Age, h")
        .figures("within_hours", "Look within, h")
        .figures("by", "That is by")
        .words("job", "Before or in");
    let mut rows = Vec::new();
    for found in &analysis.stock.inspections {
        for look in &found.fitted {
            let by = look.by.unwrap_or(jiff::civil::Date::MAX);
            rows.push((
                by,
                vec![
                    Cell::text(&found.part),
                    Cell::text(&look.machine),
                    Cell::text(&look.position),
                    Cell::maybe(look.age_hours, Cell::Hours),
                    Cell::maybe(look.within_hours, Cell::Hours),
                    Cell::maybe(look.by, Cell::Date),
                    Cell::maybe(look.job.as_ref(), Cell::text),
                ],
            ));
        }
    }
    rows.sort_by_key(|row| row.0);
    for (_, row) in rows {
        table.push(row);
    }
    table.note(SAFETY_IN_SHORT);
    table.note(format!(
        "Taken as good on {}. A day that is missing lies beyond the schedule.",
        format::date(analysis.stock.as_of)
    ));
    table
}

/// What stock, advice and shortage cost.
pub fn value(analysis: &Analysis) -> Table {
    let currency = &analysis.fleet.currency;
    let heading = |words: &str| format::with_unit(words, currency);
    let mut table = Table::new("value", "What stock and shortage cost")
        .words("part", "Part")
        .figures("stock", heading("On hand"))
        .figures("on_order", heading("On order"))
        .figures("order", heading("To order"))
        .figures("left_at_the_end", heading("Expected left over"))
        .figures("one_lacking", heading("Cost of lacking one"))
        .figures("lacking_nothing_ordered", "Lacking, nothing ordered")
        .figures("lacking_ordered", "as advised")
        .figures(
            "shortage_nothing_ordered",
            heading("Shortage, nothing ordered"),
        )
        .figures("shortage_ordered", heading("as advised"));
    let money = |value: Option<f64>| Cell::maybe(value, Cell::Cost);
    for value in &analysis.stock.value {
        table.push(vec![
            Cell::text(&value.part),
            money(value.stock),
            money(value.on_order),
            money(value.order),
            money(value.left_at_the_end),
            money(value.one_lacking),
            Cell::number(value.expected_lacking_if_nothing_ordered, 2),
            Cell::number(value.expected_lacking_if_ordered, 2),
            money(value.shortage_if_nothing_ordered),
            money(value.shortage_if_ordered),
        ]);
    }
    if let Some(words) = value_in_words(analysis) {
        table.note(words);
    }
    table.note(
        "Lacking: expected number that wears out with none on the shelf. Lacking one (of a set changed together: the whole set) is \
         taken to stop its machine for half a job of average length, at what an hour of an unplanned stop costs \
         as fleet.toml states it. Expected left over: what the schedule is expected to leave on the \
         shelf, which later jobs can use.",
    );
    table
}

/// What the advice costs and what it spares, over all parts that have their prices.
pub(super) fn value_in_words(analysis: &Analysis) -> Option<String> {
    let values = &analysis.stock.value;
    let priced: Vec<_> = values
        .iter()
        .filter_map(|v| {
            Some((
                v.stock?,
                v.order?,
                v.left_at_the_end?,
                v.shortage_if_nothing_ordered?,
                v.shortage_if_ordered?,
            ))
        })
        .collect();
    if priced.is_empty() {
        return None;
    }
    let currency = &analysis.fleet.currency;
    let sum = |of: fn(&(f64, f64, f64, f64, f64)) -> f64| priced.iter().map(of).sum();
    let exactly = |of| format::money(sum(of), currency);
    let about = |of| format::about_money(sum(of), currency);
    let unpriced = values.len() - priced.len();
    let rest = if unpriced > 0 {
        format!(
            " ({} without prices left out)",
            format::plural(unpriced as u64, "part kind")
        )
    } else {
        String::new()
    };
    Some(format!(
        "On the shelf now: {}. The orders cost {}, of which about {} is expected to be left over, with the \
         stock, after the schedule. Shortages are expected to cost about {} if nothing is ordered and {} if the \
         advice is followed, taking each part or set lacking to stop its machine for half an average job{rest}.",
        exactly(|v| v.0),
        exactly(|v| v.1),
        about(|v| v.2),
        about(|v| v.3),
        about(|v| v.4),
    ))
}
