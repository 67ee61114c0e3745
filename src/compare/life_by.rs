//! The life model of a part kind of a fleet, told apart by a column or by the belt tension where the catalogue
//! says so.

use std::collections::BTreeMap;

use super::practice::by_tension;
use crate::lives::{Fitted, Lives, Observations};
use crate::meters::Meters;
use crate::models::{
    Caution, CautionCode, LevelLives, LifeModel, NoModel, life_model, life_model_by_level,
};
use crate::records::{Fleet, LifeBy, Part};

/// What stands for a column where lives are told apart by the tension as it was read.
pub const TENSION: &str = "tension";

/// Lives by level, and the level of what is fitted.
#[derive(Debug, Default)]
struct Told {
    /// By the level's name without case; the name as first written, and its lives. An empty name where nobody
    /// tells.
    levels: BTreeMap<String, (String, Observations)>,
    /// By machine and position.
    fitted: BTreeMap<(String, String), String>,
}

impl Told {
    fn met(&mut self, value: &str) {
        self.levels
            .entry(value.to_lowercase())
            .or_insert_with(|| (value.to_owned(), Observations::default()));
    }

    /// Takes in what is fitted of a part, at the level that `of` tells.
    fn fit<'a>(&mut self, lives: &'a Lives, part: &Part, of: impl Fn(&'a Fitted) -> &'a str) {
        for fitted in lives.fitted.iter().filter(|f| f.part == part.name) {
            let value = of(fitted);
            self.met(value);
            let place = (fitted.machine.to_string(), fitted.position.to_string());
            self.fitted.insert(place, value.to_owned());
        }
    }
}

/// The life model of one part kind. Where the catalogue names a column by whose values its lives differ
/// (`life_by`), each value is a level: those of the lives, of the jobs ahead, and one of no name for rows that do
/// not tell. By `tension` the levels are those of the readings, and lives are cut where one was taken. Where lives
/// cannot be told apart all are taken together, and a caution says why.
///
/// # Errors
/// [`NoModel`], as [`life_model`].
pub fn life_model_of_part(fleet: &Fleet, lives: &Lives, part: &Part) -> Result<LifeModel, NoModel> {
    let together = || life_model(part, &lives.of_part(&part.name));
    let Some(by) = &part.life_by else {
        return together();
    };
    let told = if by.column.eq_ignore_ascii_case(TENSION) {
        tension(fleet, lives, part)
    } else {
        Ok(column(fleet, lives, part, by))
    };
    let apart = told.and_then(|told| {
        let levels = told.levels.into_values();
        let levels: Vec<LevelLives> = levels
            .map(|(name, lives)| LevelLives { name, lives })
            .collect();
        let mut model = life_model_by_level(part, &by.column, by.within_factor, &levels)?;
        if let Some(by) = &mut model.by_level {
            let fitted = told.fitted.into_iter();
            by.fitted = fitted
                .filter_map(|(place, name)| Some((place, by.level(&name)?)))
                .collect();
        }
        Ok(model)
    });
    apart.or_else(|reason: String| {
        let mut model = together()?;
        let text = format!(
            "is forecast as if {} made no difference: {reason}",
            by.column
        );
        let caution = Caution::about(CautionCode::Note, &part.name, text);
        model.cautions.push(caution);
        Ok(model)
    })
}

fn column(fleet: &Fleet, lives: &Lives, part: &Part, by: &LifeBy) -> Told {
    let mut told = Told {
        levels: lives.by_value(&part.name, &by.column),
        ..Told::default()
    };
    let ahead = fleet.jobs.iter().filter(|job| job.end > fleet.as_of);
    for value in ahead.filter_map(|job| job.named(&by.column)) {
        told.met(value);
    }
    let known = lives.fitted_values(&part.name, &by.column);
    told.fit(lives, part, |fitted| {
        let value = fitted.life.as_ref().and_then(|life| known.get(life));
        value.copied().unwrap_or_default()
    });
    told
}

fn tension(fleet: &Fleet, lives: &Lives, part: &Part) -> Result<Told, String> {
    let practice = fleet
        .practice
        .ok_or("no [practice] is stated in fleet.toml")?;
    let of_part: Vec<_> = lives.lives.iter().filter(|l| l.part == part.name).collect();
    let (by_band, last) = by_tension(&of_part, &fleet.tension, &Meters::new(fleet), &practice);
    let mut told = Told::default();
    for (band, lives) in by_band {
        let name = band.map_or("", |band| band.word());
        told.levels
            .insert(name.to_owned(), (name.to_owned(), lives));
    }
    told.fit(lives, part, |fitted| {
        let band = last.get(fitted.machine.as_str());
        band.map_or("", |band| band.word())
    });
    Ok(told)
}
