//! How far the stock and the forecasts keep their promise, by simulation; writes the table of the
//! documentation.
//!
//! `cargo run --release --example calibration_study -- [data sets] [most positions]` (default 400 and
//! 300; about an hour on one core).
//!
//! A truth is a Weibull life. Positions get their first part at staggered times over one mean life;
//! worn parts are replaced, and some come out unworn for other reasons (a hazard of one in five mean
//! lives). The records end with the w-th worn part (a moment that does not look ahead), so what is then
//! running is right-censored at its age. Where w worn parts need fewer positions than the fleet has (2w
//! are taken), the others are machines that are new on that day. With no worn part the truth is drawn
//! from the stated belief itself, positions start over 100 hours, the records end at 100 hours, and
//! histories with a worn part are drawn anew, truth and all: what is left has the posterior's law.
//!
//! From the records alone come the posterior, the stock that is needed over the next hours, and
//! intervals. Since the truth is known, the chance that the future keeps within them is worked out
//! rather than drawn: one number a data set. The table gives its mean over data sets: the share of
//! futures in which the stock is enough.

use std::io::Write;

use rayon::prelude::*;
use wearcast::forecast::{
    Accuracy, Counts, FirstLife, Group, Hours, WeibullCurve, demand_by_few_curves,
    remaining_quantile,
};
use wearcast::lives::Observations;
use wearcast::models::{Belief, Prior, WeibullNode, life_model};
use wearcast::numerics::streams::{Stream, stream};
use wearcast::records::{BelievedLife, Part};

const SCALE: f64 = 300.0;
/// Hours ahead, as a share of the true mean life.
const AHEAD: f64 = 0.75;
/// Hours of the records without a worn part.
const QUIET: f64 = 100.0;
const LEVELS: [f64; 3] = [0.80, 0.95, 0.99];
const ACCURACY: Accuracy = Accuracy {
    tolerance: 1e-3,
    most_cells: 1024,
};

fn life(truth: &WeibullCurve, random: &mut Stream) -> f64 {
    truth.scale * (random.exponential().ln() / truth.shape).exp()
}

/// Records that end after the w-th worn part, and the ages of what is then fitted.
struct Records {
    lives: Observations,
    ages: Vec<f64>,
}

struct Ended {
    at: f64,
    age: f64,
    worn: bool,
}

/// `None` where none may wear out and one did.
fn records(
    truth: &WeibullCurve,
    worn: usize,
    positions: usize,
    random: &mut Stream,
) -> Option<Records> {
    let mean = truth.mean();
    let seen = if worn == 0 {
        positions
    } else {
        positions.min(2 * worn)
    };
    let span = if worn == 0 { QUIET } else { mean };
    let starts: Vec<f64> = (0..seen).map(|_| span * random.uniform()).collect();
    // Long enough for the w-th worn part but for one chance in millions.
    let wanted = worn as f64 + 6.0 * (worn as f64 + 1.0).sqrt();
    let until = if worn == 0 {
        QUIET
    } else {
        mean * (2.0 + 1.5 * wanted / seen as f64)
    };
    let (mut ended, mut fitted) = (Vec::new(), Vec::new());
    for start in starts {
        let (mut new, mut times) = (start, vec![start]);
        while new < until {
            let (wears, other) = (life(truth, random), 5.0 * mean * random.exponential());
            let age = wears.min(other);
            new += age;
            ended.push(Ended {
                at: new,
                age,
                worn: wears <= other,
            });
            times.push(new);
        }
        fitted.push(times);
    }
    let mut times: Vec<f64> = ended.iter().filter(|e| e.worn).map(|e| e.at).collect();
    times.sort_by(f64::total_cmp);
    let end = if worn == 0 {
        if times.first().is_some_and(|t| *t <= QUIET) {
            return None;
        }
        QUIET
    } else {
        *times.get(worn - 1)?
    };
    let mut lives = Observations::default();
    for e in ended.iter().filter(|e| e.at <= end) {
        let high = if e.worn { e.age } else { f64::INFINITY };
        lives.push(e.age, high, 0.0, 1.0);
    }
    let mut ages = Vec::new();
    for times in fitted {
        let new = times.iter().rev().find(|new| **new <= end);
        let age = new.map_or(0.0, |new| end - new);
        if age > 0.0 {
            lives.push(age, f64::INFINITY, 0.0, 1.0);
        }
        ages.push(age);
    }
    ages.resize(positions, 0.0);
    Some(Records { lives, ages })
}

