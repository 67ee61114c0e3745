//! Changes whose position is not told → the ways in which they can belong to the positions.
//!
//! A machine carries m parts of one kind; some rows say that one of them was changed and not which.
//! From the first such row on, each may have ended the life in any position. The ways are laid out in
//! layers, one a change. A state says since when each part now in has been in; a choice ends one of
//! these lives. States with the same parts in are one: where no later row names the positions, only
//! the collection of what is in counts, and parts alike are counted as ways. A position leaves once
//! it is named after the last such row: from there its lives are told.

use std::cmp::Ordering;
use std::collections::HashMap;

use foldhash::fast::RandomState;

use super::chain::{End, Event, What};
use super::events::{Chain, in_order};
use super::unplaced::{Choice, NO_LIFE, NotSummed, PossibleLife, StillIn, Ways};
use crate::meters::{MachineMeter, MeterPoint};

/// Choices of one machine up to which its ways are laid out.
const MOST_CHOICES: usize = 60_000;

/// What the ways of one part kind on one machine are laid out from.
pub(super) struct Laying<'a> {
    pub(super) meter: MachineMeter<'a>,
    pub(super) chains: &'a [Chain],
    /// Changes of no told position, in order.
    pub(super) untold: &'a [Event],
    /// Where the meter stood when the machine was first seen, with records being kept.
    pub(super) from: Option<MeterPoint>,
    /// Where the meter stands at the end of the records, and whether that is the day we look from.
    pub(super) until: Option<MeterPoint>,
    pub(super) up_to_date: bool,
}

/// The ways, and what they hold.
#[derive(Debug, Default)]
pub(super) struct Laid {
    pub(super) ways: Ways,
    /// Changes in them, as places in the fleet's replacements, with their ends.
    pub(super) ended: Vec<(usize, End)>,
    /// How many of these ended at a known reading.
    pub(super) exactly: u32,
    /// Chains of which it is not told since when their part is in.
    pub(super) open: Vec<usize>,
    pub(super) unknown_start: u32,
    pub(super) retired: bool,
}

/// Since when a part is in.
#[derive(Debug, Clone, Copy)]
struct Birth {
    /// `None`: since before its machine was first seen.
    point: Option<MeterPoint>,
    /// Age at that point.
    age: f64,
}

/// A part that is in: its birth and the last look that found it good, as places in their lists.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
struct In {
    birth: u32,
    /// 0: none.
    look: u32,
}

/// The parts that are in: by position where a later row names it, the others in order.
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
struct State {
    named: Vec<Option<In>>,
    free: Vec<In>,
}

/// What becomes of a named position after a step.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Then {
    /// It is named again.
    Named,
    /// It is not named again.
    Free,
    /// Its lives are told from here on.
    Told,
}

/// One event of the stretch.
struct Step<'a> {
    event: &'a Event,
    point: MeterPoint,
    /// Position, with what becomes of it.
    place: Option<(usize, Then)>,
    /// How a life ended; `None` for a look.
    end: Option<End>,
    /// The life it ends is told and counted by itself.
    told: bool,
}

/// All that lies between the first and the last change of no told position.
struct Stretch<'a> {
    /// What was in before, by chain.
    before: Vec<(Birth, Option<MeterPoint>)>,
    steps: Vec<Step<'a>>,
    open: Vec<usize>,
    /// The last parts came out when the machine left service.
    retired: bool,
    /// Where the meter stood then, or stands at the end of the records.
    end: Option<MeterPoint>,
}

impl<'a> Laying<'a> {
    pub(super) fn lay(&self) -> Result<Laid, NotSummed> {
        let stretch = self.stretch()?;
        let mut builder = Builder {
            meter: self.meter,
            from: self.from,
            births: Vec::new(),
            looks: vec![None],
            ways: Ways::default(),
            known: HashMap::default(),
            choices: 0,
        };
        let states = builder.layers(&stretch)?;
        let end = stretch.end.ok_or(NotSummed::Meter)?;
        for state in &states {
            let parts = state.free.iter();
            let mut last: Vec<StillIn> = parts
                .map(|part| builder.still_in(*part, &end, self.up_to_date))
                .collect::<Result<_, _>>()?;
            let key = |part: &StillIn| (part.age.is_none(), part.age.unwrap_or(part.seen));
            last.sort_by(|a, b| {
                let (a, b) = (key(a), key(b));
                a.0.cmp(&b.0).then(a.1.total_cmp(&b.1))
            });
            builder.ways.last.push(last);
        }
        let counted = stretch.steps.iter().filter(|step| !step.told);
        let mut laid = Laid {
            unknown_start: stretch
                .before
                .iter()
                .filter(|b| b.0.point.is_none())
                .count() as u32,
            open: stretch.open,
            retired: stretch.retired,
            ..Laid::default()
        };
        for (step, end) in counted.filter_map(|step| Some((step, step.end?))) {
            laid.ended
                .extend(step.event.record.map(|record| (record, end)));
            builder.ways.worn += u32::from(matches!(end, End::Worn | End::FoundWorn));
            laid.exactly += u32::from(end == End::Worn && step.point.is_exact());
        }
        laid.ways = builder.ways;
        Ok(laid)
    }

