//! An analysis as tables: each is shown on the page, written as CSV and put on a sheet.

use std::collections::BTreeMap;

use jiff::civil::Date;

use super::{Cell, SAFETY_IN_SHORT, Table, format, practice_tables, stock_tables};
use crate::analysis::Analysis;
use crate::compare::practice::Band;
use crate::forecast::FittedPart;
use crate::lives::{Life, Outcome};
use crate::models::{Basis, Caution};
use crate::records::{Disposition, LengthUnit, Part, RowRef, TensionCheck};
use crate::stock::{Advice, Order};

/// Every table of the report, in the order of the page.
pub(super) fn all(analysis: &Analysis) -> Vec<Table> {
    let mut tables = vec![
        orders(analysis),
        changes(analysis),
        kits(analysis),
        stock_tables::kit_totals(analysis),
        stock_tables::needed_stock(analysis),
        stock_tables::lacking(analysis),
        stock_tables::value(analysis),
        stock_tables::sensitivity(analysis),
        planned_intervals(analysis),
        stock_tables::inspections(analysis),
        stock_tables::next_looks(analysis),
        fitted(analysis),
        chances(analysis),
        jobs(analysis),
        demand(analysis),
        demand_distribution(analysis),
        life_models(analysis),
        quantiles(analysis),
        tension(analysis),
        rows(analysis),
        problems(analysis),
        lives(analysis),
        cautions(analysis),
    ];
    tables.extend(life_levels(analysis));
    tables.extend(analysis.practice.iter().flat_map(practice_tables));
    tables
}

/// What to order by when.
pub fn orders(analysis: &Analysis) -> Table {
    let level = format::percent(analysis.stock.service_level);
    let mut table = Table::new("orders", "What to order")
        .words("part", "Part")
        .figures("order_quantity", "Order")
        .figures("order_by", "Order by")
        .figures("on_hand", "On hand")
        .figures("on_order", "On order")
        .figures("expected_demand", "Expected need")
        .figures("needed", format!("Needed to be {level} sure"))
        .figures(
            "shortage_if_nothing_ordered",
            "Chance of running short, nothing ordered",
        )
        .figures("shortage_if_ordered", "Chance of running short, as advised")
        .figures("fill_rate", "Share of need met from stock")
        .figures("cost", format::with_unit("Cost", &analysis.fleet.currency))
        .figures("order_now", "Of these, before the next look")
        .words("first_shortage", "Short first in, nothing ordered")
        .figures("chance_first_shortage", "Chance in it")
        .figures("expected_wear_outs", "Expected wear-outs in service")
        .figures("if_run_until_worn", "Expected need if all ran until worn")
        .words("remark", "Remark");
    let price = |part: &str| {
        analysis
            .fleet
            .parts
            .iter()
            .find(|p| p.name == part)?
            .unit_cost
    };
    let cost = |order: &Order| Some(price(&order.part)? * f64::from(order.order_quantity));
    for order in &analysis.stock.orders {
        table.push(vec![
            Cell::text(&order.part),
            Cell::count(order.order_quantity),
            Cell::maybe(order.order_by, Cell::Date),
            Cell::count(order.on_hand),
            Cell::count(order.on_order),
            Cell::number(order.expected_demand, 1),
            Cell::count(order.needed),
            Cell::Probability(order.shortage_probability_if_nothing_ordered),
            Cell::Probability(order.shortage_probability_if_ordered),
            Cell::Probability(order.fill_rate),
            Cell::maybe(cost(order), Cell::Cost),
            Cell::maybe(order.order_now, Cell::count),
            Cell::maybe(order.first_shortage.as_ref(), |f| Cell::text(&f.job)),
            Cell::maybe(order.first_shortage.as_ref(), |f| {
                Cell::Probability(f.probability)
            }),
            Cell::number(order.expected_wear_outs, 1),
            Cell::number(order.expected_demand_if_run_until_worn, 1),
        ]);
    }
    // Every part of the catalogue is in the list: one without a forecast is not one to forget.
    for none in &analysis.forecast.no_forecast {
        let part = analysis.fleet.parts.iter().find(|p| p.name == none.part);
        let mut row = vec![Cell::text(&none.part), Cell::Empty, Cell::Empty];
        row.push(Cell::maybe(part, |p| Cell::count(p.on_hand)));
        let under_way = |p: &Part| p.on_order.iter().map(|d| u64::from(d.quantity)).sum();
        row.push(Cell::maybe(part, |p| Cell::Count(under_way(p))));
        row.resize(table.columns.len() - 1, Cell::Empty);
        row.push(Cell::text("no forecast: order by hand"));
        table.push(row);
    }
    table.note(format!(
        "Over the whole schedule, looking from {}.",
        format::date(analysis.stock.as_of)
    ));
    table.note(
        "Chance of running short: that at some time in the schedule a part is needed and none is there; \
         one less it is the service level. As advised: ordered on the last day named, the lead time taken \
         over its whole range; ordered earlier, the chance is smaller. Share of need met from stock (the \
         fill rate): of the parts needed, those on the shelf when they are needed.",
    );
    table.note(format!(
        "Before the next look: what is ordered at the next look at the stock, on {}, would come too late \
         for these.",
        format::date(analysis.stock.next_look)
    ));
    if let Some(total) = order_total(analysis) {
        table.note(total);
    }
    table
}

