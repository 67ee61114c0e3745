//! Published two-group cases, and what must hold of any comparison.

use approx::assert_abs_diff_eq;

use super::*;
use crate::lives::{ColumnValues, LivesTable, NamedColumn, Observations};
use crate::models::CautionCode;
use crate::numerics::streams::stream;

const INF: f64 = f64::INFINITY;

fn text(name: &str, values: &[String]) -> NamedColumn {
    NamedColumn {
        name: name.to_owned(),
        values: ColumnValues::from_texts(values),
    }
}

/// A published data set with its group column.
fn published(name: &str, column: &str) -> LivesTable {
    let path = format!("{}/datasets/{name}/data.csv", env!("CARGO_MANIFEST_DIR"));
    let mut reader = csv::Reader::from_path(path).unwrap();
    let mut table = LivesTable::default();
    let mut groups = Vec::new();
    for row in reader.deserialize::<std::collections::BTreeMap<String, String>>() {
        let row = row.unwrap();
        let t: f64 = row["time"].parse().unwrap();
        let high = if row["status"] == "failure" { t } else { INF };
        table
            .observations
            .push(t, high, 0.0, row["count"].parse().unwrap());
        groups.push(row[column].clone());
    }
    table.columns.push(text(column, &groups));
    table
}

fn near(ours: f64, theirs: f64, tolerance: f64) {
    assert_abs_diff_eq!(ours, theirs, epsilon = tolerance);
}

/// Freireich et al. 1963: log-rank 16.79 as printed in textbooks (from memory: Kalbfleisch &
/// Prentice); digits by scipy 1.17.1 and R survival 3.5-3.
#[test]
fn remission_under_6mp_and_without() {
    let c = compare(
        &published("freireich_6mp", "group"),
        &CompareOptions::by("group"),
    )
    .unwrap();
    let log_rank = c.log_rank.unwrap();
    near(log_rank.test.statistic, 16.7929409892, 1e-8);
    near(log_rank.test.p_value, 4.16880910933e-05, 1e-13);
    near(log_rank.tallies[0].observed, 9.0, 0.0);
    near(log_rank.tallies[0].expected, 19.250500948, 1e-8);
    near(log_rank.tallies[1].expected, 10.749499052, 1e-8);
    let (shape, life) = (c.equal_shape.unwrap(), c.equal_life.unwrap());
    near(life.statistic, 19.6518307962, 1e-7);
    near(life.p_value, 9.29142444192e-06, 1e-12);
    near(shape.statistic, 0.00141103133998, 1e-8);
    near(shape.p_value, 0.970035552997, 1e-7);
    let both = c.equal_shape_and_life.unwrap();
    near(both.statistic, 19.6532418275, 1e-7);
    assert_eq!(both.degrees_of_freedom, 2);
    near(
        c.shared_shape.unwrap().estimate.unwrap(),
        1.36575750159,
        1e-8,
    );
    let ratio = &c.life_ratios[0];
    assert_eq!((&ratio.of[..], &ratio.to[..]), ("control", "6-MP"));
    near(1.0 / ratio.ratio.unwrap(), 3.55137405881, 1e-7);
    let se = 0.310639935976 * 1.959963984540054;
    near(ratio.lower.unwrap().ln(), -1.26733458742 - se, 1e-6);
    near(ratio.upper.unwrap().ln(), -1.26733458742 + se, 1e-6);
    assert_eq!(
        c.answer,
        "Lives with group 6-MP lasted 3.6 times as long as with control (95%: 1.9 to 6.5; 30 worn \
         lives)."
    );
}

/// Embury et al. 1977 as in R's `aml`; scipy 1.17.1 and R survival 3.5-3.
#[test]
fn maintained_and_not() {
    let c = compare(&published("aml", "group"), &CompareOptions::by("group")).unwrap();
    near(c.log_rank.unwrap().test.statistic, 3.39638869898, 1e-9);
    near(c.equal_life.unwrap().statistic, 5.31404805881, 1e-7);
    near(c.equal_shape.unwrap().statistic, 1.34695353739, 1e-7);
    near(
        c.equal_shape_and_life.unwrap().statistic,
        6.6610015962,
        1e-7,
    );
    near(
        c.equal_shape_and_life.unwrap().p_value,
        0.0357751844364,
        1e-8,
    );
}

/// Log-rank by sex on 227 rows of R's `lung`: scipy 1.17.1.
#[test]
fn lung_cancer_by_sex() {
    let c = compare(&published("lung", "sex"), &CompareOptions::by("sex")).unwrap();
    near(c.log_rank.unwrap().test.statistic, 10.0081738057, 1e-8);
}

