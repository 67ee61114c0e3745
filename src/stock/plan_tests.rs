use jiff::civil::{Date, date};
use proptest::prelude::*;

use super::*;
use crate::forecast::testing::{AS_OF, fitted, fleet, job, lives, model, part, spread};
use crate::forecast::{ForecastOptions, Group, Hours, of_outlook, simulate};
use crate::models::WeibullNode;
use crate::records::{Delivery, LeadTime};

const MACHINES: [&str; 4] = ["M1", "M2", "M3", "M4"];

fn options(service_level: f64) -> StockOptions {
    StockOptions {
        service_level,
        lead_time_days: None,
    }
}

/// Four machines, two jobs of 20 days and 100 h each for all of them.
fn two_jobs() -> Vec<crate::records::Job> {
    vec![
        job(
            "first",
            date(2026, 5, 1),
            date(2026, 5, 20),
            &MACHINES,
            100.0,
        ),
        job(
            "second",
            date(2026, 6, 1),
            date(2026, 6, 20),
            &MACHINES,
            100.0,
        ),
    ]
}

fn setup(part: Part, nodes: Vec<WeibullNode>, age: f64) -> (Fleet, Outlook) {
    let name = part.name.clone();
    let fleet = fleet(vec![part], two_jobs());
    let lives = lives(
        MACHINES
            .iter()
            .map(|m| fitted(&name, m, "1", Some(age)))
            .collect(),
    );
    let outlook = Outlook::new(
        &fleet,
        &lives,
        &[model(&name, nodes)],
        &ForecastOptions::default(),
    );
    (fleet, outlook)
}

fn planned(fleet: &Fleet, outlook: &Outlook, options: &StockOptions) -> StockPlan {
    plan(fleet, outlook, &of_outlook(outlook), options)
}

fn exponential(scale: f64) -> Vec<WeibullNode> {
    vec![WeibullNode {
        shape: 1.0,
        scale,
        weight: 1.0,
    }]
}

fn poisson_more_than(mean: f64, s: u32) -> f64 {
    let mut p = (-mean).exp();
    let mut sum = p;
    for n in 1..=s {
        p *= mean / f64::from(n);
        sum += p;
    }
    1.0 - sum
}

/// Exponential lives make total demand Poisson: 4 machines × 200 h / 100 h = 8 parts expected. By
/// the Poisson table the 95 % stock is 13. With 5 on hand, the chance of more than 5 passes 5 % when
/// 2.613 parts are expected, 65.3 h into the first job at 5 h a day: during its 14th day, 14 May.
/// A lead time of 14 days from there is 30 April.
#[test]
fn exponential_lives_follow_the_poisson_table() {
    let mut belt = part("belt");
    belt.on_hand = 5;
    let (fleet, outlook) = setup(belt, exponential(100.0), 40.0);
    let plan = planned(&fleet, &outlook, &options(0.95));
    let order = &plan.orders[0];
    assert!((order.expected_demand - 8.0).abs() < 1e-4);
    assert_eq!(order.needed, 13);
    assert_eq!(order.order_quantity, 8);
    let short = order.shortage_probability_if_nothing_ordered;
    assert!((short - poisson_more_than(8.0, 5)).abs() < 1e-4);
    // Poisson by hand: on 13 May 65 h are run, 2.6 parts expected; on 14 May 70 h, 2.8.
    assert!(poisson_more_than(2.6, 5) <= 0.05 && poisson_more_than(2.8, 5) > 0.05);
    // Arriving on 14 May leaves a chance of 4.9 % to run short before, 3.4 % at the end: together
    // more than 5 %, so the order must come earlier than that.
    let by = order.order_by.unwrap();
    assert!(by < date(2026, 4, 30) && by >= date(2026, 4, 20), "{by}");
    assert!(order.shortage_probability_if_ordered <= 0.05);
    assert!(order.shortage_probability_if_ordered >= poisson_more_than(8.0, 13) - 1e-4);
}

#[test]
fn packs_and_the_smallest_order_are_kept() {
    let mut belt = part("belt");
    belt.on_hand = 5;
    belt.pack = 3;
    let (fleet, outlook) = setup(belt.clone(), exponential(100.0), 40.0);
    assert_eq!(
        planned(&fleet, &outlook, &options(0.95)).orders[0].order_quantity,
        9
    );
    belt.minimum_order = 20;
    let (fleet, outlook) = setup(belt.clone(), exponential(100.0), 40.0);
    assert_eq!(
        planned(&fleet, &outlook, &options(0.95)).orders[0].order_quantity,
        21
    );
    belt.on_hand = 13;
    let (fleet, outlook) = setup(belt, exponential(100.0), 40.0);
    let order = &planned(&fleet, &outlook, &options(0.95)).orders[0];
    assert_eq!((order.order_quantity, order.order_by), (0, None));
}

