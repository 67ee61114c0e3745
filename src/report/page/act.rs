//! The first part: what to do.

use std::collections::BTreeMap;

use maud::{Markup, html};

use super::super::{format, tables};
use super::{Contents, pieces};
use crate::records::Job;
use crate::stock::{Advice, ChangeDecision, KitLine, Order};

/// Jobs shown with what to change and carry; later ones are in the tables.
const JOBS: usize = 12;

pub(super) fn act(contents: &Contents<'_>) -> Markup {
    html! {
        (answer(contents))
        (pieces::safety())
        h3 { "Order" }
        (orders(contents))
        h3 { "Before each job" }
        (jobs(contents))
        (cautions(contents))
        details {
            summary { "The figures behind the orders and the changes" }
            @for key in ["orders", "changes", "kits"] {
                @if let Some(table) = contents.table(key) { (pieces::table(table)) }
            }
        }
    }
}

/// The answer in one paragraph.
fn answer(contents: &Contents<'_>) -> Markup {
    let stock = &contents.analysis.stock;
    let mut due: Vec<&Order> = stock
        .orders
        .iter()
        .filter(|o| o.order_quantity > 0)
        .collect();
    due.sort_by_key(|o| o.order_by);
    let first_job = contents
        .analysis
        .fleet
        .jobs
        .iter()
        .find(|j| j.end >= stock.as_of);
    let changes = first_job.map_or(0, |job| to_change(contents, &job.name).len());
    html! {
        p.answer {
            @match due.first() {
                Some(order) => {
                    "Order first: "
                    strong { (format::count(u64::from(order.order_quantity))) " × " (pieces::name(&order.part)) }
                    @if let Some(day) = order.order_by { ", by " strong { (format::date(day)) } }
                    ". "
                    @if due.len() > 1 {
                        (format::plural(due.len() as u64 - 1, "more order")) " below. "
                    }
                }
                None => { "Nothing needs ordering for this schedule. " }
            }
            @if let Some(job) = first_job {
                @if changes == 0 { "Nothing needs changing before " }
                @else {
                    strong { "Change " (format::plural(changes as u64, "part")) } " before "
                }
                (pieces::name(&job.name)) ", which starts " (format::date(job.start)) "."
            } @else {
                "There is no job ahead in the schedule, so nothing is asked of the parts."
            }
        }
    }
}

fn orders(contents: &Contents<'_>) -> Markup {
    let analysis = contents.analysis;
    let mut due: Vec<&Order> = analysis
        .stock
        .orders
        .iter()
        .filter(|o| o.order_quantity > 0)
        .collect();
    due.sort_by_key(|o| (o.order_by.is_none(), o.order_by));
    let enough: Vec<&Order> = analysis
        .stock
        .orders
        .iter()
        .filter(|o| o.order_quantity == 0)
        .collect();
    html! {
        @if !due.is_empty() {
            ol.dated {
                @for order in due {
                    li {
                        div.when {
                            @match order.order_by {
                                Some(day) => { "by " b { (format::date(day)) } },
                                None => { "when you can" },
                            }
                        }
                        div.what {
                            b { (format::count(u64::from(order.order_quantity))) " × " (pieces::name(&order.part)) }
                        }
                        div.why { (why(contents, order)) }
                    }
                }
            }
        }
        @if !enough.is_empty() {
            p {
                "Enough in stock and on the way: "
                @for (i, order) in enough.iter().enumerate() {
                    @if i > 0 { ", " }
                    (pieces::name(&order.part))
                    " (" (format::chance(order.shortage_probability_if_nothing_ordered)) " chance of running short)"
                }
                "."
            }
        }
        @for none in &analysis.forecast.no_forecast {
            p { b { (pieces::name(&none.part)) ": no forecast. " } (pieces::short_name(&none.reason, 400)) }
        }
    }
}