/// R survival 3.5-3: `survdiff(Surv(time, status) ~ ph.ecog + strata(sex))` and three groups
/// without strata, on the rows of the published file.
#[test]
fn several_groups_and_strata() {
    let table = published("lung", "ph_ecog");
    let lives = &table.observations;
    let group = Grouping::of(&table, "ph_ecog").unwrap();
    let sex = Grouping::of(&published("lung", "sex"), "sex").unwrap();
    let plain = log_rank(lives, &group.codes, 4, None).unwrap();
    near(plain.test.statistic, ECOG_PLAIN, 1e-7);
    assert_eq!(plain.test.degrees_of_freedom, 3);
    let stratified = log_rank(lives, &group.codes, 4, Some(&sex.codes)).unwrap();
    near(stratified.test.statistic, ECOG_BY_SEX, 1e-7);
}

const ECOG_PLAIN: f64 = 21.9621316825;
const ECOG_BY_SEX: f64 = 21.5962383705;

/// Machines with their own level, an effect of the group or none.
fn fleet(
    replicate: u64,
    machines: u32,
    per_machine: u32,
    spread: f64,
    effect: f64,
    mixed: bool,
) -> LivesTable {
    let mut s = stream(11, replicate);
    let mut table = LivesTable::default();
    let (mut group, mut machine) = (Vec::new(), Vec::new());
    for m in 0..machines {
        let own = spread * s.normal();
        for j in 0..per_machine {
            let tight = if mixed { j % 2 == 0 } else { m % 2 == 0 };
            let shift = if tight { effect } else { 0.0 };
            let t = 500.0 * (own + shift).exp() * s.exponential().powf(0.5);
            let cut = 900.0 * s.uniform();
            let (low, high) = if t <= cut { (t, t) } else { (cut, INF) };
            table.observations.push(low, high, 0.0, 1.0);
            group.push(if tight { "tight" } else { "right" }.to_owned());
            machine.push(format!("M{m}"));
        }
    }
    table.columns = vec![text("practice", &group), text("machine", &machine)];
    table
}

#[test]
fn whole_machines_are_dealt_when_practice_goes_by_machine() {
    let c = compare(
        &fleet(1, 12, 8, 0.2, 0.0, false),
        &CompareOptions::by("practice"),
    )
    .unwrap();
    assert_eq!(c.primary_test, PrimaryTest::PermutationByMachine);
    let test = c.permutation_by_machine.unwrap();
    assert_eq!((test.machines, test.dealings, test.all), (12, 924, true));
    let c = compare(
        &fleet(1, 12, 8, 0.2, 0.0, true),
        &CompareOptions::by("practice"),
    )
    .unwrap();
    assert_eq!(c.primary_test, PrimaryTest::ClusteredByMachine);
    assert!(c.permutation_by_machine.is_none());
}

#[test]
fn on_few_machines_there_is_an_estimate_and_no_test() {
    let c = compare(
        &fleet(2, 6, 8, 0.2, 1.0, false),
        &CompareOptions::by("practice"),
    )
    .unwrap();
    assert_eq!(c.primary_test, PrimaryTest::None);
    assert!(
        c.cautions
            .iter()
            .any(|c| c.code == CautionCode::FewMachines)
    );
    assert!(c.life_ratios[0].ratio.is_some() && c.life_ratios[0].p_value.is_none());
    assert!(c.answer.contains("estimate only"), "{}", c.answer);
}

/// Few machines can make clustered errors far too small by luck; limits are then at least the model's.
#[test]
fn limits_on_few_machines_are_never_below_the_models_own() {
    for replicate in 0..20 {
        let table = fleet(100 + replicate, 6, 5, 0.0, 0.3, false);
        let c = compare(&table, &CompareOptions::by("practice")).unwrap();
        let r = &c.life_ratios[0];
        assert!(r.lower.unwrap() <= r.lower_model_only.unwrap());
        assert!(r.upper.unwrap() >= r.upper_model_only.unwrap());
    }
}

/// Each machine a level of its own: found where there is one, and the ratio agrees with the truth.
#[test]
fn machines_that_differ_are_seen_by_the_shared_frailty() {
    let table = fleet(3, 40, 30, 0.5, 0.4, true);
    let c = compare(&table, &CompareOptions::by("practice")).unwrap();
    let spread = c.machine_spread.unwrap();
    assert!((spread.standard_deviation - 0.5).abs() < 0.2, "{spread:?}");
    assert!(spread.p_value < 1e-6);
    let r = c.life_ratios[0].shared_frailty.unwrap();
    // `right` against `tight`, or the other way round.
    let ln = r.ratio.ln().abs();
    assert!((ln - 0.4).abs() < 0.15, "{ln}");
}

