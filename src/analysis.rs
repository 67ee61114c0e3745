//! The stages in order, for one fleet: records → lives → model → forecast → stock.

mod detail;
mod past_use;

pub use detail::*;
pub use past_use::PastUse;

use std::collections::BTreeMap;

use rayon::prelude::*;

use crate::compare::life_model_of_part;
use crate::compare::practice::{
    PracticeComparison, PracticeError, PracticeOptions, tension_practice,
};
use crate::forecast::{Forecast, ForecastOptions, Outlook, of_outlook};
use crate::lives::{Lives, build};
use crate::meters::Meters;
use crate::models::trend::trend_caution;
use crate::models::{
    Belief, Caution, CautionCode, Family, Fit, FitRequest, IntervalMethod, LifeModel, Method, fit,
};
use crate::records::{Fleet, Part, Problem, Text};
use crate::stock::{Asking, StockOptions, StockPlan, plan, sensitivity};

/// What may be asked of an analysis on top of what the fleet folder says.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct AnalysisOptions {
    /// How to look ahead.
    pub forecast: ForecastOptions,
    /// Chance of no shortage, in (0, 1), instead of the fleet's.
    pub service_level: Option<f64>,
    /// Lead time of every part, days, instead of the catalogue's.
    pub lead_time_days: Option<f64>,
    /// Chance of wearing out unseen between two looks, in (0, 1), instead of the fleet's.
    pub chance_unseen: Option<f64>,
    /// Leave the stock plan empty: only the forecast is wanted.
    pub without_stock: bool,
    /// Ask how the orders would change if something else were believed or came otherwise.
    pub sensitivity: bool,
}

/// Everything the program worked out about a fleet; the report and every command show parts of it.
#[derive(Debug, Clone)]
pub struct Analysis {
    /// The folder as read.
    pub fleet: Fleet,
    /// Lives and fitted parts.
    pub lives: Lives,
    /// Fit of each part with at least one life, catalogue order.
    pub fits: Vec<Fit>,
    /// Predictive life model of each part that has one, catalogue order.
    pub models: Vec<LifeModel>,
    /// Forecast over the schedule.
    pub forecast: Forecast,
    /// Orders, kits, changes, intervals.
    pub stock: StockPlan,
    /// What forecast and plan were made from, for looking closer.
    pub outlook: Outlook,
    /// What tension practice does to lives, or why that cannot be said.
    pub practice: Result<PracticeComparison, PracticeError>,
}

/// Is told how far the work is.
pub trait Watch: Sync {
    /// `share` of all work, in [0, 1], is done; `next` is what comes now. Shares are what the stages
    /// take on a fleet of usual size: good enough for an estimate of the time left.
    fn reached(&self, share: f64, next: &'static str);
}

/// Nobody watches.
impl Watch for () {
    fn reached(&self, _: f64, _: &'static str) {}
}

impl Analysis {
    /// Runs the stages in order. What cannot be given for a part is said in
    /// [`Forecast::no_forecast`] or among the cautions; the rest goes on.
    pub fn of(fleet: Fleet, options: &AnalysisOptions) -> Self {
        Self::watched(fleet, options, &())
    }