/// What the advised orders cost together; `None` when nothing is ordered or nothing has a price.
pub(super) fn order_total(analysis: &Analysis) -> Option<String> {
    let ordered: Vec<&Order> = analysis
        .stock
        .orders
        .iter()
        .filter(|o| o.order_quantity > 0)
        .collect();
    let price = |part: &str| {
        analysis
            .fleet
            .parts
            .iter()
            .find(|p| p.name == part)?
            .unit_cost
    };
    let costs: Vec<f64> = ordered
        .iter()
        .filter_map(|o| Some(price(&o.part)? * f64::from(o.order_quantity)))
        .collect();
    if costs.is_empty() {
        return None;
    }
    let total = format::money(costs.iter().sum(), &analysis.fleet.currency);
    let unpriced = ordered.len() - costs.len();
    Some(if unpriced == 0 {
        format!("All orders together: {total}.")
    } else {
        format!(
            "All orders together: {total}, without {} that has no price.",
            format::plural(unpriced as u64, "order")
        )
    })
}

/// What to change before which job.
pub fn changes(analysis: &Analysis) -> Table {
    let currency = &analysis.fleet.currency;
    let mut table = Table::new("changes", "Change before the job, or leave in")
        .words("job", "Job")
        .words("machine", "Machine")
        .words("part", "Part")
        .words("position", "Position")
        .words("advice", "Advice")
        .figures("age_hours", "Age at the start, h")
        .figures("probability_worn_out", "Chance of wearing out in the job")
        .figures(
            "change_if_open_from",
            "If it is open anyway, change from, h",
        )
        .figures(
            "cost_if_changed",
            format::with_unit("Expected cost if changed", currency),
        )
        .figures(
            "cost_if_left",
            format::with_unit("Expected cost if left in", currency),
        );
    let mut decisions: Vec<_> = analysis.stock.changes.iter().collect();
    // What is to be done comes first; otherwise the order of the schedule stays.
    decisions.sort_by_key(|d| d.advice != Advice::Change);
    for d in &decisions {
        let advice = match d.advice {
            Advice::Change if d.while_open => "change first, the machine being open",
            Advice::Change => "change first",
            Advice::RunOn => "no change advised",
        };
        table.push(vec![
            Cell::text(&d.job),
            Cell::text(&d.machine),
            Cell::text(&d.part),
            Cell::text(&d.position),
            Cell::text(advice),
            Cell::Hours(d.age_hours),
            Cell::Probability(d.probability_worn_out),
            Cell::maybe(d.change_if_open_from, Cell::Hours),
            Cell::maybe(d.expected_cost_if_changed, Cell::Cost),
            Cell::maybe(d.expected_cost_if_left, Cell::Cost),
        ]);
    }
    table.note(SAFETY_IN_SHORT);
    if decisions.iter().any(|d| d.change_if_open_from.is_some()) {
        table.note(
            "If it is open anyway: where the machine is stopped for another part halfway through the job, the age \
             from which changing this one too costs less than running it on. The orders and kits do not count \
             such changes.",
        );
    }
    table
}

