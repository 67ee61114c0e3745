//! Change before the job, or run on.

use std::collections::BTreeSet;

use rayon::prelude::*;

use super::types::{Advice, ChangeDecision};
use crate::forecast::{FirstLife, LEAST_SAVING, MachineSchedule, Outlook, PartOutlook, Place};
use crate::models::{Caution, CautionCode};
use crate::records::Part;

/// What the plan takes for granted about changes ahead of time.
pub(super) fn policy_caution(ahead: &PartOutlook, part: &Part) -> Option<Caution> {
    let text = if ahead.planned {
        let from = ahead.changed_from();
        format!(
            "counted as changed ahead of time where that is advised: at a job start, from about \
             {from:.0} hours of age on, if it saves at least {:.0} % of what the change costs; \
             those parts are in the orders, not in the kits; the plan can also be worked out with every \
             part run until it is worn",
            100.0 * LEAST_SAVING
        )
    } else if ahead.costs.is_none() {
        "no price and no cost of an unplanned stop are stated, so no change ahead of time is advised and the \
         plan has it run until worn; judge by its chance of wearing out in the job"
            .to_owned()
    } else {
        return None;
    };
    Some(Caution::about(CautionCode::Note, &part.name, text))
}

/// Decisions for every part: each on its own first; then, where a machine is opened for one part before a
/// job, the others on it once more, at the cost that is left while it is open. Parts changed only for
/// that reason are marked; the demand does not count them.
pub(super) fn all_decisions(outlook: &Outlook, parts: &[Part]) -> Vec<ChangeDecision> {
    let alone: Vec<Vec<Decided>> = outlook
        .parts
        .iter()
        .map(|ahead| change_decisions(outlook, ahead, &parts[ahead.part], &Open::new()))
        .collect();
    let open: Open = (alone.iter().flatten())
        .filter(|(_, d)| d.advice == Advice::Change)
        .map(|(_, d)| (d.job.clone(), d.machine.clone()))
        .collect();
    let mut decisions: Vec<Decided> = (outlook.parts.iter().zip(alone))
        .flat_map(|(ahead, alone)| {
            let part = &parts[ahead.part];
            if ahead.planned && !open.is_empty() && spared(ahead) > 0.0 {
                change_decisions(outlook, ahead, part, &open)
            } else {
                alone
            }
        })
        .collect();
    decisions.par_sort_by(|(job, a), (other, b)| {
        (job, &a.machine, &a.part, &a.position).cmp(&(other, &b.machine, &b.part, &b.position))
    });
    decisions
        .into_iter()
        .map(|(_, decision)| decision)
        .collect()
}

/// A decision with the index of its job.
type Decided = (usize, ChangeDecision);

fn spared(ahead: &PartOutlook) -> f64 {
    ahead.costs.map_or(0.0, |costs| costs.spared)
}

/// Jobs and machines that are opened before them.
type Open = BTreeSet<(String, String)>;

/// Each place through its jobs in order. A part that is changed before a job starts that job new, and
/// later decisions follow from there; wear-outs in between are left out (what is in then is younger).
fn change_decisions(
    outlook: &Outlook,
    ahead: &PartOutlook,
    part: &Part,
    open: &Open,
) -> Vec<Decided> {
    let each = ahead.places.par_iter();
    each.flat_map_iter(|place| at_place(outlook, ahead, part, place, open))
        .collect()
}

