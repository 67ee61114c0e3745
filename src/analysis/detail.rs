//! What the charts of a report show on top of the analysis: curves over the hours, the price of
//! certainty, the course of stocks. Worked out only where a report is written.

use rayon::prelude::*;

use super::Analysis;
use crate::forecast::{Counts, Span, WeibullCurve};
use crate::lives::Observations;
use crate::meters::{MeterReading, Meters};
use crate::models::curve::{Curve, reliability_curve};
use crate::models::{LifeModel, life_model};
use crate::records::{ChangedHow, Part};
use crate::stock::{
    Costs, IntervalCost, KitPart, cheapest_kit, expected_cost_per_hour, interval_costs,
};

/// Confidence of every band.
pub const CONFIDENCE: f64 = 0.95;

/// How much is worked out; the rest of a large fleet is in the tables.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct DetailLimits {
    /// Part kinds whose life is looked at closely.
    pub parts: usize,
    /// Machines whose meter is followed.
    pub meters: usize,
}

impl Default for DetailLimits {
    fn default() -> Self {
        Self {
            parts: 12,
            meters: 40,
        }
    }
}

/// What lies behind the charts.
#[derive(Debug, Clone, Default)]
pub struct Detail {
    /// Part kinds with at least one life, in the order of [`Analysis::fits`].
    pub parts: Vec<PartDetail>,
    /// What certainty costs in the kit of the next job.
    pub kit: Option<KitTradeOff>,
    /// Hour-meter readings by machine, judged.
    pub meters: Vec<MachineMeter>,
}

/// Readings of one machine's hour meter.
#[derive(Debug, Clone)]
pub struct MachineMeter {
    /// Machine.
    pub machine: String,
    /// Readings in order of date.
    pub readings: Vec<MeterReading>,
}

/// One part kind, closely.
#[derive(Debug, Clone)]
pub struct PartDetail {
    /// Part kind.
    pub part: String,
    /// Its lives as the models read them.
    pub lives: Observations,
    /// Model-free curve; `None` where the lives bear none.
    pub curve: Option<Curve>,
    /// Predictive share worn out over the hours; empty without a model.
    pub shares: Vec<ShareWorn>,
    /// Hours in which most lives end, as forecast; `None` without a model.
    pub spread: Option<LifeSpread>,
    /// Stated belief beside the records; `None` where nothing is stated.
    pub belief: Option<BeliefAndRecords>,
    /// Expected cost against the age at which to change; `None` without costs, without a model, or
    /// for parts changed as a set (whose costs follow the first of the set to wear).
    pub cost: Option<CostOverAge>,
}

/// Share worn out by an age, with the band that holds the true share with [`CONFIDENCE`].
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ShareWorn {
    /// Operating hours.
    pub hours: f64,
    /// Predictive share.
    pub share: f64,
    /// Lower limit.
    pub lower: f64,
    /// Upper limit.
    pub upper: f64,
}

/// Hours by which 5, 50 and 95 % are worn out.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LifeSpread {
    /// 5 %.
    pub low: f64,
    /// Half.
    pub middle: Option<f64>,
    /// 95 %.
    pub high: f64,
}

/// What was believed, what the records alone say, and what the forecast uses.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct BeliefAndRecords {
    /// What the records say without the belief; `None` where they cannot stand alone.
    pub records_alone: Option<LifeSpread>,
    /// What the forecast uses.
    pub used: LifeSpread,
}

/// Expected cost per operating hour against the age of a planned change.
#[derive(Debug, Clone, PartialEq)]
pub struct CostOverAge {
    /// By age.
    pub points: Vec<IntervalCost>,
    /// Cost per hour of running until worn; `None` where it is not finite.
    pub run_on: Option<f64>,
}

/// What more certainty costs in the kit of one job.
#[derive(Debug, Clone, PartialEq)]
pub struct KitTradeOff {
    /// Job.
    pub job: String,
    /// The cheapest kit for each of a row of chances.
    pub choices: Vec<KitChoice>,
    /// The kit advised.
    pub advised: KitChoice,
    /// Parts left out, since they have no price.
    pub unpriced: Vec<String>,
}

/// A kit by its chance and its cost.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct KitChoice {
    /// Chance that nothing is lacking on the job.
    pub enough: f64,
    /// Cost of all parts carried.
    pub cost: f64,
}