/// What to carry.
pub fn kits(analysis: &Analysis) -> Table {
    let mut table = Table::new("kits", "What to carry to each job")
        .words("job", "Job")
        .words("part", "Part")
        .figures("quantity", "Carry")
        .figures("probability_enough", "Chance that it is enough")
        .figures("short", "Lacking on the shelf");
    for kit in &analysis.stock.kits {
        table.push(vec![
            Cell::text(&kit.job),
            Cell::text(&kit.part),
            Cell::count(kit.quantity),
            Cell::Probability(kit.probability_enough),
            Cell::count(kit.short),
        ]);
    }
    table.note(
        "Lacking: stock and deliveries by the start of the job, the advised order with them, less \
         what jobs that are over by then are expected to have used and what jobs still under way have with \
         them, leave so many fewer than are to be carried.",
    );
    table
}

/// A share that may be negative, in percent.
fn share(value: f64) -> Cell {
    Cell::number(100.0 * value, 0)
}

/// Planned change-outs.
pub fn planned_intervals(analysis: &Analysis) -> Table {
    let currency = &analysis.fleet.currency;
    let mut table = Table::new("planned_intervals", "Does planned change pay?")
        .words("part", "Part")
        .figures("hours", "Change at, h")
        .figures(
            "cost_per_hour",
            format::with_unit("Cost per hour", currency),
        )
        .figures(
            "cost_per_hour_run_on",
            format::with_unit("Cost per hour if run until worn", currency),
        )
        .figures("about_as_good_from", "About as good: from, h")
        .figures("about_as_good_to", "to, h")
        .figures("saving_low", "Saves at least (95%)")
        .figures("saving_middle", "Saves, even chances")
        .figures("saving_high", "Saves at most (95%)")
        .figures("probability_saves", "Chance that it saves")
        .figures(
            "cost_per_hour_at_few_hundred",
            format::with_unit("Cost per hour at 300 h", currency),
        )
        .words("note", "Why");
    for interval in &analysis.stock.planned_intervals {
        table.push(vec![
            Cell::text(&interval.part),
            Cell::maybe(interval.hours, Cell::Hours),
            Cell::maybe(interval.cost_per_hour, |c| Cell::number(c, 2)),
            Cell::maybe(interval.cost_per_hour_run_on, |c| Cell::number(c, 2)),
            Cell::maybe(interval.about_as_good, |r| Cell::Hours(r[0])),
            Cell::maybe(interval.about_as_good, |r| Cell::Hours(r[1])),
            Cell::maybe(interval.saving, |s| share(s[0])),
            Cell::maybe(interval.saving, |s| share(s[1])),
            Cell::maybe(interval.saving, |s| share(s[2])),
            Cell::maybe(interval.probability_saves, Cell::Probability),
            Cell::maybe(interval.cost_per_hour_at_few_hundred, |c| {
                Cell::number(c, 2)
            }),
            Cell::text(&interval.note),
        ]);
    }
    table.note(
        "About as good: between these hours the expected cost is within 2% of the least. Saves: percent of \
         the cost of running until worn, over what the records leave uncertain; below zero it is a loss. \
         Costs per hour, also at 300 h (a few hundred hours, at which it is common practice to change or \
         look), are in the file of the whole table.",
    );
    table.note(SAFETY_IN_SHORT);
    table
}

