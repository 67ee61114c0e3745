//! Groups with too few worn lives or machines to say much.

use super::Group;
use super::prepare::Prepared;
use crate::models::{Caution, CautionCode};

/// Machines an arm needs before a test is given.
pub(super) const MACHINES_FOR_A_TEST: usize = 4;
/// Worn lives below which a group is called thin.
const FEW_WORN: f64 = 5.0;

impl Prepared<'_> {
    /// Cautions about thin groups; true when some group has too few machines for a test.
    pub(super) fn caution_thin(&mut self, groups: &[Group]) -> bool {
        let named = |wanted: &dyn Fn(f64) -> bool| -> Vec<String> {
            let thin = groups.iter().filter(|g| wanted(g.worn));
            thin.map(|g| format!("{} ({})", g.value, g.worn)).collect()
        };
        let none: Vec<&str> = groups
            .iter()
            .filter(|g| g.worn == 0.0)
            .map(|g| g.value.as_str())
            .collect();
        if !none.is_empty() {
            self.cautions.push(Caution::new(
                CautionCode::NoWorn,
                format!(
                    "No life ended worn in {}, so there is no estimate of life and no ratio there.",
                    none.join(", ")
                ),
            ));
        }
        let few = named(&|worn| worn > 0.0 && worn < FEW_WORN);
        if !few.is_empty() {
            self.cautions.push(Caution::new(
                CautionCode::FewWorn,
                format!(
                    "Few worn lives: {}. Their numbers are rough.",
                    few.join(", ")
                ),
            ));
        }
        let thin: Vec<String> = groups
            .iter()
            .filter(|g| g.machines.is_some_and(|m| m < MACHINES_FOR_A_TEST))
            .map(|g| format!("{} ({})", g.value, g.machines.unwrap_or(0)))
            .collect();
        if thin.is_empty() {
            return false;
        }
        self.cautions.push(Caution::new(
            CautionCode::FewMachines,
            format!(
                "Fewer than {MACHINES_FOR_A_TEST} machines in {}: lives on one machine are alike, so \
                 no test that allows for it can be given, only the estimates. The tests shown take \
                 every life as independent and find differences too readily.",
                thin.join(", ")
            ),
        ));
        true
    }
}
