//! The parts of the page behind the advice: fitted parts, schedule, lives, practice, records,
//! method.

use maud::{Markup, html};

use super::super::files::NO_SCHEDULE;
use super::super::{format, tables};
use super::{Contents, figure, pieces};
use crate::analysis::{MachineMeter, PartDetail};
use crate::compare::practice::{Band, PracticeComparison};
use crate::lives::Unplaced;
use crate::meters::Standing;
use crate::models::{Fit, LifeModel};

/// What the page shows of the fitted parts; the file has more.
const FITTED: [&str; 11] = [
    "machine",
    "part",
    "position",
    "age_hours",
    "remaining_p10",
    "remaining_p50",
    "date_p10",
    "date_p50",
    "next_job",
    "chance_next_job",
    "chance_schedule",
];
/// What the page shows of the life models.
const LIFE_MODELS: [&str; 11] = [
    "part",
    "worn",
    "not_worn",
    "shape",
    "shape_lower",
    "shape_upper",
    "scale",
    "scale_lower",
    "scale_upper",
    "mean",
    "fit_p",
];

/// What the page shows of the planned intervals.
const PLANNED: [&str; 9] = [
    "part",
    "hours",
    "about_as_good_from",
    "about_as_good_to",
    "saving_low",
    "saving_middle",
    "saving_high",
    "probability_saves",
    "note",
];

/// Lives listed on the page.
const LIVES_LISTED: usize = 60;
/// Meter resets, and machines with readings that could not be used, told in words.
const TOLD: usize = 12;
/// Part kinds whose life is shown in full; later ones are in the tables.
const LIVES: usize = 12;

pub(super) fn fitted(contents: &Contents<'_>) -> Markup {
    let parts = &contents.analysis.forecast.fitted;
    let unknown = contents
        .analysis
        .lives
        .fitted
        .iter()
        .filter(|f| f.age_hours.is_none())
        .count();
    html! {
        p {
            (format::plural(parts.len() as u64, "fitted part")) " with a forecast. "
            @if let Some(worst) = tables::worst_first(parts).first() {
                @if let Some(job) = worst.jobs.first() {
                    "Most pressing: " b { (pieces::name(&worst.part)) " " (pieces::name(&worst.position)) " on " (pieces::name(&worst.machine)) }
                    ", " (format::chance(job.probability_worn_out)) " to wear out in " (pieces::name(&job.job)) "."
                }
            }
            @if unknown > 0 {
                " The age of " (format::plural(unknown as u64, "fitted part")) " is not known."
            }
        }
        @if let Some(chart) = &contents.charts.calendar {
            (figure(contents, chart, "fitted", &html! {
                "Bar: from the day 1 in 10 such parts would be worn out to the day 9 in 10 would be. \
                 Diamond: even chances. Grey: days the machine is at work. Arrow: beyond the schedule."
            }))
        }
        @if let Some(table) = contents.table("fitted") {
            (pieces::first_rows(&table.only(&FITTED), 25))
        }
        (pieces::safety())
    }
}

pub(super) fn schedule(contents: &Contents<'_>) -> Markup {
    html! {
        (asked(contents))
        @for chart in &contents.charts.demand {
            (figure(contents, chart, "demand_distribution", &html! {
                "Height of a bar: the chance of needing that many in the job (outlined: none). \
                 Triangle: how many to carry; parts changed in the workshop beforehand count as \
                 needed, but are not carried."
            }))
        }
        @if let Some(chart) = &contents.charts.stock {
            (figure(contents, chart, "orders", &html! {
                "Solid: on hand. Hatched: on order. Dashed: to order now. Ring: expected need over \
                 the schedule. Thick line: stock that meets the service level."
            }))
        }
        @for chart in &contents.charts.courses {
            (figure(contents, chart, "stock_course", &html! { "Left each day if the advice is followed: 90% of futures lie in the band. Below zero, parts are lacking." }))
        }
        @if let Some((chart, caption)) = &contents.charts.kit {
            (figure(contents, chart, "kit_choices", &html! { (caption) }))
        }
        @if let Some(table) = contents.table("jobs") { (pieces::table(table)) }
        (pieces::table(&tables::demand_across(contents.analysis)))
        p.under {
            a href="tables/demand_distribution.csv" { "The chance of each number, as CSV" } " · "
            a href="tables/chances.csv" { "the chance of each fitted part in each job, as CSV" }
        }
    }
}

