//! What to carry to each job, and whether it is on the shelf.

use super::kits::{KitPart, cheapest_kit};
use super::orders::Planned;
use super::shortage::Supply;
use super::types::{KitLine, KitTotal};
use crate::forecast::{Counts, Forecast, Outlook, PartOutlook};
use crate::records::{Fleet, Job};

/// What the kits are made from.
#[derive(Debug, Clone, Copy)]
pub(super) struct Carried<'a> {
    pub(super) fleet: &'a Fleet,
    pub(super) outlook: &'a Outlook,
    pub(super) forecast: &'a Forecast,
    pub(super) orders: &'a [Planned],
    /// Wear-outs in each job, by part.
    pub(super) in_jobs: &'a [Vec<Counts>],
    pub(super) service_level: f64,
}

impl Carried<'_> {
    /// Kits line by line, and as wholes.
    pub(super) fn kits(&self) -> (Vec<KitLine>, Vec<KitTotal>) {
        let mut shelves: Vec<Shelf> = (0..self.outlook.parts.len())
            .map(|p| self.shelf(p))
            .collect();
        let mut lines = Vec::new();
        let mut totals = Vec::new();
        for j in 0..self.outlook.jobs.len() {
            let parts: Vec<KitPart> = (self.outlook.parts.iter().zip(self.in_jobs))
                .map(|(ahead, counts)| KitPart {
                    need: counts[j].clone(),
                    // Parts without a price count alike, so that the fewest are carried.
                    cost: self.price(ahead).unwrap_or(1.0).max(1e-6),
                    step: ahead.per_change,
                })
                .collect();
            let kit = cheapest_kit(&parts, self.service_level);
            let mut total = KitTotal {
                job: self.outlook.jobs[j].name.clone(),
                probability_nothing_lacking: kit.enough,
                probability_nothing_lacking_from_shelf: 1.0,
                cost: Some(0.0),
            };
            for (p, quantity) in kit.quantities.into_iter().enumerate() {
                let there = shelves[p].before(&self.outlook.jobs, j);
                let lacking = f64::from(quantity) - there.max(0.0);
                let short = ((lacking - 0.5).ceil().max(0.0) as u32).min(quantity);
                shelves[p].taken.push(quantity - short);
                let need = &parts[p].need;
                let line = KitLine {
                    job: total.job.clone(),
                    part: self.outlook.parts[p].name.clone(),
                    quantity,
                    probability_enough: need.at_most(quantity),
                    short,
                    probability_enough_from_shelf: need.at_most(quantity - short),
                };
                total.probability_nothing_lacking_from_shelf *= line.probability_enough_from_shelf;
                if quantity > 0 {
                    let price = self.price(&self.outlook.parts[p]);
                    total.cost = total
                        .cost
                        .zip(price)
                        .map(|(c, p)| c + p * f64::from(quantity));
                }
                lines.push(line);
            }
            totals.push(total);
        }
        (lines, totals)
    }

    fn price(&self, ahead: &PartOutlook) -> Option<f64> {
        self.fleet.parts[ahead.part].unit_cost
    }

    /// The shelf before any kit is taken from it.
    fn shelf(&self, p: usize) -> Shelf {
        let name = &self.outlook.parts[p].name;
        let jobs = &self.outlook.jobs;
        let used: Vec<f64> = (jobs.iter())
            .map(|job| {
                let mut demands = self.forecast.demand.iter();
                let of_job = demands
                    .find(|d| d.part == *name && d.job.as_deref() == Some(job.name.as_str()));
                of_job.map_or(0.0, |d| d.expected)
            })
            .collect();
        let changed = (used.iter().zip(&self.in_jobs[p]))
            .map(|(used, in_job)| (used - in_job.mean()).max(0.0))
            .collect();
        Shelf {
            supply: self.orders[p].advised(self.outlook),
            used,
            changed,
            taken: Vec::new(),
        }
    }
}

/// One part kind on the shelf, job by job in the order of their starts.
struct Shelf {
    /// Stock and deliveries, the advised order with them.
    supply: Supply,
    /// Expected use in each job, changes in the workshop before it included.
    used: Vec<f64>,
    /// Expected changes in the workshop before each job.
    changed: Vec<f64>,
    /// What the kit of each job looked at so far took.
    taken: Vec<u32>,
}

impl Shelf {
    /// What is expected to be there for a job: stock and deliveries by its start, less what is changed in the
    /// workshop before it and what earlier starts took. A job that is over has used what it is expected to
    /// use and brought the rest back; one that is still out has its whole kit with it.
    fn before(&self, jobs: &[Job], j: usize) -> f64 {
        let gone: f64 = (jobs[..j].iter().enumerate())
            .map(|(i, earlier)| {
                if earlier.end < jobs[j].start {
                    self.used[i]
                } else {
                    self.used[i].max(self.changed[i] + f64::from(self.taken[i]))
                }
            })
            .sum();
        f64::from(self.supply.by(jobs[j].start)) - gone - self.changed[j]
    }
}
