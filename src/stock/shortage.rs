//! The chance of running short, with deliveries coming in on their days.
//!
//! Stock only falls between deliveries, so running short at some time up to day t means: more parts
//! needed than there were, at the end of the day before some delivery, or at the end of t. Call these
//! events `A₁ … A_m`. With one of them the chance is that of a demand distribution; with two it is
//! `P(A₁) + P(A₂) − P(A₁ ∩ A₂)`, the last from the joint distribution of what is needed by either
//! day. With more it is bounded from above by `Σ P(A_k) − Σ P(A_k ∩ A_{k+1})` (Hunter, Journal of
//! Applied Probability 13, 1976: the sum over a tree of pairs, here the path), so a promise made on
//! it holds.

use std::collections::{BTreeMap, BTreeSet};

use jiff::civil::Date;

use super::timeline::Timeline;
use crate::forecast::{Counts, Outlook, PartOutlook, Span};
use crate::records::{Delivery, Part};

/// Parts in stock and on their way.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Supply {
    /// There now.
    pub on_hand: u32,
    /// Day from which a delivery can be used, and how many; sorted.
    pub deliveries: Vec<(Date, u32)>,
}

impl Supply {
    /// Stock and deliveries of a part seen from a day: a delivery that is overdue counts as there.
    pub fn of(part: &Part, as_of: Date) -> Self {
        let mut supply = Self {
            on_hand: part.on_hand,
            deliveries: Vec::new(),
        };
        for delivery in &part.on_order {
            if is_overdue(delivery, as_of) {
                supply.on_hand = supply.on_hand.saturating_add(delivery.quantity);
            } else {
                supply.deliveries.push((delivery.due, delivery.quantity));
            }
        }
        supply.deliveries.sort_unstable();
        supply
    }

    /// With one more delivery.
    #[must_use]
    pub fn and(&self, day: Date, quantity: u32) -> Self {
        let mut more = self.clone();
        more.deliveries.push((day, quantity));
        more.deliveries.sort_unstable();
        more
    }

    /// All that is there by the end of `day`.
    pub fn by(&self, day: Date) -> u32 {
        self.deliveries
            .iter()
            .filter(|(d, _)| *d <= day)
            .fold(self.on_hand, |sum, (_, q)| sum.saturating_add(*q))
    }
}

/// Whether a delivery should have been there by now.
pub(super) fn is_overdue(delivery: &Delivery, as_of: Date) -> bool {
    delivery.due <= as_of
}

/// An event this unlikely is only added, not looked at together with others.
const RARE: f64 = 1e-6;

/// Chance of having run short by the end of a day, for each supply and day asked about; asking
/// together costs little more than asking once.
pub fn shortages(outlook: &Outlook, part: &PartOutlook, questions: &[(&Supply, Date)]) -> Vec<f64> {
    let days: BTreeSet<Date> = questions
        .iter()
        .flat_map(|(supply, day)| checks(outlook, supply, *day))
        .collect();
    // Each day's demand once.
    let spans: Vec<Span> = days
        .iter()
        .map(|day| Span::Days(outlook.as_of, *day))
        .collect();
    let counts = outlook.demand(part, &spans).counts;
    let alone: BTreeMap<Date, &Counts> = days.into_iter().zip(&counts).collect();
    let chance = |day: Date, stock| alone.get(&day).map_or(0.0, |c| c.more_than(stock));
    unions(outlook, part, &events(outlook, questions, chance))
}

/// The same from a timeline: only the pairs of events are computed anew.
pub fn shortages_along(
    outlook: &Outlook,
    part: &PartOutlook,
    timeline: &Timeline,
    questions: &[(&Supply, Date)],
) -> Vec<f64> {
    let chance = |day, stock| timeline.more_than(day, stock);
    unions(outlook, part, &events(outlook, questions, chance))
}

