//! One sheet a job, to print, tick and fill in, so that the next records are better than the last.

use jiff::Unit;
use maud::{Markup, html};

use super::super::{SAFETY, format, tables};
use super::{Contents, act, pieces};
use crate::records::{Job, LengthUnit};
use crate::stock::{Advice, ChangeDecision, NextLook};

/// Sheets on the page: the jobs next ahead.
const SHEETS: usize = 12;
/// Machines with a line of their own on a sheet.
const MACHINES: usize = 40;
/// Parts to look at that a sheet names.
const LOOKS: usize = 5;
/// A machine that stands for this many days or more is laid up.
const LAID_UP: i32 = 7;
/// Beside each list of a sheet, whose caution stands in full at its top.
const BEFOREHAND: &str = " (safety first: isolated, pressure out)";

pub(super) fn sheets(contents: &Contents<'_>) -> Markup {
    let ahead: Vec<&Job> = act::jobs_ahead(contents.analysis).collect();
    html! {
        @if ahead.is_empty() { p { "The schedule holds no job ahead." } }
        @for (i, job) in ahead.iter().take(SHEETS).enumerate() {
            (sheet(contents, job, i))
        }
        @if ahead.len() > SHEETS {
            p { "Sheets for later jobs appear as their turn comes." }
        }
    }
}

fn sheet(contents: &Contents<'_>, job: &Job, place: usize) -> Markup {
    let (changes, kit) = act::of_job(contents, job);
    let idle = idle_after(contents, job);
    html! {
        article.sheet id={"sheet-" (place + 1)} {
            h3 { (pieces::name(&job.name)) }
            p.sub {
                (format::date(job.start)) " to " (format::date(job.end)) ", "
                (format::hours(job.hours)) " operating hours on each of "
                (format::plural(job.machines.len() as u64, "machine")) "."
                @if place >= act::SOON {
                    " As things stood on " (format::date(contents.analysis.stock.as_of)) ": print it again before you leave."
                }
            }
            p.safety { strong { "Safety first. " } (SAFETY) }
            div.two {
                div {
                    h4 { "Change before we leave" span.beforehand { (BEFOREHAND) } }
                    @if changes.is_empty() { p { "Nothing advised." } }
                    @if !changes.is_empty() {
                        table.todo {
                            thead { tr {
                                th scope="col" { span.hidden { "Done" } }
                                th scope="col" { "Machine" }
                                th scope="col" { "Part" }
                                th.n scope="col" { "Age, h" }
                                th.n scope="col" { "Worn out in the job if left" }
                            } }
                            tbody {
                                @for c in changes.iter().take(30) {
                                    tr {
                                        td { span.box {} }
                                        th.s scope="row" { (pieces::name(&c.machine)) }
                                        td { (pieces::name(&c.part)) " " (pieces::name(&c.position)) }
                                        td.n { (format::hours(c.age_hours)) }
                                        td.n { (format::percent(c.probability_worn_out)) }
                                    }
                                }
                            }
                        }
                    }
                    @if changes.len() > 30 { p { "and " (format::count(changes.len() as u64 - 30)) " more, see the table of changes." } }
                    (looks(contents, job, &changes))
                    (while_open(contents, job))
                }
                div {
                    h4 { "Carry" }
                    @if kit.is_empty() { p { "No spare advised." } }
                    ul.tick {
                        @for k in &kit {
                            li { (act::kit_line(k)) ", enough with " (format::percent(k.probability_enough)) }
                        }
                    }
                    h4 { "Workshop" span.beforehand { (BEFOREHAND) } }
                    ul.tick {
                        (tension_line(contents, job))
                        li { "Anti-seize on the roller shafts (common practice)." }
                        @if !idle.is_empty() {
                            li {
                                "Idle for a week or more after this job: "
                                @for (i, machine) in idle.iter().take(12).enumerate() { @if i > 0 { ", " } (pieces::name(machine)) }
                                @if idle.len() > 12 { " and " (format::count(idle.len() as u64 - 12)) " more" }
                                ". When they are laid up, put 3 drops of air-tool oil in each large air terminal (common practice)."
                            }
                        }
                        li { "A slot screwdriver and a 9/16 in socket do the work (common practice)." }
                    }
                }
            }
            (blanks(job, place))
        }
    }
}

/// Parts that deserve a look before or in this job, the earliest first.
fn looks(contents: &Contents<'_>, job: &Job, changes: &[&ChangeDecision]) -> Markup {
    let stock = &contents.analysis.stock;
    let changed = |part: &str, look: &NextLook| {
        changes
            .iter()
            .any(|c| c.part == part && c.machine == look.machine && c.position == look.position)
    };
    let mut due: Vec<(&str, &NextLook)> = (stock.inspections.iter())
        .flat_map(|found| found.fitted.iter().map(|look| (found.part.as_str(), look)))
        .filter(|(part, look)| look.job.as_ref() == Some(&job.name) && !changed(part, look))
        .collect();
    due.sort_by_key(|(_, look)| look.by);
    html! {
        @if !due.is_empty() {
            p {
                b { "Look at" } (BEFOREHAND) ": "
                @for (i, (part, look)) in due.iter().take(LOOKS).enumerate() {
                    @if i > 0 { "; " }
                    (fitted(&look.machine, part, &look.position))
                    @if let Some(by) = look.by {
                        @if by <= job.start { " before the start" } @else { " by " (format::day_month(by)) }
                    }
                }
                @if due.len() > LOOKS { "; and " (format::count((due.len() - LOOKS) as u64)) " more, see the table of next looks" }
                "."
            }
        }
    }
}