/// What the next job will ask for, in a sentence.
fn asked(contents: &Contents<'_>) -> Markup {
    let analysis = contents.analysis;
    let Some(job) = analysis
        .fleet
        .jobs
        .iter()
        .find(|j| j.end > analysis.stock.as_of)
    else {
        return html! { p { (NO_SCHEDULE) } };
    };
    let mut needs: Vec<_> = (analysis.forecast.demand.iter())
        .filter(|d| d.job.as_deref() == Some(&job.name))
        .collect();
    needs.sort_by(|a, b| b.expected.total_cmp(&a.expected));
    html! {
        p.answer {
            (pieces::name(&job.name)) ", the next job, will need about "
            @for (i, need) in needs.iter().take(6).enumerate() {
                @if i > 0 { ", " }
                b { (format::expected(need.expected)) " × " (pieces::name(&need.part)) }
            }
            @if needs.is_empty() { "nothing that can be forecast" }
            "."
        }
    }
}

pub(super) fn life(contents: &Contents<'_>) -> Markup {
    let analysis = contents.analysis;
    html! {
        @if let Some(chart) = &contents.charts.lives {
            (figure(contents, chart, "life_spread", &html! {
                "Each bar holds 90% of lives; the diamond is the age by which half are worn out. In \
                 brackets: on how many lives it rests."
            }))
        }
        @if let Some(table) = contents.table("life_models") {
            (pieces::table(&table.only(&LIFE_MODELS)))
        }
        @if !analysis.fits.is_empty() {
            p.under {
                "Closer: "
                @for (place, fit) in analysis.fits.iter().enumerate().take(LIVES) {
                    @if place > 0 { " · " }
                    a href={"#" (pieces::life_anchor(place))} { (pieces::name(fit.part.as_deref().unwrap_or_default())) }
                }
            }
        }
        @for (place, fit) in analysis.fits.iter().enumerate().take(LIVES) {
            @let part = fit.part.clone().unwrap_or_default();
            @let model = analysis.models.iter().find(|m| m.part == part);
            article id=(pieces::life_anchor(place)) {
                h3 { (pieces::name(&part)) }
                (life_words(fit, model, contents.detail.part(&part)))
                @for chart in contents.charts.of_part(&part) {
                    (figure(contents, &chart.svg, chart.table, &html! { (chart.caption) }))
                }
                @if !fit.cautions.is_empty() {
                    ul.cautions { @for c in &fit.cautions { li { (pieces::short_name(&c.text, 600)) } } }
                }
            }
        }
        @if analysis.fits.is_empty() { p { "No part has a life on record yet." } }
        @if analysis.fits.len() > LIVES {
            p { (format::plural((analysis.fits.len() - LIVES) as u64, "more part kind")) " in the tables." }
        }
        @if let Some(table) = contents.table("life_levels") {
            (pieces::table(table))
            p.under {
                "Times as long: of a typical life, 5 to 95% in from and to. A value with few lives borrows from the \
                 others, the more the nearer they are believed to lie."
            }
        }
        @if let Some(table) = contents.table("quantiles") { (pieces::table(table)) }
        p.under { a href="#table-lives" { "Every life with the rows it came from" } }
    }
}