/// Fitted parts, the one likeliest to wear out next first.
pub fn fitted(analysis: &Analysis) -> Table {
    let mut table = Table::new("fitted", "Fitted parts, the most pressing first")
        .words("machine", "Machine")
        .words("part", "Part")
        .words("position", "Position")
        .figures("age_hours", "Age, h")
        .figures("remaining_p10", "Remaining h: 1 in 10 gone by")
        .figures("remaining_p50", "half gone by")
        .figures("remaining_p90", "9 in 10 gone by")
        .figures("date_p10", "1 in 10 gone by")
        .figures("date_p50", "Half gone by")
        .figures("date_p90", "9 in 10 gone by")
        .words("next_job", "Next job")
        .figures("chance_next_job", "Chance of wearing out in it")
        .figures("chance_schedule", "In the whole schedule")
        .words("since", "In since");
    let since: BTreeMap<_, Option<&RowRef>> = analysis
        .lives
        .fitted
        .iter()
        .map(|f| ((&*f.machine, &*f.part, &*f.position), f.since.as_ref()))
        .collect();
    for part in worst_first(&analysis.forecast.fitted) {
        let place = (&*part.machine, &*part.part, &*part.position);
        let next = part.jobs.first();
        let whole: f64 = part.jobs.iter().map(|j| j.probability_worn_out).sum();
        table.push(vec![
            Cell::text(&part.machine),
            Cell::text(&part.part),
            Cell::text(&part.position),
            Cell::maybe(part.age_hours, Cell::Hours),
            Cell::maybe(part.remaining.p10, Cell::Hours),
            Cell::maybe(part.remaining.p50, Cell::Hours),
            Cell::maybe(part.remaining.p90, Cell::Hours),
            Cell::maybe(part.date_p10, Cell::Date),
            Cell::maybe(part.date_p50, Cell::Date),
            Cell::maybe(part.date_p90, Cell::Date),
            Cell::maybe(next, |j| Cell::text(&j.job)),
            Cell::maybe(next, |j| Cell::Probability(j.probability_worn_out)),
            Cell::Probability(whole.min(1.0)),
            Cell::maybe(since.get(&place).copied().flatten(), |row| {
                Cell::text(row.to_string())
            }),
        ]);
    }
    table.note(
        "Remaining hours and days are those by which 1, 5 and 9 of 10 such parts would be worn \
         out; a day that is missing lies beyond the schedule.",
    );
    table.note(SAFETY_IN_SHORT);
    table
}

/// Fitted parts by the chance of wearing out in the next job, then by date; ties stay in order.
pub(super) fn worst_first(fitted: &[FittedPart]) -> Vec<&FittedPart> {
    let mut parts: Vec<&FittedPart> = fitted.iter().collect();
    let next = |part: &FittedPart| part.jobs.first().map_or(-1.0, |j| j.probability_worn_out);
    parts.sort_by(|a, b| {
        let dates = a
            .date_p10
            .unwrap_or(Date::MAX)
            .cmp(&b.date_p10.unwrap_or(Date::MAX));
        next(b).total_cmp(&next(a)).then(dates)
    });
    parts
}

/// The chance of each fitted part in each job.
pub fn chances(analysis: &Analysis) -> Table {
    let mut table = Table::new(
        "chances",
        "Chance of each fitted part wearing out in each job",
    )
    .words("machine", "Machine")
    .words("part", "Part")
    .words("position", "Position")
    .words("job", "Job")
    .figures("hours", "Hours of the job")
    .figures("probability_worn_out", "Chance");
    for part in &analysis.forecast.fitted {
        for job in &part.jobs {
            table.push(vec![
                Cell::text(&part.machine),
                Cell::text(&part.part),
                Cell::text(&part.position),
                Cell::text(&job.job),
                Cell::Hours(job.hours),
                Cell::Probability(job.probability_worn_out),
            ]);
        }
    }
    table
}

/// The schedule.
pub fn jobs(analysis: &Analysis) -> Table {
    let jobs = &analysis.fleet.jobs;
    let is_open = jobs.iter().any(|job| !job.spread.is_none());
    let mut table = Table::new("jobs", "The schedule")
        .words("job", "Job")
        .figures("start", "First day")
        .figures("end", "Last day")
        .figures("hours", "Hours per machine");
    if is_open {
        table = table
            .figures("hours_low", "1 in 20: fewer than")
            .figures("hours_high", "1 in 20: more than")
            .figures("slip_days", "1 in 20: so many days late or more");
    }
    let mut table = table
        .figures("machine_count", "Machines")
        .words("machines", "Which")
        .words("row", "From");
    for job in jobs {
        let mut row = vec![
            Cell::text(&job.name),
            Cell::Date(job.start),
            Cell::Date(job.end),
            Cell::Hours(job.hours),
        ];
        if is_open {
            let [low, high] =
                [0, 1].map(|i| Cell::maybe(job.spread.hours, |range| Cell::Hours(range[i])));
            row.extend([low, high, Cell::number(job.spread.slip_days, 1)]);
        }
        row.extend([
            Cell::Count(job.machines.len() as u64),
            Cell::text(job.machines.join(", ")),
            Cell::text(job.row.to_string()),
        ]);
        table.push(row);
    }
    table
}