    /// The events that bear on what is not told.
    fn stretch(&self) -> Result<Stretch<'a>, NotSummed> {
        let (Some(first), Some(last)) = (self.untold.first(), self.untold.last()) else {
            return Err(NotSummed::Ends);
        };
        let after = |event: &Event, than: &Event| in_order(event, than) == Ordering::Greater;
        let mut stretch = Stretch {
            before: Vec::new(),
            steps: Vec::new(),
            open: Vec::new(),
            retired: false,
            end: self.until,
        };
        for (place, chain) in self.chains.iter().enumerate() {
            stretch.before.push(in_before(&chain.events, first)?);
            stretch.open.push(place);
            for event in chain.events.iter().filter(|event| after(event, first)) {
                let end = match event.what {
                    What::Change(
                        end @ (End::Worn | End::FoundWorn | End::Unworn | End::Unknown),
                    ) => Some(end),
                    What::LookedGood => None,
                    What::Untold => continue,
                    What::Retired if after(event, last) => {
                        (stretch.retired, stretch.end) = (true, event.point);
                        break;
                    }
                    What::Change(_) | What::Retired => return Err(NotSummed::Ends),
                    What::Gap(_) => return Err(NotSummed::Gap),
                    What::Age(_) => return Err(NotSummed::AgeStated),
                };
                let told_from_here = end.is_some() && after(event, last);
                stretch.steps.push(Step {
                    event,
                    point: event.point.ok_or(NotSummed::Meter)?,
                    place: Some((
                        place,
                        if told_from_here {
                            Then::Told
                        } else {
                            Then::Free
                        },
                    )),
                    end,
                    told: false,
                });
                if told_from_here {
                    stretch.open.pop();
                    break;
                }
            }
        }
        for event in self.untold {
            let What::Change(end) = event.what else {
                continue;
            };
            stretch.steps.push(Step {
                event,
                point: event.point.ok_or(NotSummed::Meter)?,
                place: None,
                end: Some(end),
                told: false,
            });
        }
        stretch.steps.sort_by(|a, b| in_order(a.event, b.event));
        stretch.tidy();
        Ok(stretch)
    }
}

impl Stretch<'_> {
    /// Leaves out looks that bear on nothing, and settles which lives are told and which positions are
    /// named again.
    fn tidy(&mut self) {
        if !self
            .steps
            .iter()
            .any(|step| step.end == Some(End::FoundWorn))
        {
            self.steps.retain(|step| step.end.is_some());
        }
        let places = self.before.len();
        let mut named_again = vec![false; places];
        for step in self.steps.iter_mut().rev() {
            if let Some((place, then)) = &mut step.place {
                if named_again[*place] {
                    *then = Then::Named;
                }
                named_again[*place] = true;
            }
        }
        let mut told = vec![false; places];
        for step in &mut self.steps {
            match step.place {
                None => told.fill(false),
                Some((place, _)) => {
                    step.told = told[place];
                    told[place] |= step.end.is_some();
                }
            }
        }
    }
}

/// The part that was in one position before an event, and the last look that found it good.
fn in_before(events: &[Event], first: &Event) -> Result<(Birth, Option<MeterPoint>), NotSummed> {
    let unknown = Birth {
        point: None,
        age: 0.0,
    };
    let (mut birth, mut look, mut in_doubt) = (unknown, None, false);
    for event in events
        .iter()
        .filter(|e| in_order(e, first) == Ordering::Less)
    {
        match event.what {
            What::Gap(_) => in_doubt = true,
            What::LookedGood => look = event.point.or(look),
            What::Age(age) if birth.point.is_none() => {
                (birth.point, birth.age) = (event.point, age);
                in_doubt = false;
            }
            What::Age(_) | What::Untold => {}
            What::Change(End::Swapped) | What::Retired => return Err(NotSummed::Ends),
            What::Change(_) => {
                let point = event.point.ok_or(NotSummed::Meter)?;
                birth = Birth {
                    point: Some(point),
                    age: 0.0,
                };
                (look, in_doubt) = (None, false);
            }
        }
    }
    if in_doubt {
        return Err(NotSummed::Gap);
    }
    Ok((birth, look))
}

