//! What the records hold and what is wrong with them, as text for a planner.

use std::collections::{BTreeMap, HashMap};
use std::fmt::Write;

use super::{Cell, Table, format, text, wrapped};
use crate::lives::{Cost, Life, Lives, Tally, Unplaced};
use crate::meters::TurnedBack;
use crate::records::{Disposition, Fleet, Problem, RowRef};

/// Rows shown of each kind of problem.
const SHOWN: usize = 5;
/// Hours in a day: no meter runs faster.
const HOURS_PER_DAY: f64 = 24.0;
/// Lives listed one by one.
const LISTED: usize = 2_000;

/// Problems of one kind with one thing to do about them.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct ProblemGroup<'a> {
    /// Kind of problem.
    pub code: &'a str,
    /// What happened to the rows.
    pub disposition: Disposition,
    /// How many problems.
    pub count: usize,
    /// What to do about all of them.
    pub advice: &'a str,
    /// What they cost.
    pub costs: Costs,
    /// The problems.
    pub problems: Vec<&'a Problem>,
}

/// Lives that problems cost.
#[derive(Debug, Clone, Copy, Default, PartialEq, serde::Serialize)]
pub struct Costs {
    /// Lives left out.
    pub lives: u64,
    /// Those of them that the rows call worn.
    pub worn: u64,
    /// Their hours, as far as they can be told.
    pub hours: f64,
}

impl Costs {
    fn add(&mut self, cost: &Cost) {
        self.lives += u64::from(cost.lives);
        self.worn += u64::from(cost.worn);
        self.hours += cost.hours;
    }

    fn sentence(self) -> Option<String> {
        (self.lives > 0).then(|| {
            format!(
                "Costs {} ({} worn, {} in all).",
                format::lives(self.lives, "").replace("  ", " "),
                format::count(self.worn),
                format::plural(self.hours.round() as u64, "hour")
            )
        })
    }
}

/// Problems grouped by what to do, worst first: what is set aside before what is flagged before
/// what is merged, and within each what costs most hours of life, then the most frequent.
pub fn problem_groups<'a>(problems: &'a [Problem], costs: &[Cost]) -> Vec<ProblemGroup<'a>> {
    let mut by_row: HashMap<RowRef, Costs> = HashMap::new();
    for cost in costs {
        by_row.entry(cost.row).or_default().add(cost);
    }
    let mut groups: BTreeMap<(Disposition, &str, &str), Vec<&Problem>> = BTreeMap::new();
    for problem in problems {
        groups
            .entry((
                problem.disposition,
                problem.code.as_str(),
                problem.advice.as_str(),
            ))
            .or_default()
            .push(problem);
    }
    let rank = |d: Disposition| match d {
        Disposition::SetAside => 0,
        Disposition::Flagged => 1,
        Disposition::Merged => 2,
    };
    let mut groups: Vec<ProblemGroup<'_>> = groups
        .into_iter()
        .map(|((disposition, code, advice), problems)| ProblemGroup {
            code,
            disposition,
            count: problems.len(),
            advice,
            // The lives across a gap are counted with the row that makes the gap.
            costs: if code == "life_across_a_gap" {
                Costs::default()
            } else {
                costs_of(&problems, &mut by_row)
            },
            problems,
        })
        .collect();
    groups.sort_by_key(|g| {
        let hours = std::cmp::Reverse(g.costs.hours.round() as u64);
        (rank(g.disposition), hours, std::cmp::Reverse(g.count))
    });
    groups
}

/// Each row's costs are counted once.
fn costs_of(problems: &[&Problem], by_row: &mut HashMap<RowRef, Costs>) -> Costs {
    let mut all = Costs::default();
    for cost in problems
        .iter()
        .filter_map(|problem| by_row.remove(problem.rows.first()?))
    {
        all.lives += cost.lives;
        all.worn += cost.worn;
        all.hours += cost.hours;
    }
    all
}