/// Chances that any of the events of each question happens.
fn unions(outlook: &Outlook, part: &PartOutlook, events: &[Vec<Event>]) -> Vec<f64> {
    // Each pair of neighbours once.
    let pairs: BTreeSet<Pair> = events
        .iter()
        .flat_map(|events| neighbours(events).map(|(a, b)| a.and(b)))
        .collect();
    let pairs: Vec<Pair> = pairs.into_iter().collect();
    let both_enough = if pairs.is_empty() {
        Vec::new()
    } else {
        let days: Vec<(Date, Date)> = pairs.iter().map(|p| p.days).collect();
        let limits: Vec<(u32, u32)> = pairs.iter().map(|p| p.stocks).collect();
        outlook.both_enough(part, &days, &limits)
    };
    events
        .iter()
        .map(|events| {
            let rare: f64 = events.iter().map(|e| e.chance).filter(|c| *c <= RARE).sum();
            let first = common(events).next().map_or(0.0, |e| e.chance);
            // P(A ∩ B) = P(A) + P(B) − 1 + P(neither), so B adds 1 − P(A) − P(neither) to A.
            let added: f64 = neighbours(events)
                .map(|(a, b)| {
                    let neither = pairs
                        .binary_search(&a.and(b))
                        .map_or(1.0, |at| both_enough[at]);
                    (1.0 - a.chance - neither).clamp(0.0, b.chance)
                })
                .sum();
            (rare + first + added).clamp(0.0, 1.0)
        })
        .collect()
}

/// Chance of being short at each check of a supply up to a day, looked at alone.
pub fn single_checks(
    outlook: &Outlook,
    timeline: &Timeline,
    supply: &Supply,
    day: Date,
) -> Vec<f64> {
    checks(outlook, supply, day)
        .into_iter()
        .map(|check| timeline.more_than(check, supply.by(check)))
        .collect()
}

/// The checks of each question with their chances.
fn events(
    outlook: &Outlook,
    questions: &[(&Supply, Date)],
    chance: impl Fn(Date, u32) -> f64,
) -> Vec<Vec<Event>> {
    questions
        .iter()
        .map(|(supply, day)| {
            let event = |day: Date| {
                let stock = supply.by(day);
                Event {
                    day,
                    stock,
                    chance: chance(day, stock),
                }
            };
            checks(outlook, supply, *day)
                .into_iter()
                .map(event)
                .collect()
        })
        .collect()
}

/// Expected share of the parts needed that are on the shelf when they are needed, deliveries coming in on
/// their days; `None` where nothing is expected to be needed.
///
/// While the stock so far is S, the i-th part needed is met when i ≤ S; between two checks that is
/// `min(D_k, S_k) − min(D_{k−1}, S_k)` parts, D what is needed by the end of each. Expectations add, so
/// the distribution at each check is all it takes.
pub fn fill_rate(outlook: &Outlook, timeline: &Timeline, supply: &Supply) -> Option<f64> {
    let needed = timeline.expected(outlook.end);
    if needed <= 0.0 {
        return None;
    }
    let mut before = outlook.as_of;
    let mut met = 0.0;
    for day in checks(outlook, supply, outlook.end) {
        let stock = supply.by(day);
        met += timeline.expected_covered(day, stock) - timeline.expected_covered(before, stock);
        before = day;
    }
    Some((met / needed).clamp(0.0, 1.0))
}

/// The ends of the days before each delivery that comes while parts are in use, and the day itself.
fn checks(outlook: &Outlook, supply: &Supply, day: Date) -> Vec<Date> {
    let mut checks: Vec<Date> = supply
        .deliveries
        .iter()
        .filter_map(|(due, _)| due.yesterday().ok())
        .filter(|check| *check > outlook.as_of && *check < day.min(outlook.end))
        .collect();
    checks.push(day);
    checks.dedup();
    checks
}

/// Running short by the end of a day.
#[derive(Debug, Clone, Copy)]
struct Event {
    day: Date,
    /// Parts that there were by then.
    stock: u32,
    /// Its chance, looked at alone.
    chance: f64,
}

impl Event {
    fn and(&self, next: &Self) -> Pair {
        Pair {
            days: (self.day, next.day),
            stocks: (self.stock, next.stock),
        }
    }
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
struct Pair {
    days: (Date, Date),
    stocks: (u32, u32),
}

fn common(events: &[Event]) -> impl Iterator<Item = &Event> + Clone {
    events.iter().filter(|e| e.chance > RARE)
}

fn neighbours(events: &[Event]) -> impl Iterator<Item = (&Event, &Event)> {
    common(events).zip(common(events).skip(1))
}
