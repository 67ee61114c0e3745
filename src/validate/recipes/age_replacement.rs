//! The planned interval of least cost.

use super::{Answers, Case, numbers_named};
use crate::forecast::WeibullCurve;
use crate::stock::{Costs, best_interval, cost_per_hour};

/// `shape=3,cf/cp=5:t*/eta` and the cost rates beside it, in units of scale and planned cost.
pub(super) fn age_replacement(case: &Case) -> Answers {
    let mut answers = Answers::new();
    for quantity in case.quantities() {
        let Some((given, what)) = quantity.name.split_once(':') else {
            continue;
        };
        let given = numbers_named(given);
        let (Some(&shape), Some(&in_service)) = (given.get("shape"), given.get("cf/cp")) else {
            continue;
        };
        let life = WeibullCurve { shape, scale: 1.0 };
        let costs = Costs {
            planned: 1.0,
            in_service,
            spared: 0.0,
        };
        let best =
            || best_interval(&[(1.0, life)], costs).ok_or("planned change does not pay".to_owned());
        let answer = match what {
            "t*/eta" => best().map(|best| best.hours),
            "cost_rate*eta/cp" => best().map(|best| best.cost_per_hour),
            "run_to_failure_cost_rate*eta/cp" => Ok(cost_per_hour(&life, costs, None)),
            _ => continue,
        };
        answers.insert(quantity.whole, answer);
    }
    answers
}