/// What would change if parts that came out for reasons nobody maps, or that two rows tell
/// differently, had been worn.
fn doubts(fleet: &Fleet, tallies: &[Tally]) -> Option<Table> {
    let mut table = Table::new("doubts", "If the doubtful parts had been worn")
        .words("part", "Part")
        .figures("doubtful", "Doubtful")
        .figures("worn", "Worn as used")
        .figures("worn_otherwise", "Worn otherwise")
        .figures("hours", "Hours a worn part as used")
        .figures("hours_otherwise", "Otherwise");
    let mut any = false;
    for (part, tally) in fleet.parts.iter().zip(tallies) {
        let (doubtful, worn, hours) = (tally.unknown_reason, tally.worn, tally.hours);
        if doubtful == 0 {
            continue;
        }
        any = true;
        let each = |worn: u64| (worn > 0).then(|| hours / worn as f64);
        table.push(vec![
            Cell::text(&part.name),
            Cell::Count(doubtful),
            Cell::Count(worn),
            Cell::Count(worn + doubtful),
            Cell::maybe(each(worn), Cell::Hours),
            Cell::maybe(each(worn + doubtful), Cell::Hours),
        ]);
    }
    table.note("Hours a worn part: hours seen over worn lives. The truth lies between the two; map the reasons to know it.");
    any.then_some(table)
}

/// What the lives of a part come to.
#[derive(Debug, Clone, Copy, Default, PartialEq, serde::Serialize)]
pub struct Sums {
    /// Lives.
    pub lives: u64,
    /// Those that wore out.
    pub worn: u64,
    /// Hours seen.
    pub hours: f64,
}

/// What a part's lives come to with near names taken in each way.
#[derive(Debug, Clone, PartialEq, serde::Serialize)]
pub struct NearNameSums {
    /// Part.
    pub part: String,
    /// Rows with such names set aside.
    pub as_used: Sums,
    /// Such names taken as those they are near to.
    pub as_meant: Sums,
    /// Such names taken as machines and parts of their own.
    pub as_others: Sums,
}

/// What the lives of each part come to, in the order of the catalogue.
pub fn sums_by_part(fleet: &Fleet, lives: &Lives) -> Vec<Sums> {
    let sums = |tally: Tally| Sums {
        lives: tally.lives(),
        worn: tally.worn,
        hours: tally.hours,
    };
    lives.tallies(&fleet.parts).into_iter().map(sums).collect()
}

/// What would change if names that are nearly those of a machine or part were taken in other ways,
/// each given by the sums of its parts; parts for which nothing would are left out.
pub fn near_name_sums(
    fleet: &Fleet,
    as_used: &Lives,
    as_meant: &[Sums],
    as_others: &[Sums],
) -> Vec<NearNameSums> {
    let as_used = sums_by_part(fleet, as_used);
    fleet
        .parts
        .iter()
        .zip(as_used)
        .zip(as_meant.iter().zip(as_others))
        .map(|((part, as_used), (&as_meant, &as_others))| NearNameSums {
            part: part.name.clone(),
            as_used,
            as_meant,
            as_others,
        })
        .filter(|s| s.as_meant != s.as_used || s.as_others != s.as_used)
        .collect()
}

/// [`near_name_sums`] as a table.
pub fn near_names(sums: &[NearNameSums]) -> Option<Table> {
    let mut table = Table::new("near_names", "If names nearly alike were …")
        .words("part", "Part")
        .words("taken", "Taken")
        .figures("lives", "Lives")
        .figures("worn", "Worn")
        .figures("hours", "Hours a worn part");
    for of_part in sums {
        for (words, sums) in [
            ("set aside, as used", of_part.as_used),
            ("the names they are near to", of_part.as_meant),
            ("machines and parts of their own", of_part.as_others),
        ] {
            let each = (sums.worn > 0).then(|| sums.hours / sums.worn as f64);
            table.push(vec![
                Cell::text(&of_part.part),
                Cell::text(words),
                Cell::Count(sums.lives),
                Cell::Count(sums.worn),
                Cell::maybe(each, Cell::Hours),
            ]);
        }
    }
    table.note("Hours a worn part: hours seen over worn lives. Say which it is with aliases in [[machine]] or [[part]], or list both names there.");
    (!sums.is_empty()).then_some(table)
}

/// Lives of each part, counted by outcome.
pub fn lives_by_part(fleet: &Fleet, lives: &Lives) -> Table {
    by_part(fleet, lives, &lives.tallies(&fleet.parts))
}