/// Demand per job and part.
pub fn demand(analysis: &Analysis) -> Table {
    let mut table = Table::new("demand", "Parts needed in each job")
        .words("job", "Job")
        .words("part", "Part")
        .figures("expected", "Expected")
        .figures("probability_any", "Chance of needing any")
        .figures("at_most_95", "95% sure to need no more than");
    let order = |job: &Option<String>| {
        let place = |name: &String| analysis.fleet.jobs.iter().position(|j| j.name == *name);
        job.as_ref()
            .map_or(usize::MAX, |name| place(name).unwrap_or(usize::MAX - 1))
    };
    let mut demands: Vec<_> = analysis.forecast.demand.iter().collect();
    demands.sort_by_key(|d| order(&d.job));
    for demand in demands {
        let none: f64 = demand
            .distribution
            .iter()
            .filter(|q| q.quantity == 0)
            .map(|q| q.probability)
            .sum();
        let mut sum = 0.0;
        let enough = demand.distribution.iter().find(|q| {
            sum += q.probability;
            sum >= 0.95
        });
        table.push(vec![
            Cell::text(demand.job.as_deref().unwrap_or("whole schedule")),
            Cell::text(&demand.part),
            Cell::number(demand.expected, 1),
            Cell::Probability((1.0 - none).clamp(0.0, 1.0)),
            Cell::maybe(enough, |q| Cell::count(q.quantity)),
        ]);
    }
    table
}

/// Demand with a row a job and a column a part, for reading: expected, and what is 95% sure to do.
pub fn demand_across(analysis: &Analysis) -> Table {
    let mut table = Table::new("demand", "Parts needed in each job").words("job", "Job");
    let long = demand(analysis);
    let name = |cell: &Cell| {
        if let Cell::Text(t) = cell {
            t.clone()
        } else {
            String::new()
        }
    };
    let mut parts: Vec<String> = Vec::new();
    let mut jobs: Vec<String> = Vec::new();
    for row in &long.rows {
        let (job, part) = (name(&row[0]), name(&row[1]));
        if !parts.contains(&part) {
            parts.push(part);
        }
        if jobs.last() != Some(&job) {
            jobs.push(job);
        }
    }
    for (i, part) in parts.iter().enumerate() {
        table = table.figures(&format!("part_{}", i + 1), part);
    }
    for job in jobs {
        let mut row = vec![Cell::text(&job)];
        row.resize(parts.len() + 1, Cell::Empty);
        for found in long.rows.iter().filter(|row| name(&row[0]) == job) {
            let column = parts.iter().position(|p| *p == name(&found[1]));
            if let (Some(column), Cell::Number { value, .. }) = (column, &found[2]) {
                let enough = format::cell(&found[4]);
                row[column + 1] = Cell::text(format!("{} ({enough})", format::expected(*value)));
            }
        }
        table.push(row);
    }
    table.note("The expected number, and in brackets the number that will do with 95% certainty.");
    table
}

/// The whole distributions, for files.
pub fn demand_distribution(analysis: &Analysis) -> Table {
    let mut table = Table::new("demand_distribution", "Chance of each number needed")
        .words("job", "Job")
        .words("part", "Part")
        .figures("quantity", "Number")
        .figures("probability", "Chance");
    for demand in &analysis.forecast.demand {
        for value in &demand.distribution {
            table.push(vec![
                Cell::text(demand.job.as_deref().unwrap_or("whole schedule")),
                Cell::text(&demand.part),
                Cell::count(value.quantity),
                Cell::Probability(value.probability),
            ]);
        }
    }
    table
}

/// What a life model rests on, in words.
pub(super) fn basis(basis: Basis) -> &'static str {
    match basis {
        Basis::Records => "records",
        Basis::Belief => "stated belief only",
        Basis::BeliefAndRecords => "stated belief and records",
        Basis::Fixed => "a stated life model, taken as exact",
    }
}

/// The same, short enough for a chart.
pub(super) fn basis_short(basis: Basis) -> &'static str {
    match basis {
        Basis::Records => "records",
        Basis::Belief => "belief only",
        Basis::BeliefAndRecords => "belief and records",
        Basis::Fixed => "stated model",
    }
}

