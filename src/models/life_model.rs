//! What later stages need of a life model: a weighted set of Weibull curves.

use std::collections::BTreeMap;

use serde::Serialize;

use crate::lives::{Observations, worn_lives};
use crate::records::Part;

use super::belief::Prior;
use super::by_level::{self, ByLevel, Level, LevelLives, MOST_LEVELS};
use super::kernel::Kernel;
use super::log_lives::LogLives;
use super::maximise::{PowerSums, maximise};
use super::posterior::Posterior;
use super::{Belief, Caution, CautionCode, LifeCounts, count_lives};

/// One Weibull curve of the posterior.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct WeibullNode {
    /// Shape β.
    pub shape: f64,
    /// Scale η, hours.
    pub scale: f64,
    /// Weight, > 0; the weights of a model sum to 1.
    pub weight: f64,
}

/// What a life model rests on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Basis {
    /// Records only, flat prior in ln η and ln β.
    Records,
    /// Stated belief only: no worn life recorded.
    Belief,
    /// Both.
    BeliefAndRecords,
    /// A stated model taken as exact.
    Fixed,
}

impl Basis {
    fn of(belief: bool, worn: f64) -> Self {
        match (belief, worn > 0.0) {
            (false, _) => Self::Records,
            (true, false) => Self::Belief,
            (true, true) => Self::BeliefAndRecords,
        }
    }
}

/// The predictive life model of one part kind: a mixture of Weibull curves (the posterior on a
/// deterministic quadrature), or one curve when the life is fixed.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LifeModel {
    /// Part kind.
    pub part: String,
    /// What it rests on.
    pub basis: Basis,
    /// Nodes in a fixed order.
    pub nodes: Vec<WeibullNode>,
    /// Lives behind it.
    pub lives: LifeCounts,
    /// Interval of the shape at 95 % (for "does planned change pay"); `None` when fixed.
    pub shape_interval: Option<(f64, f64)>,
    /// How lives differ by the levels of a covariate, where they are told apart by it; the nodes are then
    /// those at its level of reference.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub by_level: Option<ByLevel>,
    /// Cautions to carry along.
    pub cautions: Vec<Caution>,
}

/// A lower bound on the scale for one shape.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct ScaleBound {
    /// Shape taken as known.
    pub shape: f64,
    /// One-sided 95 % lower bound on the scale, hours.
    pub scale: f64,
}

/// Why a part has no life model, and what can be said all the same.
#[derive(Debug, Clone, PartialEq, Serialize, thiserror::Error)]
#[error("{part}: {reason}")]
pub struct NoModel {
    /// Part kind.
    pub part: String,
    /// Why and what to do, as a sentence.
    pub reason: String,
    /// Lives behind it.
    pub lives: LifeCounts,
    /// With no worn life: lower bounds on the scale over a range of shapes; else empty.
    pub bounds: Vec<ScaleBound>,
}

/// Shapes for which a lower bound on the scale is given when nothing wore out: from random failure
/// to marked wear-out.
const BOUND_SHAPES: [f64; 5] = [1.0, 1.5, 2.0, 3.0, 4.0];

/// Smallest shape among the curves handed on; smaller ones are replaced by this one through the
/// same reliability at the longest age seen (they are level over any range of ages that matters).
const SMALLEST_SHAPE: f64 = 0.01;

/// Log scales are kept within what an f64 of hours holds; beyond, a part lasts for ever or fails at
/// once, at any age anyone asks for.
const LARGEST_LN_SCALE: f64 = 600.0;