/// States reached by one step, with the choices that lead there.
#[derive(Default)]
struct Reached {
    states: Vec<State>,
    choices: Vec<Vec<Choice>>,
    places: HashMap<State, usize, RandomState>,
}

impl Reached {
    fn by(&mut self, choice: Choice, state: State) {
        let at = self
            .places
            .get(&state)
            .copied()
            .unwrap_or(self.states.len());
        if at == self.states.len() {
            self.places.insert(state.clone(), at);
            self.states.push(state);
            self.choices.push(Vec::new());
        }
        self.choices[at].push(choice);
    }
}

struct Builder<'a> {
    meter: MachineMeter<'a>,
    from: Option<MeterPoint>,
    births: Vec<Birth>,
    looks: Vec<Option<MeterPoint>>,
    ways: Ways,
    /// Lives worked out already, by part and step.
    known: HashMap<(In, usize), Option<u32>, RandomState>,
    choices: usize,
}

impl Builder<'_> {
    /// All layers; gives the states after the last.
    fn layers(&mut self, stretch: &Stretch<'_>) -> Result<Vec<State>, NotSummed> {
        let mut states = vec![self.start(stretch)];
        for (at, step) in stretch.steps.iter().enumerate() {
            let fresh = self.enter(step);
            let mut reached = Reached::default();
            for (from, state) in states.iter().enumerate() {
                match step.place {
                    Some((place, then)) => {
                        self.named(step, at, from, state, (place, then, fresh), &mut reached)?;
                    }
                    None => self.any(step, at, from, state, fresh, &mut reached)?,
                }
            }
            if reached.states.is_empty() {
                return Err(NotSummed::Ends);
            }
            self.choices += reached.choices.iter().map(Vec::len).sum::<usize>();
            if self.choices > MOST_CHOICES {
                return Err(NotSummed::TooMany);
            }
            self.ways.layers.push(reached.choices);
            states = reached.states;
        }
        Ok(states)
    }

    fn start(&mut self, stretch: &Stretch<'_>) -> State {
        let mut state = State {
            named: vec![None; stretch.before.len()],
            free: Vec::new(),
        };
        let looked = stretch.steps.iter().any(|s| s.end == Some(End::FoundWorn));
        for (place, (birth_there, look)) in stretch.before.iter().enumerate() {
            // Parts in since one point are alike.
            let alike = |b: &Birth| b.point == birth_there.point && b.age == birth_there.age;
            let at = self.births.iter().position(alike);
            let birth = at.unwrap_or(self.births.len());
            if at.is_none() {
                self.births.push(*birth_there);
            }
            let seen = look.filter(|_| looked);
            let at = self.looks.iter().position(|l| *l == seen);
            let look = at.unwrap_or(self.looks.len());
            if at.is_none() {
                self.looks.push(seen);
            }
            let part = In {
                birth: birth as u32,
                look: look as u32,
            };
            let named = |step: &Step<'_>| step.place.is_some_and(|(p, _)| p == place);
            if stretch.steps.iter().any(named) {
                state.named[place] = Some(part);
            } else {
                state.free.push(part);
            }
        }
        state.free.sort_unstable();
        state
    }

    /// The part that a change puts in, or the look (with no part).
    fn enter(&mut self, step: &Step<'_>) -> In {
        if step.end.is_some() {
            self.births.push(Birth {
                point: Some(step.point),
                age: 0.0,
            });
        } else {
            self.looks.push(Some(step.point));
        }
        In {
            birth: (self.births.len() - 1) as u32,
            look: 0,
        }
    }

    /// A step at a named position.
    fn named(
        &mut self,
        step: &Step<'_>,
        at: usize,
        from: usize,
        state: &State,
        (place, then, fresh): (usize, Then, In),
        reached: &mut Reached,
    ) -> Result<(), NotSummed> {
        let Some(part) = state.named[place] else {
            return Ok(());
        };
        let (life, now_in) = match step.end {
            None => {
                let look = (self.looks.len() - 1) as u32;
                (NO_LIFE, In { look, ..part })
            }
            Some(_) if step.told => (NO_LIFE, fresh),
            Some(end) => match self.life(part, at, &step.point, end)? {
                Some(life) => (life, fresh),
                None => return Ok(()),
            },
        };
        let mut after = state.clone();
        after.named[place] = (then == Then::Named).then_some(now_in);
        if then == Then::Free {
            after.free.push(now_in);
            after.free.sort_unstable();
        }
        let from = from as u32;
        let choice = Choice {
            from,
            life,
            ways: 1,
        };
        reached.by(choice, after);
        Ok(())
    }

    /// A change at any position: of each part that is in, those alike taken together.
    fn any(
        &mut self,
        step: &Step<'_>,
        at: usize,
        from: usize,
        state: &State,
        fresh: In,
        reached: &mut Reached,
    ) -> Result<(), NotSummed> {
        let Some(end) = step.end else { return Ok(()) };
        let from = from as u32;
        for (place, part) in state.named.iter().enumerate() {
            let Some(part) = *part else { continue };
            if let Some(life) = self.life(part, at, &step.point, end)? {
                let mut after = state.clone();
                after.named[place] = Some(fresh);
                reached.by(
                    Choice {
                        from,
                        life,
                        ways: 1,
                    },
                    after,
                );
            }
        }
        for alike in state.free.chunk_by(|a, b| a == b) {
            if let Some(life) = self.life(alike[0], at, &step.point, end)? {
                let mut after = state.clone();
                let place = after.free.partition_point(|part| *part < alike[0]);
                after.free.remove(place);
                // The newest birth is the last in order.
                after.free.push(fresh);
                let ways = alike.len() as u32;
                reached.by(Choice { from, life, ways }, after);
            }
        }
        Ok(())
    }

    /// The life of a part that a step ends; `None` where it cannot have been this part, which had not
    /// run an hour.
    fn life(
        &mut self,
        part: In,
        at: usize,
        point: &MeterPoint,
        end: End,
    ) -> Result<Option<u32>, NotSummed> {
        if let Some(known) = self.known.get(&(part, at)) {
            return Ok(*known);
        }
        let life = self.life_until(part, point, Some(end))?;
        self.known.insert((part, at), life);
        Ok(life)
    }

    fn life_until(
        &mut self,
        part: In,
        point: &MeterPoint,
        end: Option<End>,
    ) -> Result<Option<u32>, NotSummed> {
        let birth = self.births[part.birth as usize];
        let met = birth.point.is_none();
        let start = birth.point.or(self.from).ok_or(NotSummed::Meter)?;
        let run = self.meter.between(&start, point).ok_or(NotSummed::Meter)?;
        let entry = birth.age;
        let good = match self.looks[part.look as usize] {
            Some(look) => {
                let run = self.meter.between(&start, &look).ok_or(NotSummed::Meter)?;
                run.low + entry
            }
            None => 0.0,
        };
        let (low, high) = match end {
            Some(End::Worn) => (run.low + entry, run.high + entry),
            Some(End::FoundWorn) => (good, run.high + entry),
            _ => (run.low + entry, f64::INFINITY),
        };
        let low = low.max(entry);
        if run.high <= 0.0 {
            // What was in when its machine was first seen may come out there and then; a part that
            // has just gone in does not.
            return Ok((met || entry > 0.0 || end.is_none()).then_some(NO_LIFE));
        }
        if high == f64::INFINITY && low <= entry {
            return Ok(Some(NO_LIFE));
        }
        let life = PossibleLife {
            low,
            high,
            entry,
            met,
        };
        self.ways.lives.push(life);
        Ok(Some((self.ways.lives.len() - 1) as u32))
    }

    fn still_in(
        &mut self,
        part: In,
        end: &MeterPoint,
        up_to_date: bool,
    ) -> Result<StillIn, NotSummed> {
        let known = (part, usize::MAX);
        let life = if let Some(life) = self.known.get(&known) {
            *life
        } else {
            let life = self.life_until(part, end, None)?;
            self.known.insert(known, life);
            life
        };
        let birth = self.births[part.birth as usize];
        let start = birth.point.or(self.from).ok_or(NotSummed::Meter)?;
        let run = self.meter.between(&start, end).ok_or(NotSummed::Meter)?;
        let aged = birth.point.is_some() && up_to_date;
        Ok(StillIn {
            life: life.unwrap_or(NO_LIFE),
            age: aged.then_some(run.best + birth.age),
            seen: run.low,
        })
    }
}
