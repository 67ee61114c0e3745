//! What is fitted where the rows do not tell which position was changed when.

use std::collections::BTreeMap;
use std::sync::Arc;

use super::first_life::{Ages, FirstLife};
use crate::lives::{Fitted, Lives, Unplaced};
use crate::models::{AgeNow, Caution, CautionCode, LifeModel, PartsNow};
use crate::records::Text;

/// Ages of the parts now in, machine by machine, the youngest first.
///
/// Each part is followed by its own ages, with their weights under each curve, and as if the others' ages did not
/// matter: by rank, little is left of that they do, 0.003 in a cumulative chance of a demand.
pub(super) struct Untold<'a> {
    machines: BTreeMap<Text, (&'a Unplaced, Arc<PartsNow>, Vec<AgeNow>)>,
    /// Parts placed so far.
    count: u32,
}

impl<'a> Untold<'a> {
    pub(super) fn new(lives: &'a Lives, model: &LifeModel) -> Self {
        let of_part = lives
            .unplaced
            .iter()
            .filter(|u| u.part == model.part && !u.retired);
        Self {
            machines: of_part
                .map(|u| {
                    let parts = Arc::new(PartsNow::new(u));
                    let ages = parts.given(&model.nodes);
                    (u.machine, (u, parts, ages))
                })
                .collect(),
            count: 0,
        }
    }

    /// What stands for a fitted part: the name of its place, and its first life. `None` where its
    /// position is told.
    pub(super) fn place(&mut self, fitted: &Fitted) -> Option<(String, FirstLife)> {
        let (unplaced, parts, ages) = self.machines.get(&fitted.machine)?;
        let rank = unplaced
            .positions
            .iter()
            .position(|p| *p == fitted.position)?;
        let age = ages.get(rank)?;
        self.count += 1;
        let positions: Vec<&str> = unplaced.positions.iter().map(|p| p.as_str()).collect();
        let name = match (rank, positions.len()) {
            (_, 1) => positions[0].to_owned(),
            (0, _) => format!("one of {}, the youngest", positions.join(", ")),
            (rank, n) if rank + 1 == n => format!("one of {}, the oldest", positions.join(", ")),
            (rank, _) => format!(
                "one of {}, number {} by age",
                positions.join(", "),
                rank + 1
            ),
        };
        let first = match (age.ages.as_slice(), age.unknown) {
            ([(only, _)], unknown) if unknown <= 0.0 => FirstLife::Aged(only.max(0.0)),
            _ => FirstLife::OneOf(Ages::new(age, Some((Arc::clone(parts), rank)))),
        };
        Some((name, first))
    }

    /// What a reader must know of them.
    pub(super) fn caution(&self, part: &str) -> Option<Caution> {
        (self.count > 0).then(|| {
            Caution::about(
                CautionCode::UnknownAge,
                part,
                format!(
                    "{} fitted in positions that the rows do not tell: forecast from the ages that \
                     they may have, the youngest of a machine first, weighted by the life model; \
                     where an age is open no planned change is advised, so tell positions to do \
                     better",
                    self.count
                ),
            )
        })
    }
}