/// A part where it is fitted; the position is left out where it is the only one.
fn fitted(machine: &str, part: &str, position: &str) -> Markup {
    html! {
        (pieces::name(machine)) " " (pieces::name(part))
        @if position != "1" { " " (pieces::name(position)) }
    }
}

/// Parts worth changing if their machine is stopped and open for another one halfway through the job.
fn while_open(contents: &Contents<'_>, job: &Job) -> Markup {
    let halfway = |c: &ChangeDecision| {
        let ahead = contents.analysis.outlook.hours_in(&c.machine, &c.job);
        c.age_hours + 0.5 * ahead
    };
    let old_enough = |c: &&ChangeDecision| {
        c.job == job.name
            && c.advice == Advice::RunOn
            && (c.change_if_open_from).is_some_and(|from| halfway(c) >= from)
    };
    let changes = contents.analysis.stock.changes.iter();
    let mut parts: Vec<&ChangeDecision> = changes.filter(old_enough).collect();
    parts.sort_by(|a, b| b.probability_worn_out.total_cmp(&a.probability_worn_out));
    html! {
        @if !parts.is_empty() {
            p {
                b { "If the machine stops for another part, change too" }
                (BEFOREHAND) ", halfway through the job and with a spare beyond the kit: "
                @for (i, c) in parts.iter().take(LOOKS).enumerate() {
                    @if i > 0 { "; " }
                    (fitted(&c.machine, &c.part, &c.position))
                }
                @if parts.len() > LOOKS { "; and " (format::count((parts.len() - LOOKS) as u64)) " more, see the table of changes" }
                "."
            }
        }
    }
}

/// Machines of the job whose belt was last read outside the band.
fn off_target(contents: &Contents<'_>, job: &Job) -> Markup {
    let off = tables::last_off_target(contents.analysis);
    html! {
        @for (check, word) in off.iter().filter(|(check, _)| job.machines.contains(&check.machine)).take(MACHINES) {
            " " b { (pieces::name(&check.machine)) " was " (word) " when last read." }
        }
    }
}

fn tension_line(contents: &Contents<'_>, job: &Job) -> Markup {
    let practice = contents.analysis.fleet.practice;
    let (low, high, aim, unit) = match practice {
        Some(p) => {
            let [low, high, aim] =
                [p.band_low_in, p.band_high_in, p.target_in].map(|v| v * p.unit.per_inch());
            (low, high, aim, p.unit)
        }
        None => (0.2, 0.3, 0.25, LengthUnit::In),
    };
    let show = format::length;
    let force = match unit {
        LengthUnit::In => "5 lbf",
        LengthUnit::Mm => "5 lbf (22 N)",
    };
    let unit = unit.symbol();
    html! {
        li {
            "Belt tension of each machine: under " (force) " the belt gives " (show(low)) " to " (show(high)) " " (unit)
            "; aim for " (show(aim)) " " (unit) " (common practice)."
            @if practice.is_none() { " fleet.toml states no practice of your own." }
            (off_target(contents, job))
        }
    }
}

/// Machines of the job that the schedule then leaves standing for a week or more before their
/// next job, or with no further job at all.
fn idle_after<'a>(contents: &Contents<'a>, job: &'a Job) -> Vec<&'a str> {
    let jobs = &contents.analysis.fleet.jobs;
    let stands = |machine: &String| {
        let later = jobs
            .iter()
            .filter(|j| j.start > job.end && j.machines.contains(machine));
        let at_work = jobs.iter().any(|j| {
            j.name != job.name
                && j.machines.contains(machine)
                && j.start <= job.end
                && j.end > job.end
        });
        let next = later.map(|j| j.start).min();
        let days = |next| {
            job.end
                .until((Unit::Day, next))
                .map_or(0, |span| span.get_days())
        };
        !at_work && next.is_none_or(|next| days(next) > LAID_UP)
    };
    job.machines
        .iter()
        .filter(|m| stands(m))
        .map(String::as_str)
        .collect()
}

/// What to write down on the way.
fn blanks(job: &Job, place: usize) -> Markup {
    html! {
        div.scroll tabindex="0" role="region" aria-label={"To write down, sheet " (place + 1)} { table.blanks {
            caption { "Write down, for every part that comes out" }
            thead { tr {
                @for heading in ["Machine", "Hour meter out", "Hour meter back", "Belt deflection found, and left", "Part and position changed", "Hour meter then", "Reason (worn, or in a word why else)"] {
                    th scope="col" { (heading) }
                }
            } }
            tbody {
                @for machine in job.machines.iter().take(MACHINES) {
                    tr { th scope="row" { (pieces::name(machine)) } @for _ in 0..6 { td {} } }
                }
                @for _ in 0..3 { tr { th scope="row" { span.hidden { "further part" } } @for _ in 0..6 { td {} } } }
            }
        } }
        p.signed { "Checked by" span.line {} "Day" span.line {} }
    }
}