fn at_place(
    outlook: &Outlook,
    ahead: &PartOutlook,
    part: &Part,
    place: &Place,
    open: &Open,
) -> Vec<Decided> {
    let FirstLife::Aged(age_now) = place.first else {
        return Vec::new();
    };
    let spared = spared(ahead);
    let planned = ahead.costs.map_or(0.0, |c| c.planned);
    let mut decisions = Vec::new();
    // The part that is in when a job starts: its first life, and the job at whose start that began.
    let (mut first, mut since) = (place.first.clone(), None);
    let mut chances = outlook.place_ahead(ahead, place, &first);
    let at_mean_pace = outlook.mean_course(ahead, place);
    let own_pace = ahead.own_pace(place);
    let starts = ahead.starts_of(place);
    for (j, run) in outlook.schedules[place.schedule].runs.iter().enumerate() {
        let began =
            |schedule: &MachineSchedule| since.map_or(0.0, |i: usize| schedule.runs[i].from);
        let new_from = match since {
            Some(_) => run.from - began(&outlook.schedules[place.schedule]),
            None => age_now + run.from,
        };
        // The age as costs count it.
        let counted = match since {
            Some(_) => at_mean_pace.runs[j].from - began(&at_mean_pace),
            None => age_now * own_pace + at_mean_pace.runs[j].from,
        };
        let costs = starts.get(j);
        let job = &outlook.jobs[run.job].name;
        let pays = ahead.planned && costs.is_some_and(|costs| counted >= costs.change_from);
        let while_open = ahead.planned
            && !pays
            && spared > 0.0
            && open.contains(&(job.clone(), place.machine.clone()))
            && costs.is_some_and(|costs| {
                let saved = costs.if_left(counted) - (costs.if_changed() - spared);
                saved >= LEAST_SAVING * planned
            });
        let change = pays || while_open;
        let before = chances.worn_within(|way| way.runs[j].from - began(way));
        let after = chances.worn_within(|way| way.runs[j].to - began(way));
        let good = (1.0 - before).max(1e-300);
        let decision = ChangeDecision {
            job: job.clone(),
            machine: place.machine.clone(),
            part: part.name.clone(),
            position: place.position.clone(),
            age_hours: new_from,
            advice: if change {
                Advice::Change
            } else {
                Advice::RunOn
            },
            probability_worn_out: ((after - before) / good).clamp(0.0, 1.0),
            while_open,
            change_if_open_from: costs
                .map(|c| c.change_if_open_from / own_pace)
                .filter(|age| age.is_finite()),
            expected_cost_if_changed: costs
                .map(|c| c.if_changed() - if while_open { spared } else { 0.0 }),
            expected_cost_if_left: costs.map(|c| c.if_left(counted)),
        };
        decisions.push((run.job, decision));
        if change {
            (first, since) = (FirstLife::Aged(0.0), Some(j));
            chances = outlook.place_ahead(ahead, place, &first);
        }
    }
    decisions
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::forecast::testing::{fitted, fleet, job, lives, model, part};
    use crate::forecast::{Costs, ForecastOptions};
    use crate::models::WeibullNode;
    use crate::records::Fleet;
    use jiff::civil::date;

    /// A belt and a ring on one machine, both sharply worn out around 300 h, the belt all but due.
    fn two_parts(ring_age: f64, cost_per_hour: Option<f64>) -> (Fleet, Vec<ChangeDecision>) {
        let nodes = || {
            vec![WeibullNode {
                shape: 6.0,
                scale: 300.0,
                weight: 1.0,
            }]
        };
        let mut parts = vec![part("belt"), part("ring")];
        for part in &mut parts {
            part.planned_change.minutes = 60.0;
            part.planned_change.cost_per_hour = cost_per_hour;
        }
        let jobs = vec![
            job("one", date(2026, 5, 1), date(2026, 5, 10), &["M1"], 100.0),
            job("two", date(2026, 6, 1), date(2026, 6, 10), &["M1"], 100.0),
        ];
        let fleet = fleet(parts, jobs);
        let lives = lives(vec![
            fitted("belt", "M1", "1", Some(230.0)),
            fitted("ring", "M1", "1", Some(ring_age)),
        ]);
        let mut models = ["belt", "ring"].map(|name| model(name, nodes()));
        for model in &mut models {
            model.shape_interval = Some((4.0, 8.0));
        }
        let outlook = Outlook::new(&fleet, &lives, &models, &ForecastOptions::default());
        let decisions = all_decisions(&outlook, &fleet.parts);
        (fleet, decisions)
    }

    fn ring(decisions: &[ChangeDecision]) -> &ChangeDecision {
        let mut first = decisions.iter().filter(|d| d.job == "one");
        first.find(|d| d.part == "ring").unwrap()
    }

    /// The costs by hand: 86 + 10 for part and work, an hour of downtime at 500 on top, 3 h × 400 for a stop.
    #[test]
    fn an_open_machine_makes_a_younger_part_worth_changing() {
        let (fleet, _) = two_parts(100.0, Some(500.0));
        let costs = Costs::of(&fleet.parts[0], 1).unwrap();
        assert_eq!((costs.planned, costs.in_service), (596.0, 1296.0));
        assert!((costs.spared - 500.0).abs() < 1e-9);
        let ages: Vec<f64> = (0..=24).map(|i| 10.0 * f64::from(i)).collect();
        let first = |keep: fn(&ChangeDecision) -> bool| {
            let found = ages.iter().find(|age| {
                let (_, decisions) = two_parts(**age, Some(500.0));
                keep(ring(&decisions))
            });
            *found.unwrap()
        };
        let open = first(|d| d.advice == Advice::Change);
        let alone = first(|d| d.advice == Advice::Change && !d.while_open);
        assert!(open + 10.0 <= alone, "{open} {alone}");
        // A decision is marked only where it is cheaper than leaving the part in, at the shared cost.
        let (_, decisions) = two_parts(open, Some(500.0));
        let ring = ring(&decisions);
        assert!(ring.while_open);
        assert!(ring.expected_cost_if_changed < ring.expected_cost_if_left);
        // Without a price of the downtime nothing is spared.
        let (_, decisions) = two_parts(open, None);
        assert!(decisions.iter().all(|d| !d.while_open));
    }
}