fn by_part(fleet: &Fleet, lives: &Lives, tallies: &[Tally]) -> Table {
    let mut table = Table::new("lives_by_part", "Lives")
        .words("part", "Part")
        .figures("lives", "Lives")
        .figures("worn", "Worn")
        .figures("unworn", "Unworn")
        .figures("running", "Running")
        .figures("hours", "Hours seen");
    for (part, tally) in fleet.parts.iter().zip(tallies) {
        table.push(vec![
            Cell::text(&part.name),
            Cell::Count(tally.lives()),
            Cell::Count(tally.worn),
            Cell::Count(tally.unworn),
            Cell::Count(tally.running),
            Cell::Hours(tally.hours),
        ]);
    }
    if lives.unknown_start > 0 {
        table.note(format!(
            "Left out besides: {}, because their age at the start of the records is unknown. State it with \
             [[machine]] new_on, or [[fitted]] date and age_hours.",
            format::plural(u64::from(lives.unknown_start), "life")
        ));
    }
    let untold =
        |of: fn(&Unplaced) -> u32| -> u64 { lives.unplaced.iter().map(|u| u64::from(of(u))).sum() };
    if !lives.unplaced.is_empty() {
        table.note(format!(
            "Among them {}, {} worn, of positions that the rows do not tell: the fit sums over the \
             positions that they can have been in ({} of them were in when the records begin, at an \
             unknown age, and are taken as met at a random moment of their life).",
            format::plural(untold(Unplaced::lives), "life"),
            untold(|u| u.worn + u.worn_between),
            untold(|u| u.unknown_start),
        ));
    }
    let unknown: u64 = tallies.iter().map(|tally| tally.unknown_reason).sum();
    if unknown > 0 {
        table.note(format!(
            "{unknown} of the unworn came out for a reason that nothing maps."
        ));
    }
    table
}

/// Lives one by one, a line each.
pub fn lives_in_short(lives: &[Life]) -> Table {
    let mut table = Table::new("lives", "Lives one by one")
        .words("life", "Life")
        .words("outcome", "Outcome")
        .figures("hours", "Hours")
        .figures("count", "×")
        .figures("start", "In")
        .figures("end", "Out, or seen to");
    for life in lives.iter().take(LISTED) {
        let low = format::hours(life.low);
        let hours = if life.low == life.high || life.high.is_infinite() {
            low
        } else {
            format!("{low}–{}", format::hours(life.high))
        };
        table.push(vec![
            Cell::text(life.id.to_string()),
            Cell::text(life.outcome.word()),
            Cell::text(hours),
            Cell::count(life.count),
            Cell::maybe(life.start, Cell::Date),
            Cell::Date(life.end),
        ]);
    }
    if lives.len() > LISTED {
        table.note(format!(
            "Listed: the first {LISTED} of {} lives.",
            format::count(lives.len() as u64)
        ));
    }
    table.note(
        "A range of hours: it wore out somewhere in between. The rows behind a life can be \
         traced, and all lives written to a file: this command's help says how.",
    );
    table
}

/// Machines with changes of which the rows do not tell the position; `None` where there are none.
pub fn positions_not_told(unplaced: &[Unplaced]) -> Option<Table> {
    let mut table = Table::new("positions_not_told", "Positions not told")
        .words("life", "Lives")
        .words("positions", "Positions")
        .figures("worn", "Worn")
        .figures("unworn", "Unworn")
        .figures("running", "Running")
        .figures("hours", "Hours seen")
        .figures("states", "Ways it may stand now");
    for one in unplaced.iter().take(LISTED) {
        let positions: Vec<&str> = one.positions.iter().map(|p| p.as_str()).collect();
        table.push(vec![
            Cell::text(&one.id),
            Cell::text(positions.join(", ")),
            Cell::count(one.worn + one.worn_between),
            Cell::count(one.unworn),
            Cell::count(one.running),
            Cell::Hours(one.hours),
            Cell::count(one.states as u32),
        ]);
    }
    if unplaced.len() > LISTED {
        table.note(format!(
            "Listed: the first {LISTED} of {}.",
            format::count(unplaced.len() as u64)
        ));
    }
    table.note(
        "No life of these has an age of its own, so they stand in no lives file. Their rows \
         can be traced: this command's help says how.",
    );
    (!unplaced.is_empty()).then_some(table)
}

