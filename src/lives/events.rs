//! Replacement records of one part on one machine → what happened to each position.

use std::cmp::Ordering;
use std::collections::{BTreeMap, BTreeSet, HashMap};
use std::ops::Range;

use foldhash::fast::RandomState;
use jiff::civil::Date;

use super::chain::{End, Event, What};
use crate::meters::{MachineMeter, Meters};
use crate::records::positions;
use crate::records::{
    ChangedHow, Disposition, Fleet, Gap, Part, Problem, Replacement, RowRef, Text, Verdict,
};

/// Name of the chain of a part that is changed as a set.
pub(super) const SET: &str = "set";

/// What happened to one position, or to the one set.
#[derive(Debug)]
pub(super) struct Chain {
    pub(super) name: Text,
    /// Events, in order once they are all there.
    pub(super) events: Vec<Event>,
    /// A row of which not even the day is known may be a change anywhere in it.
    in_doubt: bool,
    /// A serial number tells the part, or the set as a whole.
    pub(super) numbered: bool,
}

/// Why a change of a position that is not told is set aside, where nothing else was asked for.
pub(super) const NOT_GUESSED: &str = "positions are not guessed";

/// The positions of a part.
#[derive(Debug)]
pub(super) struct Places {
    /// In the order of the catalogue.
    pub(super) positions: Vec<Text>,
    /// Where each stands there.
    pub(super) order: HashMap<Text, usize, RandomState>,
    /// Of its chains, sorted.
    chains: Vec<Text>,
}

impl Places {
    pub(super) fn of(part: &Part) -> Self {
        let positions: Vec<Text> = part.positions.iter().map(Text::from).collect();
        let mut chains = match part.changed {
            ChangedHow::Singly => positions.clone(),
            ChangedHow::AsASet => vec![Text::from(SET)],
        };
        chains.sort_unstable();
        chains.dedup();
        let order = positions.iter().copied().zip(0..).collect();
        Self {
            positions,
            order,
            chains,
        }
    }
}

/// Sorts the records of one part on one machine into chains.
pub(super) struct Sorting<'a> {
    pub(super) fleet: &'a Fleet,
    pub(super) meters: &'a Meters,
    pub(super) meter: MachineMeter<'a>,
    pub(super) machine: Text,
    pub(super) part: &'a Part,
    pub(super) places: &'a Places,
    /// Where its records stand in the fleet's replacements.
    pub(super) records: Range<usize>,
    /// Rows set aside while reading that may be changes of this part on this machine.
    pub(super) gaps: Vec<&'a Gap>,
    pub(super) chains: Vec<Chain>,
    /// Why changes of a position that is not told are set aside; `None`: they are kept in `untold`.
    pub(super) not_summed: Option<&'static str>,
    /// Changes of a position that is not told, in order once they are all there.
    pub(super) untold: Vec<Event>,
    /// Records set aside here, with the reason.
    pub(super) set_aside: Vec<(usize, Problem)>,
    /// Problems that set nothing aside.
    pub(super) flagged: Vec<Problem>,
}

impl<'a> Sorting<'a> {
    pub(super) fn new(
        fleet: &'a Fleet,
        meters: &'a Meters,
        machine: Text,
        part: &'a Part,
        places: &'a Places,
        records: Range<usize>,
    ) -> Self {
        let room = records.len() / places.chains.len().max(1) + 2;
        Self {
            fleet,
            meters,
            meter: meters.of(machine),
            machine,
            part,
            places,
            records,
            gaps: Vec::new(),
            chains: places
                .chains
                .iter()
                .map(|&name| Chain {
                    name,
                    events: Vec::with_capacity(room),
                    in_doubt: false,
                    numbered: true,
                })
                .collect(),
            not_summed: Some(NOT_GUESSED),
            untold: Vec::new(),
            set_aside: Vec::new(),
            flagged: Vec::new(),
        }
    }