/// The life model of one part kind from its lives: a stated fixed life as it is; otherwise the
/// posterior, with the stated belief or flat in ln η and ln β.
///
/// # Errors
/// [`NoModel`] when nothing wore out and nothing is believed, or when the lives leave the shape
/// open (see the posterior's conditions: without belief, two worn lives at different ages, or more
/// generally two lives of known age that no single age explains).
pub fn life_model(part: &Part, observations: &Observations) -> Result<LifeModel, NoModel> {
    let lives = count_lives(observations);
    if let Some(fixed) = part.fixed_life {
        return Ok(LifeModel {
            part: part.name.clone(),
            basis: Basis::Fixed,
            nodes: vec![WeibullNode {
                shape: fixed.shape,
                scale: fixed.scale,
                weight: 1.0,
            }],
            lives,
            shape_interval: None,
            by_level: None,
            cautions: vec![Caution::about(
                CautionCode::FixedLife,
                &part.name,
                format!(
                    "uses the fixed life stated in the catalogue (shape {}, scale {} hours) as \
                     exact; records do not change it",
                    fixed.shape, fixed.scale
                ),
            )],
        });
    }
    let belief = Belief::of(part);
    let prior = belief.as_ref().and_then(Prior::of);
    let data = LogLives::new(observations);
    let refuse = |reason: String| NoModel {
        part: part.name.clone(),
        reason,
        lives,
        bounds: scale_bounds(&data, 0.95),
    };
    if belief.is_some() && prior.is_none() {
        return Err(refuse(
            "the believed life cannot be used: it needs 0 < low < high and a worth above 0".into(),
        ));
    }
    let guess = first_shape(&data, prior.as_ref());
    let no_posterior = |why: super::NoPosterior| {
        refuse(format!(
            "{why}; state believed_life (and belief_worth) for this part, or wait for records"
        ))
    };
    let posterior =
        Posterior::new(Kernel::SmallestExtreme, &data, prior, guess, 0.0).map_err(no_posterior)?;
    let (curves, _) = Posterior::curves(&data, prior, guess).map_err(no_posterior)?;
    let worn = data.worn();
    let said = super::unplaced::caution(observations).map(|caution| Caution {
        part: Some(part.name.clone()),
        ..caution
    });
    let shape_interval = posterior.shape(0.025).zip(posterior.shape(0.975));
    Ok(LifeModel {
        part: part.name.clone(),
        basis: Basis::of(prior.is_some(), worn),
        nodes: curves.into_iter().map(|c| node(c, data.shift)).collect(),
        lives,
        shape_interval,
        by_level: None,
        cautions: cautions(
            &part.name,
            worn,
            prior.as_ref(),
            shape_interval,
            posterior.small_shapes_left_out,
        )
        .into_iter()
        .chain(said)
        .collect(),
    })
}

/// The life model of one part kind whose lives are told apart by a covariate: one shape, a scale a level, the
/// levels within `within_factor` of the typical one with 90 % (see [`by_level`](super::by_level)). Levels may have
/// no life: they are then as wide as that factor and what the others say.
///
/// # Errors
/// Why the lives cannot be told apart, as a sentence without its part: [`life_model`] of all lives together
/// stands in.
pub fn life_model_by_level(
    part: &Part,
    column: &str,
    within_factor: f64,
    levels: &[LevelLives],
) -> Result<LifeModel, String> {
    if part.fixed_life.is_some() {
        return Err("a fixed life is stated, which is the same for all".to_owned());
    }
    if levels.len() < 2 || levels.iter().filter(|l| !l.lives.is_empty()).count() == 0 {
        return Err(format!("the rows tell fewer than two values of {column}"));
    }
    if levels.len() > MOST_LEVELS {
        return Err(format!(
            "{column} has {} different values, {MOST_LEVELS} at most are followed: write them alike, or take              neighbours together",
            levels.len()
        ));
    }
    let belief = Belief::of(part);
    let prior = belief.as_ref().and_then(Prior::of);
    let reference = by_level::reference(levels);
    let spread = within_factor.ln() / crate::numerics::special::normal_quantile(0.95);
    let (alternatives, shapes) =
        by_level::by_level(levels, reference, prior, spread).map_err(|why| why.to_string())?;
    let all = by_level::together(levels, |_| 1.0);
    let worn = LogLives::new(&all).worn();
    let shape_interval = shapes.quantile(0.025).zip(shapes.quantile(0.975));
    let small = shapes.small_left_out();
    let by_level = ByLevel {
        column: column.to_owned(),
        within_factor,
        levels: (levels.iter().enumerate())
            .map(|(number, level)| Level {
                name: level.name.clone(),
                lives: count_lives(&level.lives),
                ratio: by_level::ratio(&alternatives, number),
            })
            .collect(),
        reference,
        fitted: BTreeMap::new(),
        alternatives,
    };
    Ok(LifeModel {
        part: part.name.clone(),
        basis: Basis::of(prior.is_some(), worn),
        nodes: by_level.nodes_at(reference),
        lives: count_lives(&all),
        shape_interval,
        by_level: Some(by_level),
        cautions: cautions(&part.name, worn, prior.as_ref(), shape_interval, small),
    })
}