fn group(ages: &[f64], hours: f64) -> [Group; 1] {
    let mut positions: Vec<(FirstLife, u32)> = Vec::new();
    for age in ages {
        match positions.iter_mut().find(|p| p.0 == FirstLife::Aged(*age)) {
            Some(found) => found.1 += 1,
            None => positions.push((FirstLife::Aged(*age), 1)),
        }
    }
    [Group {
        windows: vec![Hours {
            start: 0.0,
            end: hours,
        }],
        positions,
        starts: Vec::new(),
    }]
}

/// What one data set came to.
#[derive(Clone, Copy, Default)]
struct One {
    /// Chance that the stock at each level is enough.
    enough: [f64; 3],
    stock: f64,
    stock_if_known: f64,
    /// Chance that the future count lies within the 90 % interval.
    count: f64,
    /// Chance that a fitted part wears out between its 10 and 90 % points.
    life: f64,
    /// The same for the plug-in stock at 95 %: one curve, the posterior's middle.
    plugged_in: f64,
}

fn one(truth: &WeibullCurve, part: &Part, records: &Records) -> Option<One> {
    let model = life_model(part, &records.lives).ok()?;
    let hours = AHEAD * truth.mean();
    let groups = group(&records.ages, hours);
    let exactly = [WeibullNode {
        shape: truth.shape,
        scale: truth.scale,
        weight: 1.0,
    }];
    let of = |nodes: &[WeibullNode]| -> Option<Counts> {
        demand_by_few_curves(nodes, groups.to_vec(), 1, ACCURACY)
            .counts
            .into_iter()
            .next()
    };
    let (forecast, known) = (of(&model.nodes)?, of(&exactly)?);
    let middle = |value: fn(&WeibullNode) -> f64| {
        let sum: f64 = model.nodes.iter().map(|n| n.weight * value(n).ln()).sum();
        sum.exp()
    };
    let plugged_in = of(&[WeibullNode {
        shape: middle(|n| n.shape),
        scale: middle(|n| n.scale),
        weight: 1.0,
    }])?;
    let (low, high) = (forecast.quantile(0.05), forecast.quantile(0.95));
    let below = if low > 0 { known.at_most(low - 1) } else { 0.0 };
    let fitted: Vec<f64> = records.ages.iter().copied().take(2).collect();
    let within = fitted.iter().map(|age| {
        let first = FirstLife::Aged(*age);
        let by =
            |p| remaining_quantile(&model.nodes, 1, &first, p).map_or(1.0, |h| first.cdf(truth, h));
        by(0.9) - by(0.1)
    });
    Some(One {
        enough: LEVELS.map(|level| known.at_most(forecast.quantile(level))),
        stock: f64::from(forecast.quantile(0.95)),
        stock_if_known: f64::from(known.quantile(0.95)),
        count: known.at_most(high) - below,
        life: within.sum::<f64>() / fitted.len() as f64,
        plugged_in: known.at_most(plugged_in.quantile(0.95)),
    })
}