    /// All events of this part on this machine.
    pub(super) fn run(&mut self) {
        let mut changes: Vec<usize> = Vec::with_capacity(self.records.len());
        for index in self.records.clone() {
            let point = self.meters.point_of(self.fleet, index);
            if let Some(problem) = self.meters.problem_of(index) {
                self.set_aside.push((index, problem.clone()));
                self.gap_at(index);
            } else if point.is_none() {
                self.leave_out(
                    index,
                    "no_meter",
                    "hours",
                    "a meter reading in the row, or readings of this machine before and after",
                    "Give the machine's meter readings in [[readings]], or state hours_per_day for it.",
                );
            } else {
                if point.is_some_and(|p| !p.is_exact()) {
                    self.flagged.push(Problem {
                        code: "hours_from_neighbours".into(),
                        disposition: Disposition::Flagged,
                        rows: self.rows(index),
                        column: Some("hours".into()),
                        found: Some("no reading".into()),
                        allowed: None,
                        advice: "Used with bounds from the machine's readings before and after, so these lives are known within bounds only; give the reading if there is one.".into(),
                    });
                }
                changes.push(index);
            }
        }
        match self.part.changed {
            ChangedHow::Singly => {
                for index in changes {
                    self.singly(index);
                }
            }
            ChangedHow::AsASet => self.sets(&changes),
        }
        self.stated_ages();
        self.unread_gaps();
        for chain in &mut self.chains {
            chain.events.sort_by(in_order);
        }
        self.untold.sort_by(in_order);
        self.merge_near_duplicates();
    }