    /// The same, telling `watch` how far it is.
    pub fn watched(fleet: Fleet, options: &AnalysisOptions, watch: &dyn Watch) -> Self {
        watch.reached(0.0, "building lives");
        let lives = build(&fleet);
        watch.reached(0.02, "fitting life models");
        let mut fits = Vec::new();
        let mut models = Vec::new();
        let mut ahead = options.forecast.clone();
        let mut cautions = Vec::new();
        let each = fleet.parts.par_iter().map(|part| {
            let observed = lives.of_part(&part.name);
            let any = !(observed.is_empty() && observed.unplaced.is_empty());
            let fitted = any.then(|| fit(&observed, &request(part)).ok());
            (fitted.flatten(), life_model_of_part(&fleet, &lives, part))
        });
        for (part, (fitted, model)) in fleet.parts.iter().zip(each.collect::<Vec<_>>()) {
            if let Some(mut fitted) = fitted {
                fitted.part = Some(part.name.clone());
                fits.push(fitted);
            }
            match model {
                Ok(model) => {
                    cautions.extend(model.cautions.iter().map(|c| about(&part.name, c)));
                    // Lives of told positions alone tend to be the short ones; those told apart by a column
                    // may look like a trend where the column changes.
                    if model.by_level.is_none()
                        && !lives.unplaced.iter().any(|u| u.part == part.name)
                    {
                        let of_part = lives.lives.iter().filter(|l| l.part == part.name);
                        cautions.extend(trend_caution(&part.name, of_part));
                    }
                    models.push(model);
                }
                Err(none) => {
                    ahead
                        .no_model
                        .insert(part.name.clone(), sentence(&none.reason));
                }
            }
        }
        watch.reached(0.1, "looking ahead");
        let mut outlook = Outlook::new(&fleet, &lives, &models, &ahead);
        outlook.cautions.extend(cautions);
        outlook.cautions.extend(strangers(&lives.problems));
        outlook.cautions.extend(assigned(&fleet.problems));
        outlook.cautions.extend(misspelt(&lives.problems));
        outlook.cautions.sort();
        outlook.cautions.dedup();
        let forecast = of_outlook(&outlook);
        watch.reached(0.45, "planning stock");
        if options.without_stock {
            outlook.parts = std::sync::Arc::default();
        }
        let asked = StockOptions {
            service_level: options.service_level.unwrap_or(fleet.service_level),
            lead_time_days: options.lead_time_days,
            chance_unseen: options.chance_unseen.unwrap_or(fleet.chance_unseen),
        };
        let mut stock = plan(&fleet, &outlook, &forecast, &asked);
        if options.sensitivity {
            watch.reached(0.7, "asking what would change the orders");
            stock.sensitivity = sensitivity(&Asking {
                fleet: &fleet,
                lives: &lives,
                models: &models,
                forecast: &ahead,
                options: &asked,
                outlook: &outlook,
                orders: &stock.orders,
            });
        }
        watch.reached(0.85, "comparing practice");
        let practice = practice(&fleet, &lives);
        Self {
            fleet,
            lives,
            fits,
            models,
            forecast,
            stock,
            outlook,
            practice,
        }
    }
}

/// Machines that the schedule sends out and no record or reading knows: the forecast stands on
/// unknown ages there, which has to be said where it is read.
fn strangers(problems: &[Problem]) -> impl Iterator<Item = Caution> {
    problems
        .iter()
        .filter(|problem| problem.code == "machine_without_records")
        .map(|problem| {
            let machine = problem.found.as_deref().unwrap_or("a machine");
            let rows: Vec<String> = problem.rows.iter().map(ToString::to_string).collect();
            let place = rows.join(", ");
            Caution::new(
                CautionCode::UnknownAge,
                format!(
                    "{place} sends out {machine}, which no record or reading knows: correct the \
                     name, or say what is fitted there"
                ),
            )
        })
}

/// Machines that the program chose for jobs which leave them open: said where the forecast is read.
fn assigned(problems: &[Problem]) -> impl Iterator<Item = Caution> {
    problems
        .iter()
        .filter(|problem| problem.code == "machines_assigned")
        .map(|problem| Caution::new(CautionCode::Note, problem.advice.to_string()))
}

/// Texts that no part is called, but nearly: their rows may hide changes, so lives next to them are
/// left out and what is fitted may be younger than it looks.
fn misspelt(problems: &[Problem]) -> impl Iterator<Item = Caution> {
    let mut rows: BTreeMap<(Text, Text), usize> = BTreeMap::new();
    for problem in problems.iter().filter(|p| p.code == "unknown_part") {
        if let (Some(found), Some(allowed)) = (problem.found, problem.allowed)
            && let Some((_, meant)) = allowed.as_str().split_once("did you mean ")
        {
            let meant = Text::from(meant.trim_end_matches('?'));
            *rows.entry((found, meant)).or_default() += 1;
        }
    }
    rows.into_iter().map(|((found, meant), rows)| {
        let count = if rows == 1 {
            "1 row names".to_owned()
        } else {
            format!("{rows} rows name")
        };
        Caution::new(
            CautionCode::UnknownAge,
            format!(
                "{count} the part {found}, which nothing is called, and may mean {meant}: a change \
                 may be missing, so correct the name or add it to the part's aliases"
            ),
        )
    })
}

fn practice(fleet: &Fleet, lives: &Lives) -> Result<PracticeComparison, PracticeError> {
    let meters = Meters::new(fleet);
    tension_practice(fleet, &meters, lives, &PracticeOptions::default())
}

/// The fit that is shown for each part: Weibull, with intervals from the posterior.
fn request(part: &Part) -> FitRequest {
    FitRequest {
        family: Family::Weibull,
        method: Method::Likelihood,
        interval: IntervalMethod::Posterior,
        confidence: 0.95,
        at_probability: vec![0.1, 0.5, 0.9],
        at_hours: Vec::new(),
        known_shape: None,
        belief: Belief::of(part),
        ..FitRequest::weibull()
    }
}

fn about(part: &str, caution: &Caution) -> Caution {
    let mut caution = caution.clone();
    caution.part.get_or_insert_with(|| part.to_owned());
    caution
}

/// With a full stop.
fn sentence(words: &str) -> String {
    if words.ends_with('.') {
        words.to_owned()
    } else {
        format!("{words}.")
    }
}