/// The shape stated, or a draw from the belief.
fn truth(shape: Option<f64>, prior: &Prior, random: &mut Stream) -> WeibullCurve {
    if let Some(shape) = shape {
        return WeibullCurve {
            shape,
            scale: SCALE,
        };
    }
    let shape = prior.shape * (prior.ln_shape_sd * random.normal()).exp();
    // (M/η)^β is gamma with shape w and rate w.
    let g = random.gamma(prior.worth) / prior.worth;
    WeibullCurve {
        shape,
        scale: prior.age * (-g.ln() / shape).exp(),
    }
}

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut out = std::io::stdout().lock();
    let argument = |i: usize, default: usize| {
        std::env::args()
            .nth(i)
            .and_then(|a| a.parse().ok())
            .unwrap_or(default)
    };
    let (sets, most) = (argument(1, 400), argument(2, 300));
    writeln!(
        out,
        "{sets} data sets each, fleets of 12 / 30 / 300 positions; percent. In brackets the largest \
         standard error of the column before it.\n"
    )?;
    writeln!(
        out,
        "| shape | worn | 80 % stock holds | 95 % stock holds | (se) | 99 % stock holds | 95 % stock \
         of one curve | excess stock | 90 % count interval | 80 % life interval |"
    )?;
    writeln!(out, "|---|---|---|---|---|---|---|---|---|---|")?;
    let belief = BelievedLife {
        low_hours: 150.0,
        high_hours: 900.0,
        worth: 2.0,
    };
    let prior = Prior::of(&Belief {
        low: belief.low_hours,
        high: belief.high_hours,
        worth: belief.worth,
    })
    .ok_or("the belief has no prior")?;
    let mut rows: Vec<(Option<f64>, usize)> = vec![(None, 0)];
    for shape in [1.1, 2.0, 4.5] {
        rows.extend([3, 5, 10, 20, 100].map(|worn| (Some(shape), worn)));
    }
    for (shape, worn) in rows {
        let fleets: Vec<Row> = [12, 30, 300]
            .into_iter()
            .filter(|p| *p <= most)
            .map(|positions| row(shape, worn, positions, sets, &prior, belief))
            .collect();
        let each = |of: fn(&Row) -> String| -> String {
            fleets.iter().map(of).collect::<Vec<_>>().join(" / ")
        };
        let error = fleets.iter().map(|r| r.error).fold(0.0, f64::max);
        writeln!(
            out,
            "| {} | {worn} | {} | {} | ({error:.1}) | {} | {} | {} | {} | {} |",
            shape.map_or_else(|| "from the belief".to_owned(), |s| format!("{s}")),
            each(|r| format!("{:.0}", r.enough[0])),
            each(|r| format!("{:.1}", r.enough[1])),
            each(|r| format!("{:.1}", r.enough[2])),
            each(|r| format!("{:.0}", r.plugged_in)),
            each(|r| format!("{:.0}", r.excess)),
            each(|r| format!("{:.0}", r.count)),
            each(|r| format!("{:.0}", r.life)),
        )?;
        out.flush()?;
    }
    Ok(())
}

/// One fleet's means over data sets, percent.
struct Row {
    enough: [f64; 3],
    /// Standard error of the 95 % stock's.
    error: f64,
    plugged_in: f64,
    excess: f64,
    count: f64,
    life: f64,
}

fn row(
    shape: Option<f64>,
    worn: usize,
    positions: usize,
    sets: usize,
    prior: &Prior,
    belief: BelievedLife,
) -> Row {
    let mut part = Part::named("part");
    part.believed_life = shape.is_none().then_some(belief);
    let seed = (shape.unwrap_or(0.0) * 10.0) as u64 * 1_000_000 + worn as u64 * 1000;
    let found: Vec<Option<One>> = (0..sets)
        .into_par_iter()
        .map(|number| {
            let mut random = stream(seed + positions as u64, number as u64);
            loop {
                let truth = truth(shape, prior, &mut random);
                if let Some(records) = records(&truth, worn, positions, &mut random) {
                    return one(&truth, &part, &records);
                }
            }
        })
        .collect();
    let given: Vec<One> = found.iter().flatten().copied().collect();
    let n = given.len().max(1) as f64;
    let mean = |of: &dyn Fn(&One) -> f64| given.iter().map(of).sum::<f64>() / n;
    let held = mean(&|o| o.enough[1]);
    let spread = mean(&|o| (o.enough[1] - held).powi(2)).sqrt() / n.sqrt();
    let percent = |of: &dyn Fn(&One) -> f64| 100.0 * mean(of);
    Row {
        enough: [0, 1, 2].map(|level: usize| percent(&|o| o.enough[level])),
        error: 100.0 * spread,
        plugged_in: percent(&|o| o.plugged_in),
        excess: 100.0 * (mean(&|o| o.stock) / mean(&|o| o.stock_if_known) - 1.0),
        count: percent(&|o| o.count),
        life: percent(&|o| o.life),
    }
}