/// What the fit says, in words.
fn life_words(fit: &Fit, model: Option<&LifeModel>, closer: Option<&PartDetail>) -> Markup {
    let lives = &fit.lives;
    let worn = lives.worn + lives.interval_censored + lives.left_censored;
    let range =
        |hours: Option<f64>, lower: Option<f64>, upper: Option<f64>| match (hours, lower, upper) {
            (Some(h), Some(l), Some(u)) => {
                format!(
                    "{} h ({} to {})",
                    format::hours(h),
                    format::hours(l),
                    format::hours(u)
                )
            }
            (Some(h), ..) => format!("{} h", format::hours(h)),
            (None, Some(l), _) => format!("at least {} h", format::hours(l)),
            _ => format::NOTHING.to_owned(),
        };
    let shape = fit.parameters.iter().find(|p| p.name == "shape");
    // The same in the forecast's eyes.
    let middle = closer.and_then(|c| c.spread).and_then(|s| s.middle);
    let averaged = model.is_some_and(|m| m.nodes.len() > 1);
    html! {
        p {
            a href="#table-lives" { b { (format::count(worn)) " worn" } " of " (format::count(lives.total)) " lives" } ". "
            @for q in &fit.quantiles {
                @if (q.probability - 0.1).abs() < 1e-9 { "One in ten is worn out by " (range(q.hours, q.lower, q.upper)) "; " }
                @if (q.probability - 0.5).abs() < 1e-9 { "half by " (range(q.hours, q.lower, q.upper)) @if q.hours.is_some() { " on the best single curve" } ". " }
            }
            @if let Some(middle) = middle {
                @if averaged { "As the forecast takes it, averaged over what the records leave open, " }
                @else { "The forecast takes a stated life instead: there " }
                b { "half are worn out by " (format::hours(middle)) " h" }
                @if let Some(by) = model.and_then(|m| m.by_level.as_ref()) && !by.levels[by.reference].name.is_empty() {
                    " (" (pieces::name(&by.column)) " " (pieces::name(&by.levels[by.reference].name)) ")"
                }
                ". "
            }
            @if fit.mean_life.hours.is_some() {
                "Mean life " (range(fit.mean_life.hours, fit.mean_life.lower, fit.mean_life.upper)) ". "
            }
            @if let Some(shape) = shape && let (Some(b), Some(l), Some(u)) = (shape.estimate, shape.lower, shape.upper) {
                "Shape " (format::significant(b, 2)) " (" (format::significant(l, 2)) " to " (format::significant(u, 2)) "): "
                @if l > 1.0 { "the older, the likelier to wear out." }
                @else if u < 1.0 { "new parts fail sooner than old ones; look at fitting and quality." }
                @else { "it is not clear that age matters." }
            }
        }
        p.under {
            "In brackets: " (format::percent(fit.confidence)) " intervals. "
            @if let Some(model) = model {
                "The forecast rests on " (tables::basis(model.basis)) ". "
                @if let Some(by) = &model.by_level {
                    "The hours here are those of all lives together; the forecast tells them apart by "
                    (pieces::name(&by.column)) " (table below). "
                }
                @if averaged {
                    "The best single curve is the one that fits the records best; orders, dates and the bars above go by the \
                     average over every curve left possible, which spreads wider and has its middle elsewhere."
                }
            }
            @else { "No forecast." }
        }
    }
}

pub(super) fn practice(contents: &Contents<'_>) -> Markup {
    let fleet = &contents.analysis.fleet;
    html! {
        @match &contents.analysis.practice {
            Ok(found) => { p.answer { (pieces::short_name(&found.answer, 800)) } }
            Err(_) if fleet.tension.is_empty() && fleet.practice_unusable.is_none() => {}
            Err(why) => { p.answer { "Practices are not compared: " (pieces::short_name(&why.to_string(), 800)) "." } }
        }
        @if let Some(p) = fleet.practice {
            @let show = |inches: f64| tables::deflection(contents.analysis, inches);
            @let outside = fleet.tension.iter().filter(|c| Band::of(&p, c.deflection_in) != Band::OnTarget).count();
            p {
                "Belt tension is aimed at a deflection of " (show(p.target_in)) ", from "
                (show(p.band_low_in)) " to " (show(p.band_high_in)) " (common practice). "
                b { (format::count(outside as u64)) " of " (format::plural(fleet.tension.len() as u64, "check")) }
                " lay outside."
            }
            @let off = tables::last_off_target(contents.analysis);
            @if !off.is_empty() {
                p {
                    b { "Outside when last read, so set them right: " }
                    @for (i, (check, word)) in off.iter().take(12).enumerate() {
                        @if i > 0 { "; " }
                        (pieces::name(&check.machine)) " " (word) ", " (tables::deflection(contents.analysis, check.deflection_in))
                        " on " (format::date(check.date))
                    }
                    @if off.len() > 12 { "; and " (format::count((off.len() - 12) as u64)) " more" }
                    "."
                }
            }
            (pieces::safety())
        } @else if fleet.practice_unusable.is_none() {
            p { "No tension practice is stated in fleet.toml." }
        }
        @if let Ok(found) = &contents.analysis.practice {
            (practice_found(contents, found))
        }
        @if let Some(table) = contents.table("planned_intervals") { (pieces::table(&table.only(&PLANNED))) }
        @if let Some(table) = contents.table("inspections") { (pieces::table(table)) }
        @if let Some(table) = contents.table("next_looks") {
            (pieces::first_rows(table, 15))
            (pieces::safety())
        }
        @if !fleet.tension.is_empty() {
            @if let Some(chart) = &contents.charts.tension {
                (figure(contents, chart, "tension", &html! { "Hatched: the band of the practice; dashed line: the target. Rings lie in the band, filled triangles outside." }))
            }
            (pieces::first_rows(&tables::last_tension(contents.analysis), 40))
            p.under { a href="tables/tension.csv" { "Every check, as CSV" } }
        }
    }
}

