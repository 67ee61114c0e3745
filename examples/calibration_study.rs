//! How far the stock and the forecasts keep their promise, by simulation; writes the table of the
//! documentation.
//!
//! `cargo run --release --example calibration_study -- [data sets] [most positions]` (default 400 and
//! 300; about an hour on one core).
//!
//! A truth is a Weibull life. Positions get their first part at staggered times over one mean life;
//! worn parts are replaced, and some come out unworn for other reasons (a hazard of one in five mean
//! lives). The records end somewhere between the w-th worn part and the next, so what is then running
//! is right-censored at its age. Where w worn parts need fewer positions than the fleet has (2w are
//! taken), the others are machines that are new on that day. With no worn part the truth is drawn from
//! the stated belief itself, and the records end before the first wear-out.
//!
//! From the records alone come the posterior, the stock that is needed over the next hours, and
//! intervals. Since the truth is known, the chance that the future keeps within them is worked out
//! rather than drawn: one number a data set. The table gives its mean over data sets: the share of
//! futures in which the stock is enough.

use std::io::Write;

use rayon::prelude::*;
use wearcast::forecast::{
    Accuracy, Counts, FirstLife, Group, Hours, WeibullCurve, demand, remaining_quantile,
};
use wearcast::lives::Observations;
use wearcast::models::{Belief, Prior, WeibullNode, life_model};
use wearcast::numerics::streams::{Stream, stream};
use wearcast::records::{BelievedLife, Part};

const SCALE: f64 = 300.0;
/// Hours ahead, as a share of the true mean life.
const AHEAD: f64 = 0.75;
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

fn records(truth: &WeibullCurve, worn: usize, positions: usize, random: &mut Stream) -> Records {
    let mean = truth.mean();
    let seen = if worn == 0 {
        positions
    } else {
        positions.min(2 * worn)
    };
    let starts: Vec<f64> = (0..seen).map(|_| mean * random.uniform()).collect();
    // Long enough for the next worn part after the w-th but for one chance in thousands.
    let wanted = worn as f64 + 1.0 + 6.0 * (worn as f64 + 1.0).sqrt();
    let mut until = mean * (1.5 + 1.3 * wanted / seen as f64);
    let (ended, streams) = loop {
        let mut ended: Vec<Ended> = Vec::new();
        let mut renewals: Vec<Vec<f64>> = Vec::new();
        let mut again = random.clone();
        for start in &starts {
            let (mut new, mut fitted) = (*start, vec![*start]);
            while new < until {
                let (wears, other) = (life(truth, &mut again), 5.0 * mean * again.exponential());
                let age = wears.min(other);
                new += age;
                ended.push(Ended {
                    at: new,
                    age,
                    worn: wears <= other,
                });
                fitted.push(new);
            }
            renewals.push(fitted);
        }
        let by = ended.iter().filter(|e| e.worn && e.at < until).count();
        if by > worn {
            *random = again;
            break (ended, renewals);
        }
        // The same draws do not fit a longer history: begin anew with a longer one.
        until *= 1.5;
    };
    let mut times: Vec<f64> = ended.iter().filter(|e| e.worn).map(|e| e.at).collect();
    times.sort_by(f64::total_cmp);
    let before = if worn == 0 { 0.0 } else { times[worn - 1] };
    let end = before + (times[worn] - before) * random.uniform();
    let mut lives = Observations::default();
    for e in ended.iter().filter(|e| e.at <= end) {
        let high = if e.worn { e.age } else { f64::INFINITY };
        lives.push(e.age, high, 0.0, 1.0);
    }
    let mut ages = Vec::new();
    for fitted in streams {
        let age = fitted
            .iter()
            .rev()
            .find(|new| **new <= end)
            .map_or(0.0, |new| end - new);
        if age > 0.0 {
            lives.push(age, f64::INFINITY, 0.0, 1.0);
        }
        ages.push(age);
    }
    ages.resize(positions, 0.0);
    Records { lives, ages }
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

fn one(
    truth: &WeibullCurve,
    part: &Part,
    worn: usize,
    positions: usize,
    random: &mut Stream,
) -> Option<One> {
    let records = records(truth, worn, positions, random);
    let model = life_model(part, &records.lives).ok()?;
    let hours = AHEAD * truth.mean();
    let groups = group(&records.ages, hours);
    let exactly = [WeibullNode {
        shape: truth.shape,
        scale: truth.scale,
        weight: 1.0,
    }];
    let of = |nodes: &[WeibullNode]| -> Option<Counts> {
        demand(nodes, &groups, 1, ACCURACY)
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
    let fitted: Vec<f64> = records.ages.iter().copied().take(5).collect();
    let within = fitted.iter().map(|age| {
        let first = FirstLife::Aged(*age);
        let by =
            |p| remaining_quantile(&model.nodes, 1, first, p).map_or(1.0, |h| first.cdf(truth, h));
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
        "{sets} data sets a row. Percent; ± is the standard error of the 95 % column.\n"
    )?;
    writeln!(
        out,
        "| shape | worn | positions | 80 % stock holds | 95 % stock holds | 99 % stock holds | \
         plug-in 95 % | excess stock | 90 % count interval | 80 % life interval | no forecast |"
    )?;
    writeln!(out, "|---|---|---|---|---|---|---|---|---|---|---|")?;
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
        for positions in [12, 30, 300].into_iter().filter(|p| *p <= most) {
            let mut part = Part::named("part");
            part.believed_life = shape.is_none().then_some(belief);
            let seed = (shape.unwrap_or(0.0) * 10.0) as u64 * 1_000_000 + worn as u64 * 1000;
            let found: Vec<Option<One>> = (0..sets)
                .into_par_iter()
                .map(|number| {
                    let mut random = stream(seed + positions as u64, number as u64);
                    let truth = match shape {
                        Some(shape) => WeibullCurve {
                            shape,
                            scale: SCALE,
                        },
                        None => {
                            let shape = prior.shape * (prior.ln_shape_sd * random.normal()).exp();
                            // (M/η)^β is gamma with shape w and rate w.
                            let g = random.gamma(prior.worth) / prior.worth;
                            WeibullCurve {
                                shape,
                                scale: prior.age * (-g.ln() / shape).exp(),
                            }
                        }
                    };
                    one(&truth, &part, worn, positions, &mut random)
                })
                .collect();
            let given: Vec<One> = found.iter().flatten().copied().collect();
            let n = given.len().max(1) as f64;
            let mean = |of: &dyn Fn(&One) -> f64| given.iter().map(of).sum::<f64>() / n;
            let held = mean(&|o| o.enough[1]);
            let spread = mean(&|o| (o.enough[1] - held).powi(2)).sqrt() / n.sqrt();
            let excess = mean(&|o| o.stock) / mean(&|o| o.stock_if_known) - 1.0;
            writeln!(
                out,
                "| {} | {worn} | {positions} | {:.1} | {:.1} ± {:.1} | {:.1} | {:.1} | {:.0} % | {:.1} | {:.1} | {:.1} |",
                shape.map_or_else(|| "from the belief".to_owned(), |s| format!("{s}")),
                100.0 * mean(&|o| o.enough[0]),
                100.0 * held,
                100.0 * spread,
                100.0 * mean(&|o| o.enough[2]),
                100.0 * mean(&|o| o.plugged_in),
                100.0 * excess,
                100.0 * mean(&|o| o.count),
                100.0 * mean(&|o| o.life),
                100.0 * (1.0 - given.len() as f64 / sets.max(1) as f64),
            )?;
            out.flush()?;
        }
    }
    Ok(())
}