#[test]
fn too_late_and_no_lead_time_are_said() {
    let mut belt = part("belt");
    belt.lead_time = Some(LeadTime {
        low_days: 60.0,
        high_days: 75.0,
    });
    let (fleet, outlook) = setup(belt.clone(), exponential(100.0), 40.0);
    let late = planned(&fleet, &outlook, &options(0.95));
    assert_eq!(late.orders[0].order_by, Some(AS_OF));
    assert!(late.orders[0].shortage_probability_if_ordered > 0.5);
    assert!(late.cautions.iter().any(|c| c.code == CautionCode::TooLate));
    belt.lead_time = None;
    let (fleet, outlook) = setup(belt, exponential(100.0), 40.0);
    let unknown = planned(&fleet, &outlook, &options(0.95));
    assert_eq!(unknown.orders[0].order_by, None);
    assert!(
        unknown
            .cautions
            .iter()
            .any(|c| c.code == CautionCode::NoLeadTime)
    );
}

/// Share of simulated futures that run short at one of the checks.
fn simulated_shortage(outlook: &Outlook, checks: &[(Date, u32)]) -> f64 {
    let ahead = &outlook.parts[0];
    let schedule = &outlook.schedules[0];
    let windows = checks
        .iter()
        .map(|(day, _)| Hours {
            start: 0.0,
            end: schedule.hours_by(*day),
        })
        .collect();
    let group = Group {
        windows,
        positions: vec![(ahead.places[0].first, 4)],
        starts: Vec::new(),
    };
    let futures = simulate(&ahead.nodes, &[group], 1, 40_000, 11);
    let short = futures
        .iter()
        .filter(|used| used.iter().zip(checks).any(|(u, (_, stock))| u > stock));
    short.count() as f64 / futures.len() as f64
}

/// With one delivery the chance of running short at any time is exact, with two it is a bound from
/// above: against 40,000 simulated futures, which tell chances to within 0.0135 but once in a million.
#[test]
fn shortage_with_deliveries_agrees_with_simulation() {
    let deliveries = [
        Delivery {
            quantity: 2,
            due: date(2026, 5, 12),
        },
        Delivery {
            quantity: 2,
            due: date(2026, 6, 9),
        },
    ];
    for (shape, age) in [(1.0, 40.0), (2.5, 90.0), (5.0, 120.0)] {
        let short = |due: &[Delivery]| {
            let mut belt = part("belt");
            belt.on_hand = 1;
            belt.on_order = due.to_vec();
            let (fleet, outlook) = setup(belt, spread(shape, 170.0, 0.25, 5), age);
            let order = planned(&fleet, &outlook, &options(0.95)).orders.remove(0);
            (outlook, order.shortage_probability_if_nothing_ordered)
        };
        let last = date(2026, 6, 20);
        let (outlook, one) = short(&deliveries[..1]);
        let simulated = simulated_shortage(&outlook, &[(date(2026, 5, 11), 1), (last, 3)]);
        assert!(
            (one - simulated).abs() < 0.0135,
            "{shape}: {one} {simulated}"
        );
        let (outlook, two) = short(&deliveries);
        let checks = [(date(2026, 5, 11), 1), (date(2026, 6, 8), 3), (last, 5)];
        let simulated = simulated_shortage(&outlook, &checks);
        assert!(
            (-0.0135..0.04).contains(&(two - simulated)),
            "{shape}: {two} {simulated}"
        );
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(16))]

    /// Higher service never means less stock or a smaller order, and what is advised gives the
    /// service asked for.
    #[test]
    fn advice_keeps_its_promise(
        shape in 0.7_f64..4.0,
        scale in 60.0_f64..400.0,
        age in 0.0_f64..200.0,
        on_hand in 0_u32..6,
        low in 0.5_f64..0.9,
        more in 0.01_f64..0.09,
    ) {
        let mut belt = part("belt");
        belt.on_hand = on_hand;
        let (fleet, outlook) = setup(belt, spread(shape, scale, 0.2, 3), age);
        let a = planned(&fleet, &outlook, &options(low)).orders.remove(0);
        let b = planned(&fleet, &outlook, &options(low + more)).orders.remove(0);
        prop_assert!(a.needed <= b.needed);
        prop_assert!(a.order_quantity <= b.order_quantity);
        for (order, level) in [(a, low), (b, low + more)] {
            prop_assert!(
                order.shortage_probability_if_ordered
                    <= order.shortage_probability_if_nothing_ordered + 1e-9
            );
            prop_assert!((0.0..=1.0).contains(&order.fill_rate));
            // Thirty days before the first job and a lead time of fourteen: always in time.
            prop_assert!(order.shortage_probability_if_ordered <= 1.0 - level + 1e-6);
        }
    }
}
