//! The first part: what to do.

use std::collections::BTreeMap;

use maud::{Markup, html};

use super::super::files::NO_SCHEDULE;
use super::super::order_words::{self, OrderWords, sentence};
use super::super::{format, stock_tables, tables};
use super::{Contents, pieces};
use crate::analysis::Analysis;
use crate::records::Job;
use crate::stock::{Advice, ChangeDecision, KitLine, Order};

/// Jobs whose changes are told part by part; those further off in short.
pub(super) const SOON: usize = 2;
/// Jobs shown with what to change and carry; later ones are in the tables.
const JOBS: usize = 12;

pub(super) fn act(contents: &Contents<'_>) -> Markup {
    html! {
        (answer(contents))
        div id=(pieces::SAFETY_ANCHOR) { (pieces::safety()) }
        h3 { "Order" }
        (orders(contents))
        (pieces::table(&stock_tables::needed_stock_across(contents.analysis)))
        @if let Some(words) = stock_tables::value_in_words(contents.analysis) { p { (words) } }
        h3 { "Before each job" }
        (jobs(contents))
        (cautions(contents))
        details {
            summary { "The figures behind the orders and the changes" }
            @for key in ["orders", "lacking_by_date", "value", "sensitivity", "changes", "kits", "kit_totals"] {
                @if let Some(table) = contents.table(key) { (pieces::table(table)) }
            }
        }
    }
}

/// Jobs with days still ahead, in the order of the schedule.
pub(super) fn jobs_ahead(analysis: &Analysis) -> impl Iterator<Item = &Job> {
    let as_of = analysis.stock.as_of;
    analysis.fleet.jobs.iter().filter(move |j| j.end > as_of)
}

/// The answer in one paragraph.
fn answer(contents: &Contents<'_>) -> Markup {
    let due = order_words::due(contents.analysis);
    let first_job = jobs_ahead(contents.analysis).next();
    let changes = first_job.map_or(Vec::new(), |job| to_change(contents, &job.name));
    html! {
        p.answer {
            @match due.first() {
                Some(order) => {
                    @let words = OrderWords::of(contents.analysis, order);
                    strong { bdi { (words.order) } " " (words.when) } ": " bdi { (words.without) } ". "
                    @if due.len() > 1 {
                        (format::plural(due.len() as u64 - 1, "more order")) " below. "
                    }
                }
                None if first_job.is_some() => { "Nothing needs ordering for this schedule. " }
                None => {}
            }
            @if let Some(job) = first_job {
                @if changes.is_empty() { "Nothing needs changing before " }
                @else {
                    strong { "Change " (format::plural(changes.len() as u64, "part")) }
                    " (" (named(&changes)) ") before "
                }
                (pieces::name(&job.name)) ", which starts " (format::date(job.start)) "."
            } @else {
                (NO_SCHEDULE)
            }
        }
    }
}

/// `EV-2 drive belt, EV-4 wear ring rear and 3 more`.
fn named(changes: &[&ChangeDecision]) -> Markup {
    const NAMED: usize = 4;
    html! {
        @for (i, change) in changes.iter().take(NAMED).enumerate() {
            @if i > 0 { ", " }
            (pieces::name(&change.machine)) " " (pieces::name(&change.part))
            @if change.position != "1" { " " (pieces::name(&change.position)) }
        }
        @if changes.len() > NAMED { " and " (format::count((changes.len() - NAMED) as u64)) " more" }
    }
}

fn orders(contents: &Contents<'_>) -> Markup {
    let analysis = contents.analysis;
    let due = order_words::due(analysis);
    let late = due
        .iter()
        .any(|o| o.order_by.is_some_and(|day| day <= analysis.stock.as_of));
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
                                Some(day) if day <= analysis.stock.as_of => { b { "now" } " (" (format::date(day)) ")" },
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
        @if let Some(total) = tables::order_total(analysis) { p { b { (total) } } }
        @if late {
            p.under {
                "“Now” is " (format::date(analysis.stock.as_of)) ", the day the records end. If you order later, "
                "bring the records up to date and look again."
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
            p { b { (pieces::name(&none.part)) ": no forecast, order by hand. " } (pieces::short_name(&none.reason, 400)) }
        }
    }
}