    fn record(&self, index: usize) -> &'a Replacement {
        &self.fleet.replacements[index]
    }

    /// Rows it was read from.
    fn rows(&self, index: usize) -> Vec<RowRef> {
        self.fleet.rows_of(self.record(index)).collect()
    }

    fn singly(&mut self, index: usize) {
        let record = self.record(index);
        let places = self.places;
        let names = &places.positions;
        if let [only] = names[..] {
            self.change(index, only, end_of(record));
            return;
        }
        let quantity = record.quantity.map_or(0, |q| u32::from(q.get()));
        let all = quantity == self.part.per_machine && record.verdict != Verdict::InspectedOk;
        match record.position {
            Some(position) if names.contains(&position) => {
                if quantity > 1 {
                    self.leave_out(
                        index,
                        "many_at_one_position",
                        "quantity",
                        "1, or no position",
                        "Give each changed position its own row.",
                    );
                } else {
                    self.change(index, position, end_of(record));
                }
            }
            Some(told) if positions::is_all(&told) => self.several(index, names),
            Some(told) => {
                let listed: Vec<Text> = positions::listed(told.as_str())
                    .filter_map(|piece| names.iter().find(|name| name.eq_ignore_ascii_case(piece)))
                    .copied()
                    .collect();
                let distinct: BTreeSet<Text> = listed.iter().copied().collect();
                if listed.len() > 1 && distinct.len() == positions::listed(told.as_str()).count() {
                    self.several(index, &distinct);
                } else {
                    self.leave_out(
                        index,
                        "unknown_position",
                        "position",
                        &self.part.positions.join(", "),
                        "Correct the position, or list the part's positions in fleet.toml.",
                    );
                }
            }
            None if all => self.several(index, names),
            None => self.position_not_told(index, quantity),
        }
    }

    /// A change of no told position: one that the ways are summed over, or set aside.
    fn position_not_told(&mut self, index: usize, quantity: u32) {
        let record = self.record(index);
        let worn = record.worn_count.map(u32::from);
        let ends = match (record.verdict, quantity.max(1), worn) {
            (Verdict::InspectedOk | Verdict::Swapped, _, _) => None,
            (_, n, Some(k)) if k <= n && n < self.part.per_machine => Some((n, k)),
            (Verdict::Unworn | Verdict::Unknown, n, None) => Some((n, 0)),
            (Verdict::Worn | Verdict::FoundWorn, 1, None) => Some((1, 1)),
            _ => None,
        };
        if let (None, Some((parts, worn))) = (self.not_summed, ends) {
            let end = end_of(record);
            let each = (0..parts).map(|part| match end {
                End::Unknown if record.worn_count.is_none() => End::Unknown,
                _ if part >= worn => End::Unworn,
                End::FoundWorn => End::FoundWorn,
                _ => End::Worn,
            });
            let events = each.map(|end| Event {
                date: record.date,
                point: self.meters.point_of(self.fleet, index),
                what: What::Change(end),
                record: Some(index),
            });
            self.untold.extend(events);
            return;
        }
        let why = match self.not_summed {
            Some(why) => why,
            None if record.verdict == Verdict::InspectedOk => "a look tells nothing of the others",
            None => "it leaves open which parts were worn, or puts in one that had run before",
        };
        self.leave_out(
            index,
            "position_not_told",
            "position",
            &self.part.positions.join(", "),
            &format!(
                "A machine has several of this part, so the row must tell which one; {why}.{}",
                if self.not_summed == Some(NOT_GUESSED) {
                    " Or set position_not_told = \"sum over positions\" for this part."
                } else {
                    ""
                }
            ),
        );
    }

    /// Marks the changes of no told position in every chain.
    pub(super) fn mark_untold(&mut self) {
        for chain in &mut self.chains {
            chain.events.extend(self.untold.iter().map(|event| Event {
                what: What::Untold,
                ..*event
            }));
            chain.events.sort_by(in_order);
        }
    }

    /// One row for several positions, each of its own age: only all worn or none tells each one's end.
    fn several<'n>(&mut self, index: usize, names: impl IntoIterator<Item = &'n Text>) {
        let record = self.record(index);
        let names: Vec<Text> = names.into_iter().copied().collect();
        let end = match (record.verdict, record.worn_count) {
            (_, Some(0)) | (Verdict::Unworn | Verdict::InspectedOk, None) => End::Unworn,
            (Verdict::Swapped, None) => End::Swapped,
            (_, Some(k)) if usize::from(k) == names.len() => end_of(record),
            (Verdict::Unknown, None) => End::Unknown,
            _ => End::NotTold,
        };
        if end == End::NotTold {
            self.flag(
                index,
                "which_worn_not_told",
                "Several positions were changed, and the row does not tell which were worn: these lives are left out. Give each position its own row.",
            );
        }
        for name in names {
            self.change(index, name, end);
        }
    }

    /// Rows of one day are one change of the set.
    fn sets(&mut self, changes: &[usize]) {
        let mut by_day: BTreeMap<(Date, u64), Vec<usize>> = BTreeMap::new();
        for &index in changes {
            let hours = self.record(index).hours.get().map_or(0, f64::to_bits);
            by_day
                .entry((self.record(index).date, hours))
                .or_default()
                .push(index);
        }
        for rows in by_day.into_values() {
            let (looks, changes): (Vec<usize>, Vec<usize>) = rows
                .into_iter()
                .partition(|&i| self.record(i).verdict == Verdict::InspectedOk);
            for index in looks {
                self.push(index, Text::from(SET), What::LookedGood);
            }
            if !changes.is_empty() {
                self.set_change(&changes);
            }
        }
    }

    fn set_change(&mut self, rows: &[usize]) {
        let n = self.part.per_machine;
        if rows.len() > 1 {
            // Numbers of single parts: none of them names the set.
            for chain in &mut self.chains {
                chain.numbered = false;
            }
        }
        let positions: BTreeSet<Text> = rows
            .iter()
            .filter_map(|&i| self.record(i).position)
            .filter(|p| n > 1 && self.places.positions.contains(p))
            .collect();
        let quantity: u32 = rows
            .iter()
            .map(|&i| self.record(i).quantity.map_or(0, |q| u32::from(q.get())))
            .sum();
        let partial = (!positions.is_empty() && positions.len() < n as usize)
            || (quantity > 0 && quantity < n && positions.len() < n as usize);
        if partial {
            for &index in rows {
                self.leave_out(
                    index,
                    "part_of_a_set",
                    "quantity",
                    &format!("all {n} of the set"),
                    "The catalogue says that this part is changed as a set; give the rest of the set, or set changed = \"singly\" and tell positions.",
                );
            }
            return;
        }
        let worn_count: Option<u32> = rows
            .iter()
            .filter_map(|&i| self.record(i).worn_count.map(u32::from))
            .reduce(u32::saturating_add);
        let verdicts: Vec<Verdict> = rows.iter().map(|&i| self.record(i).verdict).collect();
        let worn_rows = verdicts
            .iter()
            .filter(|v| matches!(v, Verdict::Worn | Verdict::FoundWorn))
            .count() as u32;
        let each_told = positions.len() == n as usize && rows.len() == n as usize;
        let end = match worn_count {
            Some(0) => End::Unworn,
            Some(k) if n > 1 => End::OfSet(k.min(n)),
            _ if n == 1 => end_of(self.record(rows[0])),
            _ if verdicts.contains(&Verdict::Unknown) => End::Unknown,
            _ if worn_rows == 0 && verdicts.contains(&Verdict::Swapped) => End::Swapped,
            _ if worn_rows == 0 => End::Unworn,
            // One row a position with some worn and some not: that tells how many.
            _ if each_told && worn_rows < n => End::OfSet(worn_rows),
            _ => End::FirstOfSet,
        };
        self.change(rows[0], Text::from(SET), end);
    }

    fn change(&mut self, index: usize, chain: Text, end: End) {
        let what = if self.record(index).verdict == Verdict::InspectedOk {
            What::LookedGood
        } else {
            What::Change(end)
        };
        self.push(index, chain, what);
    }

    fn push(&mut self, index: usize, chain: Text, what: What) {
        let event = Event {
            date: self.record(index).date,
            point: self.meters.point_of(self.fleet, index),
            what,
            record: Some(index),
        };
        if let Some(chain) = self.chains.iter_mut().find(|c| c.name == chain) {
            chain.events.push(event);
        }
    }

    fn leave_out(&mut self, index: usize, code: &str, column: &str, allowed: &str, advice: &str) {
        let record = self.record(index);
        let found = match column {
            "position" => record.position,
            "quantity" => record.quantity.map(|q| q.to_string().into()),
            _ => None,
        };
        self.set_aside.push((
            index,
            Problem {
                code: code.into(),
                disposition: Disposition::SetAside,
                rows: self.rows(index),
                column: Some(column.into()),
                found: Some(found.unwrap_or_else(|| "nothing".into())),
                allowed: Some(allowed.into()),
                advice: advice.into(),
            },
        ));
        self.gap_at(index);
    }

    fn flag(&mut self, index: usize, code: &str, advice: &str) {
        self.flagged.push(Problem {
            code: code.into(),
            disposition: Disposition::Flagged,
            rows: self.rows(index),
            column: None,
            found: None,
            allowed: None,
            advice: advice.into(),
        });
    }

    /// A record that was set aside may have been a change; a look that found a part good was none.
    fn gap_at(&mut self, index: usize) {
        let record = self.record(index);
        if record.verdict != Verdict::InspectedOk {
            self.gap(record.position, Some(record.date), record.row);
        }
    }

    /// Marks a possible change in one chain, or in all where the position is not told.
    fn gap(&mut self, position: Option<Text>, date: Option<Date>, row: RowRef) {
        let told = position.filter(|p| self.chains.iter().any(|c| c.name == *p));
        for chain in &mut self.chains {
            if told.is_some_and(|t| t != chain.name) {
                continue;
            }
            if let Some(date) = date {
                chain.events.push(gap_on(date, row));
            } else if !chain.in_doubt {
                // Not even the day is known: any part of the chain may hide it.
                chain.in_doubt = true;
                let days: BTreeSet<Date> = chain
                    .events
                    .iter()
                    .map(|e| e.date)
                    .chain([Date::MIN, self.fleet.as_of])
                    .collect();
                chain
                    .events
                    .extend(days.into_iter().map(|date| gap_on(date, row)));
            }
        }
    }

    fn unread_gaps(&mut self) {
        for gap in std::mem::take(&mut self.gaps) {
            if gap.machine.is_none() && !self.fits_meter(gap) {
                continue;
            }
            let position = gap.position.and_then(|told| {
                self.places
                    .positions
                    .iter()
                    .find(|p| p.eq_ignore_ascii_case(&told))
                    .copied()
            });
            match gap.date {
                Some(date) if date > self.fleet.as_of => {
                    // After the day we look from, unless the meter had passed that reading already.
                    let passed = gap.hours.is_some_and(|hours| {
                        self.meter
                            .hours_at(self.fleet.as_of)
                            .is_some_and(|now| hours < now.low)
                    });
                    if passed {
                        self.gap(position, None, gap.row);
                    }
                }
                date => self.gap(position, date, gap.row),
            }
        }
    }

    /// Whether a row without a machine could be one of this machine, by its reading.
    fn fits_meter(&self, gap: &Gap) -> bool {
        let (Some(date), Some(hours)) = (gap.date, gap.hours) else {
            return true;
        };
        self.meter
            .shown_at(date)
            .is_none_or(|shown| (shown.low..=shown.high).contains(&hours))
    }

    /// Two changes without an hour between them are one, written down twice: what it found is
    /// unknown where they differ. Different serial numbers make them two.
    fn merge_near_duplicates(&mut self) {
        let fleet = self.fleet;
        for chain in &mut self.chains {
            if !chain
                .events
                .windows(2)
                .any(|pair| same_change(&pair[0], &pair[1]))
            {
                continue;
            }
            let mut kept: Vec<Event> = Vec::with_capacity(chain.events.len());
            for event in chain.events.drain(..) {
                let twice = kept.last_mut().filter(|last| same_change(last, &event));
                let (Some(last), Some(second)) = (twice, event.record) else {
                    kept.push(event);
                    continue;
                };
                let Some(first) = last.record else { continue };
                let (a, b) = (&fleet.replacements[first], &fleet.replacements[second]);
                let differ =
                    |a: Option<Text>, b: Option<Text>| a.is_some_and(|a| b.is_some_and(|b| a != b));
                if differ(a.serial, b.serial) || differ(a.serial_out, b.serial_out) {
                    kept.push(event);
                    continue;
                }
                if last.what != event.what {
                    last.what = What::Change(End::Unknown);
                }
                self.flagged.push(Problem {
                    code: "near_duplicate".into(),
                    disposition: Disposition::Flagged,
                    rows: fleet.rows_of(a).chain(fleet.rows_of(b)).collect(),
                    column: None,
                    found: None,
                    allowed: None,
                    advice: "Two rows for one position at one meter reading are taken as one change; where they differ in what they found, it counts as unknown. Remove one of them.".into(),
                });
            }
            chain.events = kept;
        }
    }

    fn stated_ages(&mut self) {
        let facts = self.fleet.facts(&self.machine);
        let mut ages: Vec<(Option<String>, Date, f64)> = Vec::new();
        if let Some(day) = facts.and_then(|f| f.new_on) {
            ages.push((None, day, 0.0));
        }
        let known = &self.fleet.known_ages;
        let from = known.partition_point(|a| a.machine.as_str() < self.machine.as_str());
        for age in known[from..]
            .iter()
            .take_while(|a| a.machine == self.machine)
            .filter(|a| a.part == self.part.name)
        {
            ages.push((age.position.clone(), age.date, age.age_hours));
        }
        for (position, date, age) in ages {
            let point = self.meter.point_at(date);
            for chain in &mut self.chains {
                if position
                    .as_ref()
                    .is_none_or(|p| p.eq_ignore_ascii_case(&chain.name) || chain.name == SET)
                {
                    chain.events.push(Event {
                        date,
                        point,
                        what: What::Age(age),
                        record: None,
                    });
                }
            }
        }
        if let Some(day) = facts.and_then(|f| f.retired_on)
            && day <= self.fleet.as_of
        {
            let point = self.meter.point_at(day);
            for chain in &mut self.chains {
                chain.events.push(Event {
                    date: day,
                    point,
                    what: What::Retired,
                    record: None,
                });
            }
        }
    }
}