/// Fits, a row a part.
pub fn life_models(analysis: &Analysis) -> Table {
    let mut table = Table::new("life_models", "What the lives say, part by part")
        .words("part", "Part")
        .figures("worn", "Worn lives")
        .figures("not_worn", "Not worn")
        .figures("shape", "Shape β")
        .figures("shape_lower", "from")
        .figures("shape_upper", "to")
        .figures("scale", "Scale η, h")
        .figures("scale_lower", "from")
        .figures("scale_upper", "to")
        .figures("mean", "Mean life, h")
        .figures("reduced_bias_shape", "Shape, reduced bias")
        .figures("fit_p", "Fit check, p")
        .words("basis", "Forecast rests on");
    for fit in &analysis.fits {
        let parameter = |name: &str| fit.parameters.iter().find(|p| p.name == name);
        let value =
            |name: &str, of: fn(&crate::models::Estimate) -> Option<f64>, make: fn(f64) -> Cell| {
                Cell::maybe(parameter(name).and_then(of), make)
            };
        let ratio: fn(f64) -> Cell = |v| Cell::number(v, 2);
        let part = fit.part.clone().unwrap_or_default();
        let model = analysis.models.iter().find(|m| m.part == part);
        table.push(vec![
            Cell::text(&part),
            Cell::count(fit.lives.worn + fit.lives.interval_censored + fit.lives.left_censored),
            Cell::count(fit.lives.right_censored),
            value("shape", |p| p.estimate, ratio),
            value("shape", |p| p.lower, ratio),
            value("shape", |p| p.upper, ratio),
            value("scale", |p| p.estimate, Cell::Hours),
            value("scale", |p| p.lower, Cell::Hours),
            value("scale", |p| p.upper, Cell::Hours),
            Cell::maybe(fit.mean_life.hours, Cell::Hours),
            Cell::maybe(fit.reduced_bias_shape, ratio),
            Cell::maybe(fit.goodness_of_fit.p_value, ratio),
            Cell::text(model.map_or("no forecast", |m| basis(m.basis))),
        ]);
    }
    table
}

/// Lives by the values of a column, for the parts that are told apart by one; `None` where none is.
pub fn life_levels(analysis: &Analysis) -> Option<Table> {
    let mut table = Table::new("life_levels", "What lives last by value of a column")
        .words("part", "Part")
        .words("column", "Told apart by")
        .words("value", "Value")
        .figures("worn", "Worn lives")
        .figures("not_worn", "Not worn")
        .figures("half_by", "Half are worn out by, h")
        .figures("times_as_long", "Times as long as the first below")
        .figures("times_lower", "from")
        .figures("times_upper", "to");
    for model in &analysis.models {
        let Some(by) = &model.by_level else { continue };
        let mut order: Vec<usize> = (0..by.levels.len()).collect();
        // The one that the others are compared with stands first.
        order.sort_by_key(|level| *level != by.reference);
        for number in order {
            let level = &by.levels[number];
            let name = match level.name.as_str() {
                "" => "not told",
                name => name,
            };
            let [lower, middle, upper] = level.ratio;
            let ratio = |v: f64| {
                if number == by.reference {
                    Cell::Empty
                } else {
                    Cell::number(v, 2)
                }
            };
            table.push(vec![
                Cell::text(&model.part),
                Cell::text(&by.column),
                Cell::text(name),
                Cell::count(
                    level.lives.worn + level.lives.interval_censored + level.lives.left_censored,
                ),
                Cell::count(level.lives.right_censored),
                Cell::maybe(model.at_level(number).hours_at(0.5), Cell::Hours),
                ratio(middle),
                ratio(lower),
                ratio(upper),
            ]);
        }
    }
    (!table.rows.is_empty()).then_some(table)
}

/// Hours by which a share has worn out, a row a part and share.
pub fn quantiles(analysis: &Analysis) -> Table {
    let mut table = Table::new("quantiles", "Hours by which a share is worn out")
        .words("part", "Part")
        .figures("probability", "Share worn out")
        .figures("hours", "Hours")
        .figures("lower", "from")
        .figures("upper", "to");
    for fit in &analysis.fits {
        for quantile in &fit.quantiles {
            table.push(vec![
                Cell::text(fit.part.clone().unwrap_or_default()),
                Cell::Probability(quantile.probability),
                Cell::maybe(quantile.hours, Cell::Hours),
                Cell::maybe(quantile.lower, Cell::Hours),
                Cell::maybe(quantile.upper, Cell::Hours),
            ]);
        }
    }
    table
}

