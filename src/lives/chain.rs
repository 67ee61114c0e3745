//! One position (or one set) through time: what happened there, and the lives that follow from it.

use jiff::civil::Date;

use crate::meters::{HoursBounds, MachineMeter, MeterPoint};
use crate::records::RowRef;

/// What a change found, for the part or parts that came out.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum End {
    /// Worn out just then.
    Worn,
    /// Found worn at a look: worn out at some time since the last one.
    FoundWorn,
    /// Came out for another reason.
    Unworn,
    /// Came out for another reason, and one that had run before went in.
    Swapped,
    /// Came out for a reason that nothing maps.
    Unknown,
    /// Set: the first of them wore out, and nobody says how many had.
    FirstOfSet,
    /// Set: this many of them were worn.
    OfSet(u32),
    /// Some of several positions wore out, and nobody says which.
    NotTold,
}

/// Something that happened to one position or set.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum What {
    /// The part came out and a new one went in.
    Change(End),
    /// Looked at, found good, left in.
    LookedGood,
    /// Its age is stated.
    Age(f64),
    /// This row, set aside, may hide a change here.
    Gap(RowRef),
    /// A part came out here or in another position, and a new one went in.
    Untold,
    /// The machine left service.
    Retired,
}

/// One event of a chain.
#[derive(Debug, Clone, Copy)]
pub(super) struct Event {
    pub(super) date: Date,
    pub(super) point: Option<MeterPoint>,
    pub(super) what: What,
    /// Place in the fleet's replacements.
    pub(super) record: Option<usize>,
}

/// How a part came under observation.
#[derive(Debug, Clone, Copy)]
pub(super) struct Start {
    pub(super) date: Date,
    pub(super) point: MeterPoint,
    /// Age at that point.
    pub(super) age: f64,
    /// The change that put it in.
    pub(super) record: Option<usize>,
    /// It had run before, so the age here counts only what it ran since.
    pub(super) used: bool,
}

/// Why a life could not be counted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum LeftOut {
    /// It was in before the records began, and nobody states its age.
    UnknownStart,
    /// A row set aside may hide a change within it.
    Gap,
    /// It ran no hours.
    NoHours,
    /// It may have run no hours, as far as the readings tell.
    HoursNotKnown,
    /// Several positions were changed, and it is not told which were worn.
    NotTold,
    /// The meter at its end cannot be placed.
    NoMeter,
    /// A change within it, of a position that is not told, may have ended it: see
    /// [`Unplaced`](super::Unplaced).
    Untold,
}

/// A stretch of one chain from a start to an end.
#[derive(Debug, Clone)]
pub(super) struct Span {
    /// Place in the chain, from 1.
    pub(super) number: u32,
    /// How it began; `None` when unknown.
    pub(super) start: Option<Start>,
    /// How it ended; `None` when still running.
    pub(super) end: Option<End>,
    /// Day it ended, or up to which it was seen running.
    pub(super) end_date: Date,
    /// Change that ended it.
    pub(super) end_record: Option<usize>,
    /// Age at its end, or the reason there is none.
    pub(super) age: Result<HoursBounds, LeftOut>,
    /// Age at the last look that found it good, where there was one.
    pub(super) last_good: Option<f64>,
    /// Records of looks that found it good.
    pub(super) looks: Vec<usize>,
    /// The row set aside within it, where that is why it is left out.
    pub(super) gap: Option<RowRef>,
    /// Hours it would have had if nothing were in doubt.
    pub(super) in_doubt: Option<f64>,
    /// The machine left service with it.
    pub(super) retired: bool,
}

/// Gives `each` of the chain's parts in order; the last one is the one now fitted unless `retired`.
pub(super) fn walk(
    events: &[Event],
    until: (Date, Option<MeterPoint>),
    last_read: Option<(Date, MeterPoint)>,
    meter: MachineMeter<'_>,
    mut each: impl FnMut(Span),
) {
    let mut number = 0;
    let mut open = Open::default();
    for event in events {
        match &event.what {
            What::Gap(row) => open.gap = open.gap.or(Some(*row)),
            What::Untold => open.untold = true,
            What::LookedGood => {
                open.looks.extend(event.record);
                if let (Some(start), Some(point)) = (&open.start, event.point) {
                    let age = aged(meter, start, &point).map(|a| a.low);
                    open.last_good = age.map_or(open.last_good, |a| {
                        Some(open.last_good.unwrap_or(0.0).max(a))
                    });
                }
            }
            What::Age(age) => {
                if open.start.is_none()
                    && let Some(point) = event.point
                {
                    open.start = Some(Start {
                        date: event.date,
                        point,
                        age: *age,
                        record: None,
                        used: false,
                    });
                    open.gap = None;
                }
            }
            What::Change(end) => {
                number += 1;
                each(open.close(meter, number, event, Some(*end)));
                open = Open::begun(event);
            }
            What::Retired => {
                let mut span = open.close(meter, number + 1, event, Some(End::Unworn));
                span.retired = true;
                return each(span);
            }
        }
    }
    let (date, point) = until;
    // A meter that cannot be trusted any more is followed as far as it can.
    let (date, point) = match (point, last_read) {
        (None, Some((day, point))) => (day, Some(point)),
        (point, _) => (date, point),
    };
    let last = Event {
        date,
        point,
        what: What::LookedGood,
        record: None,
    };
    each(open.close(meter, number + 1, &last, None));
}

/// The part that is in.
#[derive(Debug, Default)]
struct Open {
    start: Option<Start>,
    gap: Option<RowRef>,
    untold: bool,
    last_good: Option<f64>,
    looks: Vec<usize>,
}

impl Open {
    fn begun(event: &Event) -> Self {
        Self {
            start: event.point.map(|point| Start {
                date: event.date,
                point,
                age: 0.0,
                record: event.record,
                used: event.what == What::Change(End::Swapped),
            }),
            // A change whose meter cannot be placed begins a life of unknown age.
            gap: None,
            untold: false,
            last_good: None,
            looks: Vec::new(),
        }
    }

    fn close(&self, meter: MachineMeter<'_>, number: u32, event: &Event, end: Option<End>) -> Span {
        let in_doubt = match (&self.start, event.point) {
            (Some(start), Some(point)) => aged(meter, start, &point).map(|a| a.best),
            _ => None,
        };
        let age = match (&self.start, event.point) {
            _ if self.untold => Err(LeftOut::Untold),
            (None, _) => Err(LeftOut::UnknownStart),
            _ if self.gap.is_some() => Err(LeftOut::Gap),
            (Some(_), None) => Err(LeftOut::NoMeter),
            (Some(start), Some(point)) => aged(meter, start, &point).ok_or(LeftOut::NoMeter),
        };
        let age = age.and_then(|age| {
            if end == Some(End::NotTold) {
                Err(LeftOut::NotTold)
            } else {
                Ok(age)
            }
        });
        Span {
            number,
            start: self.start,
            end,
            end_date: event.date,
            end_record: event.record,
            age,
            last_good: self.last_good,
            looks: self.looks.clone(),
            gap: self.gap,
            in_doubt,
            retired: false,
        }
    }
}

fn aged(meter: MachineMeter<'_>, start: &Start, point: &MeterPoint) -> Option<HoursBounds> {
    let run = meter.between(&start.point, point)?;
    Some(run.plus(&HoursBounds::exactly(start.age)))
}