/// The whole check as text; `near` is what would change with near names taken in other ways.
pub fn check(fleet: &Fleet, lives: &Lives, near: &[NearNameSums], notes: &[String]) -> String {
    let rows = lives.rows;
    let mut out = wrapped(
        &format!("{}, as of {}", format::plain(&fleet.name), fleet.as_of),
        "",
        "",
    );
    out.push_str(&wrapped(
        &format!(
            "Rows of the replacement records: {} read = {} used + {} merged + {} set aside.",
            rows.rows_in, rows.used, rows.merged, rows.set_aside
        ),
        "",
        "",
    ));
    out.push('\n');
    let groups = problem_groups(&lives.problems, &lives.costs);
    if rows.rows_in == 0 {
        out.push_str(
            "There are no rows in the replacement records, so there is nothing to work with.\n",
        );
    } else if groups.is_empty() {
        out.push_str("Nothing is wrong with any row.\n");
    } else {
        out.push_str("What to do, the worst first\n");
    }
    for (number, group) in groups.iter().enumerate() {
        let kind = group.code.replace('_', " ");
        let what = match group.disposition {
            Disposition::SetAside => "set aside",
            Disposition::Flagged => "to look at",
            Disposition::Merged => "merged",
        };
        out.push('\n');
        let first = format!("{}. ", number + 1);
        out.push_str(&wrapped(
            &match group.costs.sentence() {
                Some(costs) => format!("{} {what}: {kind}. {costs} {}", group.count, group.advice),
                None => format!("{} {what}: {kind}. {}", group.count, group.advice),
            },
            &first,
            "   ",
        ));
        for problem in group.problems.iter().take(SHOWN) {
            out.push_str(&wrapped(&format::plain(&place(problem)), "   - ", "     "));
        }
        if group.count > SHOWN {
            let _ = writeln!(out, "   - and {} more", group.count - SHOWN);
        }
    }
    out.push_str(&resets_to_declare(&lives.turned_back));
    out.push('\n');
    let tallies = lives.tallies(&fleet.parts);
    out.push_str(&text(&by_part(fleet, lives, &tallies)));
    if let Some(doubts) = doubts(fleet, &tallies) {
        out.push('\n');
        out.push_str(&text(&doubts));
    }
    if let Some(near) = near_names(near) {
        out.push('\n');
        out.push_str(&text(&near));
    }
    if !notes.is_empty() {
        out.push_str("\nSettled without being told\n");
        for note in notes {
            out.push_str(&wrapped(&format::plain(note), "- ", "  "));
        }
    }
    out
}

/// Lines for `fleet.toml` that would declare what a meter that went backwards seems to say: reset to
/// nothing the day after the last good reading, or, where that leaves too little time for what it
/// shows, swapped for one that showed as much. Only a person can know; nothing is declared unasked.
pub fn reset_lines(turned: &TurnedBack) -> String {
    let next = turned.last_day.tomorrow().unwrap_or(turned.day);
    let day = next.min(turned.day);
    let days = f64::from((turned.day - day).get_days()) + 1.0;
    let (day, new_reading) = if turned.hours <= HOURS_PER_DAY * days {
        (day, 0.0)
    } else {
        (turned.day, turned.hours)
    };
    let rolled = [1e3, 1e4, 1e5, 1e6]
        .into_iter()
        .find(|full| turned.last_hours < *full && turned.last_hours > 0.95 * full);
    let rollover = match rolled {
        Some(full) if new_reading == 0.0 => {
            format!("  # if it rolled over: old_reading = {full:?}")
        }
        _ => String::new(),
    };
    format!(
        "[[readings]]\n[[readings.resets]]\nmachine = {}\ndate = {day}  # after {}, up to {}\nnew_reading = {new_reading:?}{rollover}\n\
         # old_reading = {:?}  # what it showed last, at least this; without it the hours lost are bounded\n",
        toml_text(&turned.machine),
        turned.last_day,
        turned.day,
        turned.last_hours,
    )
}

/// A text as TOML writes it.
fn toml_text(text: &str) -> String {
    toml::Value::from(text).to_string()
}

/// What to paste for the meters that went backwards.
fn resets_to_declare(turned_back: &[TurnedBack]) -> String {
    let mut out = String::new();
    if turned_back.is_empty() {
        return out;
    }
    out.push_str(&wrapped(
        "Meters that went backwards: if a meter was reset, swapped or rolled over, put its lines at the end of fleet.toml \
         with the day and the readings corrected. If the reading is a slip, correct it in the export.",
        "\n",
        "",
    ));
    for turned in turned_back.iter().take(SHOWN) {
        out.push('\n');
        out.push_str(&reset_lines(turned));
    }
    if turned_back.len() > SHOWN {
        let _ = writeln!(out, "\nand {} more", turned_back.len() - SHOWN);
    }
    out
}

/// Where a problem is and what stood there.
fn place(problem: &Problem) -> String {
    let mut place: Vec<String> = vec![
        problem
            .rows
            .iter()
            .take(4)
            .map(ToString::to_string)
            .collect::<Vec<_>>()
            .join(" and "),
    ];
    if let Some(column) = &problem.column {
        place.push(format!("column \"{column}\""));
    }
    let mut place = place.join(", ");
    if let Some(found) = &problem.found {
        let _ = write!(place, ": found {found}");
    }
    if let Some(allowed) = &problem.allowed {
        let _ = write!(place, "; allowed is {allowed}");
    }
    place
}