impl Detail {
    /// Works out what the charts of a report show.
    pub fn of(analysis: &Analysis, limits: DetailLimits) -> Self {
        let places: Vec<usize> = (0..analysis.fits.len().min(limits.parts)).collect();
        Self {
            parts: places
                .par_iter()
                .map(|&place| part_detail(analysis, place))
                .collect(),
            kit: kit(analysis),
            meters: meters(analysis, limits.meters),
        }
    }

    /// One part kind, closely.
    pub fn part(&self, name: &str) -> Option<&PartDetail> {
        self.parts.iter().find(|p| p.part == name)
    }
}

fn meters(analysis: &Analysis, most: usize) -> Vec<MachineMeter> {
    let meters = Meters::new(&analysis.fleet);
    analysis
        .fleet
        .machines
        .iter()
        .take(most)
        .map(|machine| MachineMeter {
            machine: machine.to_string(),
            readings: meters.readings(&analysis.fleet, machine),
        })
        .collect()
}

fn part_detail(analysis: &Analysis, place: usize) -> PartDetail {
    let part = analysis.fits[place].part.clone().unwrap_or_default();
    let lives = analysis.lives.of_part(&part);
    let model = analysis.models.iter().find(|m| m.part == part);
    let kind = analysis.fleet.parts.iter().find(|p| p.name == part);
    PartDetail {
        // Lives of told positions alone tend to be the short ones.
        curve: (lives.unplaced.is_empty())
            .then(|| reliability_curve(&lives, CONFIDENCE).ok())
            .flatten(),
        shares: model.map(shares).unwrap_or_default(),
        spread: model.and_then(spread),
        belief: kind
            .zip(model)
            .and_then(|(kind, model)| belief(kind, model, &lives)),
        cost: kind.zip(model).and_then(|(kind, model)| cost(kind, model)),
        part,
        lives,
    }
}

/// From where nearly none to where nearly all are worn out, even on the log scale of hours.
fn shares(model: &LifeModel) -> Vec<ShareWorn> {
    const STEPS: u32 = 80;
    let ends = (model.hours_at(0.0005), model.hours_at(0.9995));
    let (Some(low), Some(high)) = ends else {
        return Vec::new();
    };
    let (low, high) = (low.ln(), high.ln());
    (0..=STEPS)
        .map(|i| {
            let hours = (low + (high - low) * f64::from(i) / f64::from(STEPS)).exp();
            let band = model.worn_by_with_band(hours, CONFIDENCE);
            ShareWorn {
                hours,
                share: band.share,
                lower: band.lower,
                upper: band.upper,
            }
        })
        .collect()
}

fn spread(model: &LifeModel) -> Option<LifeSpread> {
    Some(LifeSpread {
        low: model.hours_at(0.05)?,
        middle: model.hours_at(0.5),
        high: model.hours_at(0.95)?,
    })
}

fn belief(part: &Part, model: &LifeModel, lives: &Observations) -> Option<BeliefAndRecords> {
    if part.believed_life.is_none() && part.fixed_life.is_none() {
        return None;
    }
    let unbelieving = Part {
        believed_life: None,
        fixed_life: None,
        ..part.clone()
    };
    let alone = life_model(&unbelieving, lives).ok();
    Some(BeliefAndRecords {
        records_alone: alone.as_ref().and_then(spread),
        used: spread(model)?,
    })
}

/// Parts taken at one change.
fn set_size(part: &Part) -> u32 {
    match part.changed {
        ChangedHow::AsASet => part.per_machine.max(1),
        ChangedHow::Singly => 1,
    }
}

fn cost(part: &Part, model: &LifeModel) -> Option<CostOverAge> {
    const STEPS: u32 = 80;
    let costs = Costs::of(part, set_size(part))?;
    if set_size(part) > 1 {
        return None;
    }
    let curves: Vec<(f64, WeibullCurve)> = (model.nodes.iter())
        .map(|n| {
            let (shape, scale) = (n.shape, n.scale);
            (n.weight, WeibullCurve { shape, scale })
        })
        .collect();
    let run_on = expected_cost_per_hour(&curves, costs, None);
    let (low, high) = (model.hours_at(0.005)?.ln(), model.hours_at(0.98)?.ln());
    let hours = (0..=STEPS).map(|i| (low + (high - low) * f64::from(i) / f64::from(STEPS)).exp());
    let mut points = interval_costs(&curves, costs, hours);
    points.retain(|p| p.expected.is_finite());
    // Changing far too often costs out of all proportion and would flatten the rest.
    let costs = points.iter().map(|p| p.expected);
    let least = costs.fold(f64::INFINITY, f64::min);
    points.retain(|p| p.expected <= 3.0 * least);
    (points.len() > 1).then(|| CostOverAge {
        points,
        run_on: Some(run_on).filter(|c| c.is_finite()),
    })
}