/// The first of several stands by itself; the others are held together.
#[test]
fn several_comparisons_have_one_primary() {
    let mut table = fleet(4, 12, 8, 0.0, 0.0, true);
    let lives = table.observations.low.len();
    let third: Vec<String> = (0..lives).map(|i| format!("s{}", i % 3)).collect();
    table.columns.push(text("supplier", &third));
    let columns = ["practice", "supplier", "colour"].map(String::from);
    let parts = [
        (Some("a".to_owned()), table.clone()),
        (Some("b".to_owned()), table),
    ];
    let several = compare_several(&parts, &columns, &CompareOptions::by("practice"));
    assert_eq!((several.comparisons.len(), several.not_given.len()), (4, 2));
    assert_eq!(several.comparisons[0].p_value_holm, None);
    let rest: Vec<(f64, f64)> = several.comparisons[1..]
        .iter()
        .map(|c| (c.primary_p_value.unwrap(), c.p_value_holm.unwrap()))
        .collect();
    assert!(rest.iter().all(|(p, holm)| holm >= p));
    let least = rest.iter().map(|r| r.0).fold(1.0, f64::min);
    assert!(
        rest.iter()
            .any(|r| (r.1 - (3.0 * least).min(1.0)).abs() < 1e-12)
    );
}

#[test]
fn a_group_without_worn_lives_is_told_and_the_rest_goes_on() {
    let mut table = LivesTable::default();
    for (t, worn) in [
        (10., true),
        (20., true),
        (35., true),
        (40., false),
        (50., false),
        (60., false),
    ] {
        table
            .observations
            .push(t, if worn { t } else { INF }, 0.0, 1.0);
    }
    let groups: Vec<String> = ["a", "a", "b", "b", "c", "c"].map(String::from).to_vec();
    table.columns = vec![text("g", &groups)];
    let c = compare(&table, &CompareOptions::by("g")).unwrap();
    assert!(c.cautions.iter().any(|c| c.code == CautionCode::NoWorn));
    assert_eq!(c.life_ratios.len(), 3);
    let of_c = c
        .life_ratios
        .iter()
        .find(|r| r.of == "c" && r.to == "a")
        .unwrap();
    assert!(of_c.ratio.is_none());
    assert_eq!(c.equal_life.unwrap().degrees_of_freedom, 2);
}

#[test]
fn missing_columns_and_single_groups_are_named() {
    let table = published("aml", "group");
    assert!(matches!(
        compare(&table, &CompareOptions::by("colour")),
        Err(CompareError::NoColumn { .. })
    ));
    let mut one = table;
    one.columns[0] = text("group", &vec!["x".to_owned(); one.observations.low.len()]);
    assert!(matches!(
        compare(&one, &CompareOptions::by("group")),
        Err(CompareError::OneGroup { .. })
    ));
}

#[test]
fn order_of_rows_and_splitting_of_counts_change_nothing() {
    let table = published("freireich_6mp", "group");
    let n = table.observations.low.len();
    let groups = Grouping::of(&table, "group").unwrap();
    let mut other = LivesTable::default();
    let mut names = Vec::new();
    for i in (0..n).rev() {
        let count = table.observations.count.get(i).copied().unwrap_or(1.0);
        for _ in 0..count as usize {
            let (low, high) = (table.observations.low[i], table.observations.high[i]);
            other.observations.push(low, high, 0.0, 1.0);
            names.push(groups.levels[groups.codes[i] as usize].clone());
        }
    }
    other.columns = vec![text("group", &names)];
    let (a, b) = (
        compare(&table, &CompareOptions::by("group")).unwrap(),
        compare(&other, &CompareOptions::by("group")).unwrap(),
    );
    near(
        a.log_rank.unwrap().test.statistic,
        b.log_rank.unwrap().test.statistic,
        1e-9,
    );
    near(
        a.equal_life.unwrap().statistic,
        b.equal_life.unwrap().statistic,
        1e-9,
    );
    assert_eq!(a.answer, b.answer);
}

/// Late entry: a life that entered after an age is not at risk there; by hand.
#[test]
fn log_rank_with_late_entry_by_hand() {
    let mut lives = Observations::default();
    lives.push(2.0, 2.0, 0.0, 1.0);
    lives.push(5.0, 5.0, 3.0, 1.0);
    lives.push(4.0, 4.0, 0.0, 1.0);
    lives.push(6.0, INF, 0.0, 1.0);
    // At 2: a 1, b 2 at risk, a wears. At 4: a 1 (entered at 3), b 2; b wears. At 5: a 1, b 1; a.
    let test = log_rank(&lives, &[0, 0, 1, 1], 2, None).unwrap();
    near(test.tallies[0].expected, 1.0 / 3.0 + 1.0 / 3.0 + 0.5, 1e-12);
    let variance = 2.0 / 9.0 + 2.0 / 9.0 + 0.25;
    near(
        test.test.statistic,
        (2.0 - 7.0 / 6.0_f64).powi(2) / variance,
        1e-12,
    );
}