/// Tension checks in the user's unit.
pub fn tension(analysis: &Analysis) -> Table {
    let unit = length_unit(analysis);
    let mut table = Table::new("tension", "Belt tension checks")
        .figures("date", "Day")
        .words("machine", "Machine")
        .figures("deflection", format!("Deflection, {}", unit.symbol()))
        .figures("force_lbf", "Force, lbf")
        .words("band", "Band")
        .words("row", "From");
    for check in &analysis.fleet.tension {
        let band = (analysis.fleet.practice).map(|p| match Band::of(&p, check.deflection_in) {
            Band::TooTight => "below (too tight)",
            Band::TooLoose => "above (too loose)",
            Band::OnTarget => "within",
        });
        table.push(vec![
            Cell::Date(check.date),
            Cell::text(&check.machine),
            Cell::number(
                check.deflection_in * unit.per_inch(),
                match unit {
                    LengthUnit::In => 2,
                    LengthUnit::Mm => 1,
                },
            ),
            Cell::maybe(check.force_lbf, |f| Cell::number(f, 1)),
            Cell::maybe(band, Cell::text),
            Cell::text(check.row.to_string()),
        ]);
    }
    table
}

/// The last check of each machine, those outside the band first.
pub fn last_tension(analysis: &Analysis) -> Table {
    let mut table = tension(analysis);
    "Last belt tension check of each machine".clone_into(&mut table.title);
    let mut last: BTreeMap<String, Vec<Cell>> = BTreeMap::new();
    for (check, row) in analysis.fleet.tension.iter().zip(table.rows) {
        last.insert(check.machine.clone(), row);
    }
    table.rows = last.into_values().collect();
    let outside = |row: &Vec<Cell>| matches!(&row[4], Cell::Text(t) if t != "within");
    table.rows.sort_by_key(|row| !outside(row));
    table
}

/// The last tension check of each machine where it lay outside the band of the practice, in words:
/// `too tight`, `too loose`; by machine.
pub fn last_off_target(analysis: &Analysis) -> Vec<(&TensionCheck, &'static str)> {
    let Some(practice) = analysis.fleet.practice else {
        return Vec::new();
    };
    let checks = &analysis.fleet.tension;
    // Sorted by machine and date: the last of a machine is followed by another machine's.
    (checks.iter().enumerate())
        .filter(|(i, check)| checks.get(i + 1).is_none_or(|n| n.machine != check.machine))
        .map(|(_, check)| (check, Band::of(&practice, check.deflection_in)))
        .filter(|(_, band)| *band != Band::OnTarget)
        .map(|(check, band)| (check, band.word()))
        .collect()
}

/// A deflection in the unit of the practice: `0.31 in`.
pub fn deflection(analysis: &Analysis, inches: f64) -> String {
    let unit = length_unit(analysis);
    let length = format::length(inches * unit.per_inch());
    format!("{length} {}", unit.symbol())
}

/// Unit that deflections are shown in: that of the practice, else inches.
fn length_unit(analysis: &Analysis) -> LengthUnit {
    (analysis.fleet.practice).map_or(LengthUnit::In, |p| p.unit)
}

/// Rows in = used + merged + set aside.
pub fn rows(analysis: &Analysis) -> Table {
    let rows = analysis.lives.rows;
    let mut table = Table::new("rows", "What became of the rows")
        .figures("rows_in", "Rows read")
        .figures("used", "Used")
        .figures("merged", "Merged duplicates")
        .figures("set_aside", "Set aside");
    table.push(
        [rows.rows_in, rows.used, rows.merged, rows.set_aside]
            .map(Cell::Count)
            .to_vec(),
    );
    table
}

/// Rows with a problem.
pub fn problems(analysis: &Analysis) -> Table {
    let mut table = Table::new("problems", "Rows set aside, merged or flagged")
        .words("what", "What happened")
        .words("where", "Where")
        .words("column", "Column")
        .words("found", "Found")
        .words("allowed", "Allowed")
        .words("advice", "What to do")
        .words("code", "Kind");
    for problem in &analysis.lives.problems {
        let what = match problem.disposition {
            Disposition::SetAside => "set aside",
            Disposition::Merged => "merged",
            Disposition::Flagged => "used, but look at it",
        };
        let places: Vec<String> = problem.rows.iter().map(ToString::to_string).collect();
        table.push(vec![
            Cell::text(what),
            Cell::text(places.join(" and ")),
            Cell::maybe(problem.column.as_ref(), Cell::text),
            Cell::maybe(problem.found.as_ref(), Cell::text),
            Cell::maybe(problem.allowed.as_ref(), Cell::text),
            Cell::text(problem.advice),
            Cell::text(problem.code.replace('_', " ")),
        ]);
    }
    table
}