/// What the readings say: the answer, its worth, the evidence, and what more would tell.
fn practice_found(contents: &Contents<'_>, found: &PracticeComparison) -> Markup {
    let charts = &contents.charts.practice;
    html! {
        @if !found.worth_answer.is_empty() { p { (pieces::short_name(&found.worth_answer, 800)) } }
        @if let Some(table) = contents.table("bands") { (pieces::table(table)) }
        @if let Some(chart) = &charts.ratios {
            (figure(contents, chart, "band_ratios", &html! { "Bars: 95% limits. A bar that crosses 1 cannot tell which lasts longer. Diamond: the comparison declared before looking; the rest stands beside it as a check." }))
        }
        @if let Some(table) = contents.table("band_ratios") { (pieces::table(table)) }
        @if let Some(chart) = &charts.curves {
            (figure(contents, chart, "bands", &html! { "Black steps: lives while they were in that band, without any model; shaded: 95% limits; grey: the other bands. Under the hours: lives under observation then." }))
        }
        @if let Some(chart) = &charts.probability {
            (figure(contents, chart, "bands", &html! { "Parallel lines: the bands wear in the same way and differ in speed only, as one life ratio supposes. Few points make crooked lines." }))
        }
        @if let Some(chart) = &charts.dose {
            (figure(contents, chart, "dose", &html! {
                "Line: life over that on target; dotted: its 95% limits. "
                @if found.dose_as_read.is_some() { "Dashed: without allowing for the stated reading error. " }
                "Hatched: the band. Dot and bar at the foot: where lives are longest, with its limits. Nothing is claimed outside the readings."
            }))
        }
        @if let Some(table) = contents.table("dose") { (pieces::table(table)) }
        @for key in ["plans", "expected_limits"] {
            @if let Some(table) = contents.table(key) { (pieces::table(table)) }
        }
        @if !found.cautions.is_empty() {
            ul.cautions { @for c in &found.cautions { li { (pieces::short_name(&c.text, 600)) } } }
        }
    }
}

pub(super) fn records(contents: &Contents<'_>) -> Markup {
    let lives = &contents.analysis.lives;
    html! {
        p {
            (format::plural(lives.rows.rows_in, "row")) " read: "
            (format::count(lives.rows.used)) " used, " (format::count(lives.rows.merged))
            " merged with an identical row, " (format::count(lives.rows.set_aside)) " set aside. "
            @let parts: u64 = lives.lives.iter().map(|l| u64::from(l.count)).sum();
            "They make the lives of " (format::plural(parts, "part"))
            @if parts > lives.lives.len() as u64 {
                ", in " (format::count(lives.lives.len() as u64)) " lines below, since those of one set that ended alike share a line"
            }
            ". "
            @if let (machines @ 1.., untold) = (lives.unplaced.len(), lives.unplaced.iter().map(Unplaced::lives).sum::<u32>()) {
                "On " (format::plural(machines as u64, "machine")) " the rows do not tell the positions of "
                (format::count(u64::from(untold))) " more; the fit sums over the positions that these can have been in. "
            }
            @if lives.unknown_start > 0 {
                (format::count(u64::from(lives.unknown_start)))
                " more were under way when the records begin, at an unknown age, and are left out."
            }
            @let resets = &contents.analysis.fleet.resets;
            @for reset in resets.iter().take(TOLD) {
                " The meter of " (pieces::name(&reset.machine)) " was set to "
                (format::meter(reset.new_reading)) " h on " (format::date(reset.date))
                ", as fleet.toml says; hours before and after it are added up."
            }
            @if resets.len() > TOLD {
                " So are those of " (format::plural((resets.len() - TOLD) as u64, "more reset")) "."
            }
        }
        @if let Some(table) = contents.table("problems") && !table.rows.is_empty() { (pieces::table(table)) }
        @if let Some(chart) = &contents.charts.meters {
            (figure(contents, chart, "meter_readings", &html! {
                "Every line is a machine; lines that cannot be told apart are dashed. A cross is a reading that could not be used"
                (not_used(&contents.detail.meters))
            }))
        }
        @if !contents.analysis.fleet.notes.is_empty() {
            details {
                summary { "What the program settled by itself while reading" }
                ul { @for note in contents.analysis.fleet.notes.iter().take(60) { li { (pieces::short_name(note, 400)) } } }
            }
        }
        @if let Some(table) = contents.table("lives") {
            details {
                summary { "Lives one by one, with the rows they came from" }
                (pieces::first_rows(table, LIVES_LISTED))
            }
        }
        p.under { a href="tables/rows.csv" { "Row counts, as CSV" } }
    }
}