/// Why an order, in a sentence that links to its evidence.
fn why(contents: &Contents<'_>, order: &Order) -> Markup {
    let analysis = contents.analysis;
    let fit = analysis
        .fits
        .iter()
        .position(|f| f.part.as_deref() == Some(order.part.as_str()));
    html! {
        (format::count(u64::from(order.on_hand))) " on hand, "
        (format::count(u64::from(order.on_order))) " on order; about "
        a href="#table-demand" { (format::expected(order.expected_demand)) " will be needed" }
        ", " (format::count(u64::from(order.needed))) " to be "
        (format::percent(analysis.stock.service_level)) " sure. Chance of running short: "
        (format::chance(order.shortage_probability_if_nothing_ordered)) " if nothing is ordered, "
        (format::chance(order.shortage_probability_if_ordered)) " if this is. "
        @if let Some(place) = fit {
            @let lives = &analysis.fits[place].lives;
            "Rests on "
            a href={"#" (pieces::life_anchor(place))} {
                (format::count(lives.worn + lives.interval_censored + lives.left_censored))
                " worn of " (format::count(lives.total)) " lives"
            }
            "."
        }
    }
}

fn to_change<'a>(contents: &Contents<'a>, job: &str) -> Vec<&'a ChangeDecision> {
    let changes = &contents.analysis.stock.changes;
    changes
        .iter()
        .filter(|c| c.job == job && c.advice == Advice::Change)
        .collect()
}

/// Changes and kit of one job, for this part and for the sheets.
pub(super) fn of_job<'a>(
    contents: &Contents<'a>,
    job: &Job,
) -> (Vec<&'a ChangeDecision>, Vec<&'a KitLine>) {
    let kits = &contents.analysis.stock.kits;
    let kit = kits
        .iter()
        .filter(|k| k.job == job.name && k.quantity > 0)
        .collect();
    (to_change(contents, &job.name), kit)
}

fn jobs(contents: &Contents<'_>) -> Markup {
    let analysis = contents.analysis;
    let ahead: Vec<&Job> = analysis
        .fleet
        .jobs
        .iter()
        .filter(|j| j.end >= analysis.stock.as_of)
        .collect();
    html! {
        @if ahead.is_empty() { p { "The schedule holds no job ahead." } }
        @else {
            ol.dated {
                @for (i, job) in ahead.iter().take(JOBS).enumerate() {
                    @let (changes, kit) = of_job(contents, job);
                    li {
                        div.when { b { (format::date(job.start)) } }
                        div.what { a href={"#sheet-" (i + 1)} { (pieces::name(&job.name)) } }
                        div.why {
                            (change_words(&changes))
                            @if !kit.is_empty() {
                                p {
                                    b { "Carry " }
                                    @for (i, line) in kit.iter().enumerate() {
                                        @if i > 0 { ", " }
                                        (format::count(u64::from(line.quantity))) " × " (pieces::name(&line.part))
                                    }
                                    ". "
                                    @if let Some(least) = kit.iter().map(|k| k.probability_enough).min_by(f64::total_cmp) {
                                        "Each is enough with a chance of at least " (format::percent(least)) "."
                                    }
                                }
                            }
                        }
                    }
                }
            }
            @if ahead.len() > JOBS {
                p { (format::plural((ahead.len() - JOBS) as u64, "later job")) " in the tables." }
            }
        }
    }
}

/// What to change, gathered by machine.
fn change_words(changes: &[&ChangeDecision]) -> Markup {
    let mut machines: BTreeMap<&str, Vec<&ChangeDecision>> = BTreeMap::new();
    for change in changes {
        machines.entry(&change.machine).or_default().push(change);
    }
    html! {
        @if machines.is_empty() { p { "Nothing to change first." } }
        @else {
            p {
                b { "Change first " }
                @for (i, (machine, changes)) in machines.iter().take(12).enumerate() {
                    @if i > 0 { "; " }
                    b { (pieces::name(machine)) } ": "
                    @for (j, change) in changes.iter().enumerate() {
                        @if j > 0 { ", " }
                        (pieces::name(&change.part)) " " (pieces::name(&change.position))
                        " (" (format::chance(change.probability_worn_out)) " worn out in the job if left)"
                    }
                }
                @if machines.len() > 12 {
                    "; and on " (format::plural((machines.len() - 12) as u64, "more machine")) ", see the table"
                }
                "."
            }
        }
    }
}

fn cautions(contents: &Contents<'_>) -> Markup {
    let cautions = tables::all_cautions(contents.analysis);
    html! {
        @if !cautions.is_empty() {
            h3 { "Take care with these" }
            ul.cautions {
                @for caution in cautions.iter().take(30) {
                    li {
                        @if let Some(part) = &caution.part { b { (pieces::name(part)) ": " } }
                        (pieces::short_name(&caution.text, 600))
                    }
                }
            }
            @if cautions.len() > 30 { p { a href="tables/cautions.csv" { "All cautions" } } }
        }
    }
}