/// Why an order, in a sentence that links to its evidence.
fn why(contents: &Contents<'_>, order: &Order) -> Markup {
    let analysis = contents.analysis;
    let words = OrderWords::of(analysis, order);
    let fit = analysis
        .fits
        .iter()
        .position(|f| f.part.as_deref() == Some(order.part.as_str()));
    html! {
        p { bdi { (sentence(&words.without)) } " " (sentence(&words.with)) @if let Some(least) = &words.least_now { " " (sentence(least)) } }
        (format::count(u64::from(order.on_hand))) " on hand, "
        (format::count(u64::from(order.on_order))) " on order; about "
        a href="#table-demand" { (format::expected(order.expected_demand)) " will be needed" }
        ", " (format::count(u64::from(order.needed))) " to be "
        (format::percent(analysis.stock.service_level)) " sure"
        @match order.lead_days {
            Some([low, _, high]) if low < high => { "; there " (low) " to " (high) " days after it is ordered" }
            Some([_, days, _]) => { "; there " (days) " days after it is ordered" }
            None => {}
        }
        ". "
        @if let Some(kit) = &words.kit { b { (sentence(kit)) } " " }
        @if let Some(split) = &words.split { (sentence(split)) " " }
        @if let Some(habit) = &words.habit { (sentence(habit)) " " }
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
    let ahead: Vec<&Job> = jobs_ahead(analysis).collect();
    html! {
        @if ahead.is_empty() { p { "The schedule holds no job ahead." } }
        @else {
            (pieces::safety_in_short())
            ol.dated {
                @for (i, job) in ahead.iter().take(JOBS).enumerate() {
                    @let (changes, kit) = of_job(contents, job);
                    li {
                        div.when { b { (format::date(job.start)) } }
                        div.what { a href={"#sheet-" (i + 1)} { (pieces::name(&job.name)) } }
                        div.why {
                            @if i < SOON { (change_words(contents, &changes)) } @else { (later_words(&changes)) }
                            (kit_words(&kit))
                        }
                    }
                }
            }
            p.under {
                "Chances: that the part wears out in the job if it is left in ("
                a href="#table-changes" { "what each change costs and saves" } "). What "
                "to change before the later jobs is better decided when the records have caught up."
                @if ahead.len() > JOBS {
                    " " (format::plural((ahead.len() - JOBS) as u64, "later job")) " in the tables."
                }
            }
        }
    }
}

/// A part's name as a link to what is known of its life.
fn part_link(contents: &Contents<'_>, part: &str) -> Markup {
    let fits = &contents.analysis.fits;
    let place = fits.iter().position(|f| f.part.as_deref() == Some(part));
    html! {
        @match place {
            Some(place) => a href={"#" (pieces::life_anchor(place))} { (pieces::name(part)) },
            None => (pieces::name(part)),
        }
    }
}

fn kit_words(kit: &[&KitLine]) -> Markup {
    let least = kit
        .iter()
        .map(|k| k.probability_enough)
        .min_by(f64::total_cmp);
    html! {
        @if let Some(least) = least {
            p {
                b { "Carry " }
                @for (i, line) in kit.iter().enumerate() {
                    @if i > 0 { ", " }
                    (kit_line(line))
                }
                ", each enough with " (format::chance(least)) " or better."
            }
        }
    }
}

/// `3 × guide block`, and what of it the shelf will not hold by then.
pub(super) fn kit_line(line: &KitLine) -> Markup {
    html! {
        (format::count(u64::from(line.quantity))) " × " (pieces::name(&line.part))
        @if line.short > 0 {
            b {
                @if line.short == line.quantity { " (none on the shelf by then)" }
                @else { " (" (format::count(u64::from(line.short))) " not on the shelf by then)" }
            }
        }
    }
}

/// Changes gathered by machine, in the order of the machines.
pub(super) fn by_machine<'a>(
    changes: &[&'a ChangeDecision],
) -> BTreeMap<&'a str, Vec<&'a ChangeDecision>> {
    let mut machines: BTreeMap<&str, Vec<&ChangeDecision>> = BTreeMap::new();
    for change in changes {
        machines.entry(&change.machine).or_default().push(change);
    }
    for changes in machines.values_mut() {
        changes.sort_by(|a, b| b.probability_worn_out.total_cmp(&a.probability_worn_out));
    }
    machines
}

/// What to change, a line a machine, the most pressing part first.
fn change_words(contents: &Contents<'_>, changes: &[&ChangeDecision]) -> Markup {
    let machines = by_machine(changes);
    html! {
        @if machines.is_empty() { p { "Nothing to change first." } }
        @else {
            p { b { "Change first" } }
            ul.machines {
                @for (machine, changes) in machines.iter().take(12) {
                    li {
                        b { (pieces::name(machine)) } " "
                        @for (j, change) in changes.iter().enumerate() {
                            @if j > 0 { ", " }
                            (part_link(contents, &change.part))
                            @if change.position != "1" { " " (pieces::name(&change.position)) }
                            ": " (format::chance(change.probability_worn_out))
                        }
                    }
                }
            }
            @if machines.len() > 12 {
                p { "And on " (format::plural((machines.len() - 12) as u64, "more machine")) ", see the table." }
            }
        }
    }
}

/// The same in short, for jobs further off.
fn later_words(changes: &[&ChangeDecision]) -> Markup {
    let most = changes
        .iter()
        .max_by(|a, b| a.probability_worn_out.total_cmp(&b.probability_worn_out));
    html! {
        @match most {
            None => p { "Nothing to change first, as things stand." },
            Some(most) => p {
                "As things stand, " (format::plural(changes.len() as u64, "part")) " to change first; most pressing "
                (pieces::name(&most.part)) " on " (pieces::name(&most.machine))
                ", " (format::chance(most.probability_worn_out)) "."
            },
        }
    }
}

/// Cautions on the forecast and the stock plan, gathered by part; those on the fits stand with
/// each part's life.
fn cautions(contents: &Contents<'_>) -> Markup {
    let mut parts: BTreeMap<Option<&str>, Vec<&str>> = BTreeMap::new();
    let cautions = tables::plan_cautions(contents.analysis);
    for caution in &cautions {
        parts
            .entry(caution.part.as_deref())
            .or_default()
            .push(&caution.text);
    }
    html! {
        @if !parts.is_empty() {
            h3 { "Take care with these" }
            ul.cautions {
                @for (part, texts) in parts.iter().take(30) {
                    li {
                        @if let Some(part) = part { b { (pieces::name(part)) ": " } }
                        @for (i, text) in texts.iter().enumerate() {
                            @if i > 0 { "; " }
                            (pieces::short_name(text, 600))
                        }
                        "."
                    }
                }
            }
            @if parts.len() > 30 { p { a href="tables/cautions.csv" { "All cautions" } } }
        }
    }
}