fn kit(analysis: &Analysis) -> Option<KitTradeOff> {
    let as_of = analysis.forecast.as_of;
    let job = analysis.fleet.jobs.iter().find(|j| j.end > as_of)?;
    let outlook = &analysis.outlook;
    let place = outlook.jobs.iter().position(|j| j.name == job.name);
    let kind = |name: &str| analysis.fleet.parts.iter().find(|p| p.name == name);
    let mut needs = Vec::new();
    let mut unpriced = Vec::new();
    let demands = analysis.forecast.demand.iter();
    for demand in demands.filter(|d| d.job.as_deref() == Some(&job.name)) {
        let part = kind(&demand.part)?;
        let Some(cost) = part.unit_cost else {
            unpriced.push(part.name.clone());
            continue;
        };
        let most = demand.distribution.iter().map(|q| q.quantity).max()?;
        let mut weights = vec![0.0; most as usize + 1];
        for q in &demand.distribution {
            weights[q.quantity as usize] += q.probability;
        }
        // What is changed in the workshop beforehand is needed, but not carried.
        let ahead = outlook.parts.iter().find(|p| p.name == part.name);
        let on_the_job = match (place, ahead) {
            (Some(place), Some(ahead)) if ahead.planned => {
                let spans = [Span::Job(place)];
                outlook.wear_outs(ahead, &spans).counts.pop()
            }
            _ => None,
        };
        needs.push(KitPart {
            need: on_the_job.unwrap_or_else(|| Counts::from_weights(weights)),
            cost,
            step: set_size(part),
        });
    }
    if needs.is_empty() {
        return None;
    }
    let mut choices: Vec<KitChoice> = Vec::new();
    for i in 0..=99 {
        let kit = cheapest_kit(&needs, f64::from(i) / 100.0);
        let costs = needs.iter().zip(&kit.quantities);
        let choice = KitChoice {
            enough: kit.enough,
            cost: costs.map(|(need, &n)| need.cost * f64::from(n)).sum(),
        };
        if kit.enough >= 0.3 && choices.last() != Some(&choice) {
            choices.push(choice);
        }
    }
    let carried = analysis.stock.kits.iter().filter(|k| k.job == job.name);
    let priced = carried.filter_map(|k| Some((k, kind(&k.part)?.unit_cost?)));
    let nothing = KitChoice {
        enough: 1.0,
        cost: 0.0,
    };
    let advised = priced.fold(nothing, |sum, (kit, price)| KitChoice {
        enough: sum.enough * kit.probability_enough,
        cost: sum.cost + price * f64::from(kit.quantity),
    });
    Some(KitTradeOff {
        job: job.name.clone(),
        choices,
        advised,
        unpriced,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::models::{Basis, LifeCounts, WeibullNode};

    /// A life known exactly: Weibull, shape 2, scale 400 h.
    fn known() -> LifeModel {
        LifeModel {
            part: "belt".to_owned(),
            basis: Basis::Fixed,
            nodes: vec![WeibullNode {
                shape: 2.0,
                scale: 400.0,
                weight: 1.0,
            }],
            lives: LifeCounts::default(),
            shape_interval: None,
            by_level: None,
            cautions: Vec::new(),
        }
    }

    #[test]
    fn shares_follow_the_closed_form_of_a_known_life() {
        let shares = shares(&known());
        assert_eq!(shares.len(), 81);
        for s in &shares {
            let exact = 1.0 - (-(s.hours / 400.0).powi(2)).exp();
            assert!((s.share - exact).abs() < 1e-9, "{s:?} {exact}");
            assert!(
                s.lower <= s.share + 1e-9 && s.share <= s.upper + 1e-9,
                "{s:?}"
            );
        }
        assert!(shares[0].share < 0.001 && shares[80].share > 0.999);
    }

    #[test]
    fn the_spread_is_the_quantiles_of_a_known_life() {
        let spread = spread(&known()).unwrap();
        let exact = |p: f64| 400.0 * (-(1.0 - p).ln()).sqrt();
        assert!((spread.low / exact(0.05) - 1.0).abs() < 1e-6, "{spread:?}");
        assert!((spread.middle.unwrap() / exact(0.5) - 1.0).abs() < 1e-6);
        assert!((spread.high / exact(0.95) - 1.0).abs() < 1e-6);
    }
}