/// Events by day, then by meter, then by row.
pub(super) fn in_order(a: &Event, b: &Event) -> Ordering {
    let meter = |event: &Event| order_of(event.point.as_ref());
    a.date
        .cmp(&b.date)
        .then_with(|| meter(a).total_cmp(&meter(b)))
        .then_with(|| a.record.cmp(&b.record))
}

fn end_of(record: &Replacement) -> End {
    match record.verdict {
        Verdict::Worn => End::Worn,
        Verdict::FoundWorn => End::FoundWorn,
        Verdict::Unworn | Verdict::InspectedOk => End::Unworn,
        Verdict::Swapped => End::Swapped,
        Verdict::Unknown => End::Unknown,
    }
}

/// Two changes at one reading within a week.
fn same_change(first: &Event, second: &Event) -> bool {
    let (Some(a), Some(b)) = (first.point, second.point) else {
        return false;
    };
    matches!(
        (&first.what, &second.what),
        (What::Change(_), What::Change(_))
    ) && a.is_exact()
        && a == b
        && (second.date - first.date).get_days() <= 7
}

fn gap_on(date: Date, row: RowRef) -> Event {
    Event {
        date,
        point: None,
        what: What::Gap(row),
        record: None,
    }
}

/// Ages and gaps (which have no record) come before the changes of their day only by their meter.
fn order_of(point: Option<&crate::meters::MeterPoint>) -> f64 {
    point.map_or(f64::NEG_INFINITY, crate::meters::MeterPoint::order)
}
