//! Cautions: what a reader must know beside a number, as data.

use serde::Serialize;

/// The kinds of caution, stable names in JSON.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
#[non_exhaustive]
pub enum CautionCode {
    /// Few worn lives: wide intervals, and families cannot be told apart.
    FewWorn,
    /// No worn life at all.
    NoWorn,
    /// All worn lives ended at one age: the shape has no finite estimate.
    AllWornAtOneAge,
    /// A covariate separates worn from unworn lives: its coefficient has no finite estimate.
    SeparatedCovariate,
    /// The likelihood is flat in some direction.
    FlatLikelihood,
    /// No interior optimum (threshold models).
    NoInteriorOptimum,
    /// Shape may be 1 or less: planned replacement does not pay.
    ShapeMayBeOne,
    /// The family does not fit the lives well.
    PoorFit,
    /// Lives get shorter or longer by date or along a machine.
    Trend,
    /// The answer rests on a stated belief more than on records.
    MostlyBelief,
    /// The answer rests on a stated fixed life model.
    FixedLife,
    /// The answer looks beyond the ages seen in the records.
    BeyondRecords,
    /// Reasons that no mapping covers.
    UnknownReasons,
    /// Lives or positions left out because an age is unknown.
    UnknownAge,
    /// An order has no lead time.
    NoLeadTime,
    /// A delivery or an order cannot come in time.
    TooLate,
    /// Few machines in a group.
    FewMachines,
    /// Groups do not share one shape.
    ShapesDiffer,
    /// Anything said once, in its own words.
    Note,
}

impl CautionCode {
    /// Whether it says why an estimate or an interval does not exist.
    pub fn is_outcome(self) -> bool {
        matches!(
            self,
            Self::NoWorn
                | Self::AllWornAtOneAge
                | Self::SeparatedCovariate
                | Self::FlatLikelihood
                | Self::NoInteriorOptimum
        )
    }
}

/// One caution.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Serialize)]
pub struct Caution {
    /// Kind.
    pub code: CautionCode,
    /// Part kind it is about, if one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub part: Option<String>,
    /// A plain sentence.
    pub text: String,
}

impl Caution {
    /// A caution about nothing more special than the result it stands on.
    pub fn new(code: CautionCode, text: impl Into<String>) -> Self {
        Self {
            code,
            part: None,
            text: text.into(),
        }
    }

    /// A caution about one part kind.
    pub fn about(code: CautionCode, part: &str, text: impl Into<String>) -> Self {
        Self {
            code,
            part: Some(part.to_owned()),
            text: text.into(),
        }
    }
}