/// How many readings could not be used, and on which machines.
fn not_used(meters: &[MachineMeter]) -> Markup {
    let doubtful = |m: &MachineMeter| {
        let of_machine = m.readings.iter();
        of_machine.filter(|r| r.standing != Standing::Used).count()
    };
    let counts: Vec<(&str, usize)> = meters
        .iter()
        .map(|m| (m.machine.as_str(), doubtful(m)))
        .filter(|(_, n)| *n > 0)
        .collect();
    let readings: usize = meters.iter().map(|m| m.readings.len()).sum();
    let all: usize = counts.iter().map(|(_, n)| n).sum();
    html! {
        @if counts.is_empty() { "; there is none here." }
        @else {
            ": " (format::count(all as u64)) " of " (format::count(readings as u64)) " here ("
            @for (i, (machine, n)) in counts.iter().take(TOLD).enumerate() {
                @if i > 0 { ", " }
                (pieces::name(machine)) " " (format::count(*n as u64))
            }
            @if counts.len() > TOLD { ", and " (format::plural((counts.len() - TOLD) as u64, "more machine")) }
            ")."
        }
    }
}

pub(super) fn method(contents: &Contents<'_>) -> Markup {
    let fleet = &contents.analysis.fleet;
    html! {
        dl {
            dt { "A life" }
            dd { "Operating hours of one part from fitting to wearing out. A part that came out for another reason, or still runs, counts as having lasted at least so long." }
            dt { "Life model" }
            dd { "Weibull: the share still good at t hours is exp(−(t/η)^β). Forecasts average over every β and η that the records, and a stated belief where there is one, leave possible, each by its weight; they do not stop at one best estimate." }
            dt { "Demand" }
            dd { "Each position is a chain of lives, started at the age of the part now fitted and run through the hours each job asks of that machine. Computed by convolution, without random numbers, so the same records give the same page." }
            @if contents.analysis.models.iter().any(|m| m.by_level.is_some()) {
                dt { "Lives told apart" }
                dd { "Where a part lasts longer or shorter by the value of a column, lives at all values share one shape, and each value has a scale of its own. The scales are taken to lie around a common one, nine in ten within the stated factor of it, so a value with few lives or none borrows from the others and stays wide. An hour at one value then wears as much as so many hours at another: ages count at the value of what is fitted, hours ahead at the job's. How many is averaged over what the records leave open, for all positions together." }
            }
            @if !contents.analysis.forecast.open_jobs.is_empty() {
                dt { "Hours and starts that are not sure" }
                dd { "A job's hours are taken as lognormal, the stated ones in the middle, with 1 chance in 20 of fewer than its low figure and 1 in 20 of more than its high one, alike for all its machines and independent of other jobs. A start is never early, mostly a little late, and by its slip days or more with 1 chance in 20; the job keeps its length and the machines' next job waits. Chances, demand, orders and kits are averaged over a few dozen ways in which all that may go. Dates of jobs, and the ages at which parts are changed ahead of time, are those of the schedule as stated." }
            }
            dt { "Stock" }
            dd {
                "Enough to keep the chance of running short, at any time in the schedule, within 1 − "
                (format::percent(contents.analysis.stock.service_level))
                ": that is the service level. The fill rate is another thing: the share of the parts needed \
                 that are on the shelf when they are needed. A lead time given as a range is taken as \
                 lognormal between its 5 and 95% points, and chances are averaged over it; the last day to \
                 order is the latest on which the order still keeps the service level. What is ordered \
                 at the next look at the stock, " (format::plural(u64::from(fleet.review_days), "day"))
                " from now, can be there a lead time after that: what the stock cannot cover up to then is \
                 to be ordered at this one."
            }
            dt { "Changing ahead of time" }
            dd { "At the start of a job a part is changed where that is expected to cost less than leaving it in: the life thrown away against the stop spared, over the jobs ahead. It makes more parts needed and fewer stops; the orders say how many of each. A routine change takes 15 to 20 minutes (common practice)." }
            dt { "Looking" }
            dd { "A look is due at the age by which the chance of having worn out unseen since the last one reaches " (format::percent(fleet.chance_unseen)) ", given that the part was found good then." }
            dt { "What it cannot know" }
            dd { "Lives are taken to be alike from machine to machine and through time, unless a caution says otherwise. A change of supplier, of hose or of practice is not seen until records show it. Jobs added or moved change the answer." }
            dt { "Sources" }
            dd { "Terms after IEC 60050-192 and ISO 14224, Weibull analysis after IEC 61649, spares after IEC 62550. Parts per machine and the tension band are common practice." }
            dt { "Version" }
            dd { "wearcast " (env!("CARGO_PKG_VERSION")) ". Costs in " bdi { (pieces::short_name(&fleet.currency, 20)) } ". No clock is read: the page looks from the day the records end, " (format::date(fleet.as_of)) "." }
        }
        (pieces::safety())
    }
}