/// Every life with the rows it came from.
pub fn lives(analysis: &Analysis) -> Table {
    lives_list(&analysis.lives.lives)
}

/// Lives one by one.
pub fn lives_list(lives: &[Life]) -> Table {
    let mut table = Table::new("lives", "Lives")
        .words("life", "Life")
        .words("part", "Part")
        .words("machine", "Machine")
        .words("position", "Position")
        .words("outcome", "Outcome")
        .figures("low", "At least, h")
        .figures("high", "At most, h")
        .figures("entry", "Seen from age, h")
        .figures("count", "How many")
        .figures("start", "In")
        .figures("end", "Out, or end of records")
        .words("start_row", "Put in by")
        .words("end_row", "Taken out by");
    for life in lives {
        let outcome = match life.outcome {
            Outcome::Worn => "worn",
            Outcome::Unworn => "unworn",
            Outcome::Running => "running",
        };
        table.push(vec![
            Cell::text(life.id.to_string()),
            Cell::text(life.part),
            Cell::text(life.machine),
            Cell::text(life.position),
            Cell::text(outcome),
            Cell::Hours(life.low),
            Cell::maybe(Some(life.high).filter(|h| h.is_finite()), Cell::Hours),
            Cell::Hours(life.entry),
            Cell::count(life.count),
            Cell::maybe(life.start, Cell::Date),
            Cell::Date(life.end),
            Cell::maybe(life.start_row(), |r| Cell::text(r.to_string())),
            Cell::maybe(life.end_row(), |r| Cell::text(r.to_string())),
        ]);
    }
    table.note("No value under “at most”: the part had not worn out when it was last seen.");
    table
}

/// Cautions on the forecast and the stock plan, each once.
pub(super) fn plan_cautions(analysis: &Analysis) -> Vec<Caution> {
    let both = analysis
        .forecast
        .cautions
        .iter()
        .chain(&analysis.stock.cautions);
    distinct(both.cloned())
}

/// Cautions of every stage, each once; those of a fit name its part.
fn all_cautions(analysis: &Analysis) -> Vec<Caution> {
    let fits = analysis.fits.iter().flat_map(|fit| {
        fit.cautions.iter().map(|caution| Caution {
            part: caution.part.clone().or_else(|| fit.part.clone()),
            ..caution.clone()
        })
    });
    let models = analysis
        .models
        .iter()
        .flat_map(|m| m.cautions.iter().cloned());
    distinct(
        plan_cautions(analysis)
            .into_iter()
            .chain(models)
            .chain(fits),
    )
}

fn distinct(cautions: impl Iterator<Item = Caution>) -> Vec<Caution> {
    let mut kept: Vec<Caution> = Vec::new();
    for caution in cautions {
        if !kept
            .iter()
            .any(|c| c.text == caution.text && c.part == caution.part)
        {
            kept.push(caution);
        }
    }
    kept
}

/// Cautions of every stage as a table.
pub fn cautions(analysis: &Analysis) -> Table {
    caution_table(analysis, &all_cautions(analysis))
}

/// Cautions on the forecast and the stock plan as a table; those on the fits are with the fits.
pub fn cautions_ahead(analysis: &Analysis) -> Table {
    caution_table(analysis, &plan_cautions(analysis))
}

fn caution_table(analysis: &Analysis, cautions: &[Caution]) -> Table {
    let mut table = Table::new("cautions", "Cautions")
        .words("part", "Part")
        .words("text", "Caution");
    for caution in cautions {
        table.push(vec![
            Cell::maybe(caution.part.as_ref(), Cell::text),
            Cell::text(&caution.text),
        ]);
    }
    for none in &analysis.forecast.no_forecast {
        table.push(vec![
            Cell::text(&none.part),
            Cell::text(format!("No forecast. {}", none.reason)),
        ]);
    }
    table
}
