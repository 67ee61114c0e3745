//! From export to life model against a truth that is known: the invented crew with other luck.

#![expect(
    clippy::unwrap_used,
    reason = "a test may stop at what it did not expect"
)]

#[path = "../examples/evaporator_crew.rs"]
#[expect(dead_code, reason = "the example's main is not run here")]
mod evaporator_crew;
#[path = "../examples/untold_study.rs"]
#[expect(dead_code, reason = "likewise")]
mod untold_study;

use std::fmt::Write;

use wearcast::lives::{build, observations};
use wearcast::models::{Family, LifeModel, estimate, life_model};
use wearcast::numerics::streams::stream;
use wearcast::records::{Fleet, LoadOptions};

const CREWS: u64 = 40;

/// Posterior chance that the age by which a share `p` has worn out is below `hours`.
fn chance_below(model: &LifeModel, p: f64, hours: f64) -> f64 {
    let quantile = |shape: f64, scale: f64| scale * (-(1.0 - p).ln()).powf(1.0 / shape);
    let below = |n: &&wearcast::models::WeibullNode| quantile(n.shape, n.scale) < hours;
    model.nodes.iter().filter(below).map(|n| n.weight).sum()
}

/// In how many of the crews the 95 % interval of the median and of B10 holds the true one, with no
/// belief stated, and how many crews had a model.
fn held(part: &str) -> (u64, u64, u64) {
    let law = evaporator_crew::law(part);
    let true_age = |p: f64| law.1 * (-f64::ln(1.0 - p)).powf(1.0 / law.0);
    let (mut median, mut b10, mut models) = (0, 0, 0);
    for seed in 1..=CREWS {
        let dir = tempfile::tempdir().unwrap();
        for (name, text) in evaporator_crew::with_seed(seed) {
            std::fs::write(dir.path().join(name), text).unwrap();
        }
        let fleet = Fleet::load(dir.path(), &LoadOptions::default()).unwrap();
        let lives = build(&fleet);
        let of_part = observations(lives.lives.iter().filter(|life| life.part == part));
        let mut catalogue = fleet.parts.iter().find(|p| p.name == part).unwrap().clone();
        catalogue.believed_life = None;
        if let Ok(model) = life_model(&catalogue, &of_part) {
            models += 1;
            let inside = |p| (0.025..0.975).contains(&chance_below(&model, p, true_age(p)));
            median += u64::from(inside(0.5));
            b10 += u64::from(inside(0.1));
        }
    }
    (median, b10, models)
}

// Of 40 intervals at 95 %, fewer than 33 hold the truth once in 6,000 times.

#[test]
fn rings_changed_singly_come_back_with_their_true_lives() {
    let (median, b10, models) = held("wear ring");
    assert_eq!(models, CREWS);
    assert!(median >= 33 && b10 >= 33, "{median} and {b10} of {models}");
}

#[test]
fn rollers_changed_as_a_set_come_back_with_the_lives_of_single_rollers() {
    let (median, b10, models) = held("drive roller");
    assert!(models >= 38, "{models}");
    assert!(median >= 33 && b10 >= 33, "{median} and {b10} of {models}");
}

#[test]
fn guide_blocks_with_few_worn_are_not_claimed_to_be_known_better_than_they_are() {
    let (median, b10, models) = held("guide block");
    assert!(models >= 33, "{models}");
    let enough = models - 6;
    assert!(
        median >= enough && b10 >= enough,
        "{median} and {b10} of {models}"
    );
}

/// Mean over many exports of the median estimated from sets of three changed together at the first
/// to wear, over the true median; with or without a column that says that one was worn.
fn median_of_sets(is_counted: bool) -> f64 {
    const EXPORTS: u64 = 200;
    const CHANGES: usize = 60;
    let (shape, scale) = (2.0, 500.0);
    let true_median = scale * std::f64::consts::LN_2.powf(1.0 / shape);
    let mut sum = 0.0;
    for export in 0..EXPORTS {
        let mut random = stream(31, export);
        let mut hours = 10.0;
        let mut rows = String::from("date,machine,part,hours,reason,worn_count\n");
        let mut day = jiff::civil::date(2000, 1, 1);
        for _ in 0..=CHANGES {
            let count = if is_counted { "1" } else { "" };
            writeln!(rows, "{day},M1,roller,{hours},worn,{count}").unwrap();
            let first = (0..3)
                .map(|_| scale * random.exponential().powf(1.0 / shape))
                .fold(f64::INFINITY, f64::min);
            hours += first;
            day += jiff::Span::new().days((first / 20.0) as i64 + 1);
        }
        let dir = tempfile::tempdir().unwrap();
        let toml = "[fleet]\nname = \"Sets\"\n[[records]]\nfile = \"r.csv\"\n[records.reasons]\nworn = [\"worn\"]\n\
            [[part]]\nname = \"roller\"\nper_machine = 3\nchanged = \"as a set\"\n";
        std::fs::write(dir.path().join("fleet.toml"), toml).unwrap();
        std::fs::write(dir.path().join("r.csv"), rows).unwrap();
        let lives = build(&Fleet::load(dir.path(), &LoadOptions::default()).unwrap());
        let curve = estimate(&observations(&lives.lives), Family::Weibull).unwrap();
        let median = curve.scale * std::f64::consts::LN_2.powf(1.0 / curve.shape);
        sum += median / true_median;
    }
    sum / EXPORTS as f64
}

#[test]
fn sets_changed_at_the_first_to_wear_come_back_with_the_median_of_single_parts() {
    for is_counted in [false, true] {
        let ratio = median_of_sets(is_counted);
        assert!((ratio - 1.0).abs() < 0.03, "{ratio}");
    }
}

/// Mean over many fleets of the estimated median of parts of which rows do not tell the position, over
/// the true one. Three in each of two machines, new at the start or met in the middle of a long
/// history; some rows may tell the position, some parts come out unworn.
fn median_of_untold(share_told: f64, share_unworn: f64, from_new: bool) -> f64 {
    const FLEETS: u64 = 200;
    let case = untold_study::Case {
        machines: 2,
        positions: 3,
        shape: 2.5,
        unworn: share_unworn,
        told: untold_study::Told::Share(share_told),
        from_new,
        seen: 4.0,
    };
    let median = |shape: f64, scale: f64| scale * std::f64::consts::LN_2.powf(1.0 / shape);
    let mut sum = 0.0;
    for fleet in 0..FLEETS {
        let lives = case.lives(&mut stream(57, fleet)).unwrap();
        assert_eq!(lives.rows.set_aside, 0, "{:?}", lives.problems);
        assert_eq!(lives.unplaced.is_empty(), share_told >= 1.0);
        let curve = estimate(&lives.of_part("ring"), Family::Weibull).unwrap();
        sum += median(curve.shape, curve.scale);
    }
    sum / FLEETS as f64 / median(case.shape, untold_study::SCALE)
}

// The median of 24 worn lives has a standard error of some 7 %, the mean of 200 one of 0.5 %.

#[test]
fn lives_of_untold_positions_come_back_with_the_true_median() {
    for (told, unworn, from_new) in [(0.0, 0.0, true), (0.5, 0.3, false)] {
        let ratio = median_of_untold(told, unworn, from_new);
        assert!(
            (0.97..1.03).contains(&ratio),
            "{told} {unworn} {from_new}: {ratio}"
        );
    }
}