/// First guess of the shape for the posterior's search.
pub(super) fn first_shape(data: &LogLives, prior: Option<&Prior>) -> f64 {
    if let Ok(optimum) = maximise(data, Kernel::SmallestExtreme) {
        return 1.0 / optimum.sigma;
    }
    prior.map_or_else(|| 1.2 / data.rough().1, |p| p.shape)
}

pub(super) fn node((shape, ln_scale, weight): (f64, f64, f64), ln_longest: f64) -> WeibullNode {
    let (shape, ln_scale) = if shape < SMALLEST_SHAPE {
        let z = shape * (ln_longest - ln_scale);
        (SMALLEST_SHAPE, ln_longest - z / SMALLEST_SHAPE)
    } else {
        (shape, ln_scale)
    };
    WeibullNode {
        shape,
        scale: ln_scale.clamp(-LARGEST_LN_SCALE, LARGEST_LN_SCALE).exp(),
        weight,
    }
}

/// With nothing worn: `(Σ t^β / −ln(1 − confidence))^(1/β)` for a range of shapes; empty otherwise.
pub(super) fn scale_bounds(data: &LogLives, confidence: f64) -> Vec<ScaleBound> {
    if data.worn() > 0.0 || data.right.y.is_empty() {
        return Vec::new();
    }
    BOUND_SHAPES
        .iter()
        .map(|&shape| ScaleBound {
            shape,
            scale: zero_worn_scale(data, shape, confidence),
        })
        .collect()
}

/// Lower bound on the scale at the confidence when nothing wore out, for a known shape:
/// `(Σ t^β / −ln(1 − confidence))^(1/β)`, hours. Source: W. Nelson, Journal of Quality Technology 17
/// (1985), 140–146 (from memory).
pub(super) fn zero_worn_scale(data: &LogLives, shape: f64, confidence: f64) -> f64 {
    let ln_sum = PowerSums::ln_sum(data, shape);
    let ln_scale = (ln_sum - (-(-confidence).ln_1p()).ln()) / shape;
    (ln_scale + data.shift).exp()
}

fn cautions(
    part: &str,
    worn: f64,
    prior: Option<&Prior>,
    shape_interval: Option<(f64, f64)>,
    small_shapes_left_out: bool,
) -> Vec<Caution> {
    let mut cautions = Vec::new();
    let mut add = |code, text: String| cautions.push(Caution::about(code, part, text));
    // An empty sum is −0; nobody has "-0 worn lives".
    let worn = worn + 0.0;
    match prior {
        Some(prior) if worn < prior.worth => add(
            CautionCode::MostlyBelief,
            format!(
                "rests more on the stated belief (worth {} worn parts) than on {} in the \
                 records",
                prior.worth,
                worn_lives(worn)
            ),
        ),
        None if worn < 5.0 => add(
            CautionCode::FewWorn,
            format!(
                "rests on {} only, so the forecast is wide",
                worn_lives(worn)
            ),
        ),
        _ => {}
    }
    if shape_interval.is_some_and(|(low, _)| low <= 1.0) {
        add(
            CautionCode::ShapeMayBeOne,
            "the records do not show that an old one is likelier to wear out than a new one, so \
             changing ahead of time may not pay (the shape may be 1 or less)"
                .into(),
        );
    }
    if small_shapes_left_out {
        add(
            CautionCode::FlatLikelihood,
            "shapes close to 0, about which these lives say nothing, are left out".into(),
        );
    }
    cautions
}

#[cfg(test)]
#[path = "life_model_tests.rs"]
mod tests;
