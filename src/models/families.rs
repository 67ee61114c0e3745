//! Families of life distributions side by side.

use serde::Serialize;

use super::{Caution, CautionCode, Family, Fit};

/// Worn lives below which families are not told apart: with 30, the likelihood still prefers the wrong
/// one of Weibull and lognormal about one time in ten (simulated, see the tests).
const ENOUGH_WORN: u64 = 30;
/// Differences of Akaike's criterion up to this say next to nothing (common practice).
const NEXT_TO_NOTHING: f64 = 2.0;

/// One family among others.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FamilyLine {
    /// Family.
    pub distribution: Family,
    /// Parameters estimated.
    pub free_parameters: usize,
    /// Log-likelihood of the lives as given.
    pub log_likelihood: Option<f64>,
    /// Akaike's criterion, `2·parameters − 2·log-likelihood`; less is better.
    pub aic: Option<f64>,
    /// How far above the least of the table.
    pub above_least: Option<f64>,
    /// Why there is no estimate.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
}

/// Families fitted to the same lives, the least criterion first; those without an estimate last.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct FamilyComparison {
    /// Part or group.
    pub part: Option<String>,
    /// Line by line.
    pub families: Vec<FamilyLine>,
    /// Cautions.
    pub cautions: Vec<Caution>,
}

/// Compares fits of different families to the same lives.
pub fn compare_families(part: Option<&str>, fits: &[Fit]) -> FamilyComparison {
    let least = fits.iter().filter_map(|fit| fit.aic).min_by(f64::total_cmp);
    let mut families: Vec<FamilyLine> = fits
        .iter()
        .map(|fit| FamilyLine {
            distribution: fit.distribution,
            free_parameters: free_parameters(fit),
            log_likelihood: fit.log_likelihood,
            aic: fit.aic,
            above_least: fit.aic.zip(least).map(|(aic, least)| aic - least),
            reason: fit.aic.is_none().then(|| {
                let why = fit.cautions.iter().find(|c| c.code.is_outcome());
                why.map_or_else(|| "no estimate".to_owned(), |c| c.text.clone())
            }),
        })
        .collect();
    families.sort_by(|a, b| {
        let key = |line: &FamilyLine| line.aic.unwrap_or(f64::INFINITY);
        key(a)
            .total_cmp(&key(b))
            .then(a.distribution.cmp(&b.distribution))
    });
    let lives = fits.first().map(|fit| fit.lives).unwrap_or_default();
    let ended = lives.total - lives.right_censored;
    let mut cautions = Vec::new();
    let close: Vec<&FamilyLine> = families
        .iter()
        .filter(|line| line.above_least.is_some_and(|d| d <= NEXT_TO_NOTHING))
        .collect();
    if ended < ENOUGH_WORN {
        cautions.push(Caution::new(
            CautionCode::FewWorn,
            format!(
                "{ended} lives that ended cannot tell families apart: the least AIC is often the wrong \
                 family with fewer than {ENOUGH_WORN}, so choose by what is known of the wear, and look \
                 at how much the answers differ"
            ),
        ));
    } else if close.len() > 1 {
        cautions.push(Caution::new(
            CautionCode::Note,
            format!(
                "{} families are within {NEXT_TO_NOTHING} of the least AIC; the lives do not choose \
                 between them",
                close.len()
            ),
        ));
    }
    let threshold = families.iter().find(|line| {
        line.distribution == Family::WeibullThreshold && line.log_likelihood.is_some()
    });
    if threshold.is_some() {
        cautions.push(Caution::new(
            CautionCode::Note,
            "the threshold's likelihood has no greatest value, so its AIC, taken at the interior \
             optimum, is only a rough guide",
        ));
    }
    FamilyComparison {
        part: part.map(ToOwned::to_owned),
        families,
        cautions,
    }
}

fn free_parameters(fit: &Fit) -> usize {
    let own = match fit.distribution {
        Family::Exponential => 1,
        Family::WeibullThreshold => 3,
        _ => 2,
    };
    own + fit.coefficients.len()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::lives::Observations;
    use crate::models::{FitRequest, IntervalMethod, estimate, fit};
    use crate::numerics::streams::stream;

    fn fits(lives: &Observations) -> Vec<Fit> {
        [
            Family::Weibull,
            Family::Lognormal,
            Family::Exponential,
            Family::WeibullThreshold,
        ]
        .map(|family| {
            let asked = FitRequest {
                family,
                interval: IntervalMethod::Wald,
                ..FitRequest::weibull()
            };
            fit(lives, &asked).unwrap()
        })
        .to_vec()
    }

    /// Exponential lives by hand: log-likelihood −r ln(T/r) − r, so AIC = 2 + 2r ln(T/r) + 2r.
    #[test]
    fn the_criterion_is_counted_from_the_least() {
        let mut lives = Observations::default();
        for t in [100.0, 200.0, 300.0] {
            lives.push(t, t, 0.0, 1.0);
        }
        let table = compare_families(Some("belt"), &fits(&lives));
        let line = |family| {
            let found = table.families.iter().find(|l| l.distribution == family);
            found.unwrap().clone()
        };
        let exponential = line(Family::Exponential).aic.unwrap();
        let by_hand = 2.0 + 6.0 * 200_f64.ln() + 6.0;
        assert!((exponential - by_hand).abs() < 1e-10);
        let least = table.families[0].aic.unwrap();
        assert_eq!(table.families[0].above_least, Some(0.0));
        let above = line(Family::Exponential).above_least.unwrap();
        assert!((above - (exponential - least)).abs() < 1e-12);
        assert_eq!(table.cautions[0].code, CautionCode::FewWorn);
        // Three ages evenly spread have no interior optimum of the threshold, which is said.
        let threshold = line(Family::WeibullThreshold);
        assert!(threshold.aic.is_some() || threshold.reason.unwrap().contains("interior optimum"));
    }

    /// What the caution says: of 30 worn lives from a Weibull, the lognormal has the greater
    /// likelihood in about one of ten samples, of 10 in about one of four.
    #[test]
    fn few_lives_choose_the_wrong_family_often() {
        let wrong = |n: usize| {
            let samples = 600;
            let misled = (0..samples).filter(|&replicate| {
                let mut random = stream(91, replicate);
                let mut lives = Observations::default();
                for _ in 0..n {
                    let t = random.exponential().powf(0.5);
                    lives.push(t, t, 0.0, 1.0);
                }
                let of = |family| estimate(&lives, family).unwrap().log_likelihood;
                of(Family::Lognormal) > of(Family::Weibull)
            });
            misled.count() as f64 / samples as f64
        };
        let (few, more) = (wrong(10), wrong(30));
        assert!((0.18..0.36).contains(&few), "{few}");
        assert!((0.05..0.18).contains(&more), "{more}");
    }
}
