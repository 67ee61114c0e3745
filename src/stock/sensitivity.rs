//! How the orders would change if something else were believed, or came otherwise.
//!
//! Each question is asked on its own, everything else as it stands: the model is fitted again where the
//! lives or the belief change, and demand and order follow to within half a percent, which is enough to
//! see what matters.

use jiff::civil::Date;
use rayon::prelude::*;
use serde::Serialize;

use super::orders::Asked;
use super::plan::StockOptions;
use super::timeline::Timeline;
use super::types::Order;
use crate::compare::life_model_of_part;
use crate::forecast::{Counts, ForecastOptions, Outlook, PartOutlook, ROUGH, Span};
use crate::lives::{Life, Lives, Outcome};
use crate::models::LifeModel;
use crate::records::{Fleet, LeadTime, Part};

/// How much more or less use, as a factor.
const USE: [f64; 2] = [0.8, 1.2];

/// How much longer a lead time, as a factor.
const LONGER: f64 = 1.5;

/// A question.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Question {
    /// Everything as it stands.
    AsItStands,
    /// The stated belief left out.
    WithoutBelief,
    /// A fifth less use than the schedule says.
    LessUse,
    /// A fifth more.
    MoreUse,
    /// Lead times half as long again.
    LongerLead,
    /// Parts that came out for an unknown reason all worn.
    UnknownAllWorn,
}

/// The answer for one part.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Sensitivity {
    /// Part kind.
    pub part: String,
    /// What is asked.
    pub question: Question,
    /// Expected demand over the schedule; null where there is no forecast then.
    pub expected_demand: Option<f64>,
    /// Needed stock; null likewise.
    pub needed: Option<u32>,
    /// What to order; null likewise.
    pub order_quantity: Option<u32>,
    /// Latest day to order.
    pub order_by: Option<Date>,
}

/// What the questions are asked of.
#[derive(Debug, Clone, Copy)]
pub struct Asking<'a> {
    /// The fleet.
    pub fleet: &'a Fleet,
    /// Its lives.
    pub lives: &'a Lives,
    /// Its life models.
    pub models: &'a [LifeModel],
    /// How to look ahead.
    pub forecast: &'a ForecastOptions,
    /// What is asked of the plan.
    pub options: &'a StockOptions,
    /// The outlook as it stands.
    pub outlook: &'a Outlook,
    /// The orders as they stand.
    pub orders: &'a [Order],
}

/// Every question that bears on a part, by part in catalogue order.
pub fn sensitivity(asking: &Asking<'_>) -> Vec<Sensitivity> {
    let mut answers: Vec<Sensitivity> = (asking.orders.iter())
        .map(|order| answer(Question::AsItStands, order))
        .collect();
    let questions = [
        Question::WithoutBelief,
        Question::LessUse,
        Question::MoreUse,
        Question::LongerLead,
        Question::UnknownAllWorn,
    ];
    let each = questions
        .into_par_iter()
        .map(|question| asking.ask(question));
    answers.extend(each.collect::<Vec<_>>().into_iter().flatten());
    let place = |name: &str| asking.fleet.parts.iter().position(|p| p.name == name);
    answers.sort_by_key(|a| (place(&a.part), a.question));
    answers
}

fn answer(question: Question, order: &Order) -> Sensitivity {
    Sensitivity {
        part: order.part.clone(),
        question,
        expected_demand: Some(order.expected_demand),
        needed: Some(order.needed),
        order_quantity: Some(order.order_quantity),
        order_by: order.order_by,
    }
}

/// The same part with lead times half as long again.
fn longer_lead(part: &Part) -> Part {
    let mut part = part.clone();
    part.lead_time = part.lead_time.map(|lead| LeadTime {
        low_days: lead.low_days * LONGER,
        high_days: lead.high_days * LONGER,
    });
    part
}

impl Asking<'_> {
    /// Models fitted again of the parts asked about: without their belief, or with unknown reasons worn.
    /// A part that has no model then is left out.
    fn refitted(&self, asked: impl Fn(&Part) -> bool, unknown_worn: bool) -> Vec<LifeModel> {
        let parts = self.fleet.parts.iter().filter(|part| asked(part));
        let refit = parts.filter_map(|part| {
            let of_part = self.lives.lives.iter().filter(|l| l.part == part.name);
            let mut lives: Vec<Life> = of_part.cloned().collect();
            let mut part = part.clone();
            if unknown_worn {
                for life in lives.iter_mut().filter(|life| life.unknown_reason) {
                    life.outcome = Outcome::Worn;
                    life.high = life.low;
                }
            } else {
                part.believed_life = None;
            }
            let of_part = self.lives.of_one_part(&part.name, lives);
            life_model_of_part(self.fleet, &of_part, &part).ok()
        });
        refit.collect()
    }

    fn ask(&self, question: Question) -> Vec<Sensitivity> {
        let ahead = |models: &[LifeModel], factor: f64| {
            let mut options = self.forecast.clone();
            options.hours_factor *= factor;
            options.accuracy.tolerance = options.accuracy.tolerance.max(ROUGH);
            Outlook::new(self.fleet, self.lives, models, &options)
        };
        match question {
            Question::AsItStands => Vec::new(),
            Question::WithoutBelief => {
                let believed = self.refitted(|part| part.believed_life.is_some(), false);
                let mut answers = self.orders(question, &ahead(&believed, 1.0));
                answers.extend(self.lost(&believed));
                answers
            }
            Question::LessUse => self.orders(question, &ahead(self.models, USE[0])),
            Question::MoreUse => self.orders(question, &ahead(self.models, USE[1])),
            Question::LongerLead => self.orders(question, self.outlook),
            Question::UnknownAllWorn => {
                let unknown = |part: &Part| {
                    let mut lives = self.lives.lives.iter();
                    lives.any(|life| life.part == part.name && life.unknown_reason)
                };
                let all_worn = self.refitted(unknown, true);
                self.orders(question, &ahead(&all_worn, 1.0))
            }
        }
    }

    /// Orders of the parts of an outlook.
    fn orders(&self, question: Question, outlook: &Outlook) -> Vec<Sensitivity> {
        let outlook = outlook.roughly(ROUGH);
        let longer = if question == Question::LongerLead {
            LONGER
        } else {
            1.0
        };
        let order = |ahead: &PartOutlook| {
            let mut all = outlook.demand(ahead, &[Span::All]).counts;
            let all = all.pop().unwrap_or_else(Counts::none);
            let mut part = self.fleet.parts[ahead.part].clone();
            if question == Question::LongerLead {
                part = longer_lead(&part);
            }
            let timeline = Timeline::of(&outlook, ahead, &[]);
            let asked = Asked {
                outlook: &outlook,
                ahead,
                part: &part,
                all: &all,
                timeline: &timeline,
                allowed: 1.0 - self.options.service_level,
                lead_time_days: self.options.lead_time_days.map(|days| days * longer),
                review_days: self.fleet.review_days,
            };
            answer(question, &asked.order(&mut Vec::new()).order)
        };
        outlook.parts.par_iter().map(order).collect()
    }

    /// Where the belief is all there is, nothing is left without it.
    fn lost<'a>(&'a self, kept: &'a [LifeModel]) -> impl Iterator<Item = Sensitivity> + 'a {
        let believed = |part: &str| {
            let part = self.fleet.parts.iter().find(|p| p.name == part);
            part.is_some_and(|p| p.believed_life.is_some())
        };
        let lost = (self.models.iter())
            .filter(move |m| believed(&m.part) && !kept.iter().any(|kept| kept.part == m.part));
        lost.map(|model| Sensitivity {
            part: model.part.clone(),
            question: Question::WithoutBelief,
            expected_demand: None,
            needed: None,
            order_quantity: None,
            order_by: None,
        })
    }
}

#[cfg(test)]
mod tests {
    use super::super::plan::plan;
    use super::*;
    use crate::forecast::of_outlook;
    use crate::forecast::testing::{fitted, fleet, job, lives, model, part, spread};
    use crate::records::BelievedLife;
    use jiff::civil::date;

    #[test]
    fn more_use_means_more_and_a_longer_lead_time_means_sooner() {
        let mut belt = part("belt");
        belt.on_hand = 2;
        belt.believed_life = Some(BelievedLife {
            low_hours: 100.0,
            high_hours: 900.0,
            worth: 1.0,
        });
        let jobs = vec![job(
            "one",
            date(2026, 6, 1),
            date(2026, 6, 30),
            &["M1", "M2", "M3"],
            200.0,
        )];
        let fleet = fleet(vec![belt], jobs);
        let machines = ["M1", "M2", "M3"];
        let lives = lives(
            machines
                .iter()
                .map(|m| fitted("belt", m, "1", Some(60.0)))
                .collect(),
        );
        let models = [model("belt", spread(2.0, 250.0, 0.3, 4))];
        let options = ForecastOptions::default();
        let outlook = Outlook::new(&fleet, &lives, &models, &options);
        let asked = StockOptions::default();
        let plan = plan(&fleet, &outlook, &of_outlook(&outlook), &asked);
        let answers = sensitivity(&Asking {
            fleet: &fleet,
            lives: &lives,
            models: &models,
            forecast: &options,
            options: &asked,
            outlook: &outlook,
            orders: &plan.orders,
        });
        let of = |question| answers.iter().find(|a| a.question == question);
        let base = of(Question::AsItStands).unwrap();
        let (less, more) = (
            of(Question::LessUse).unwrap(),
            of(Question::MoreUse).unwrap(),
        );
        assert!(less.expected_demand < base.expected_demand);
        assert!(base.expected_demand < more.expected_demand);
        assert!(less.needed <= base.needed && base.needed <= more.needed);
        let longer = of(Question::LongerLead).unwrap();
        assert_eq!(longer.needed, base.needed);
        // Fourteen sure days become 21: the last day to order moves by just those seven.
        let moved = longer.order_by.unwrap().until(base.order_by.unwrap());
        assert_eq!(moved.unwrap().get_days(), 7);
        // No life is on record: without the belief there is nothing to go by.
        assert_eq!(of(Question::WithoutBelief).unwrap().needed, None);
        assert!(of(Question::UnknownAllWorn).is_none());
    }
}
