//! The library without the command line: a few lives in, a fit and a forecast out.
//!
//! `cargo run --example library_use`. The hours are invented.

use std::io::Write;

use wearcast::forecast::{FirstLife, chance_within, remaining_quantile};
use wearcast::lives::Observations;
use wearcast::models::{FitRequest, fit, life_model};
use wearcast::records::Part;
use wearcast::report;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut out = std::io::stdout().lock();

    // Six belts wore out at these hours; three are still running, or came out for another reason.
    let worn = [212.0, 268.0, 305.0, 340.0, 391.0, 455.0];
    let unworn = [120.0, 240.0, 310.0];
    let mut belts = Observations::default();
    for hours in worn {
        belts.push(hours, hours, 0.0, 1.0);
    }
    for hours in unworn {
        belts.push(hours, f64::INFINITY, 0.0, 1.0);
    }

    // By how many hours has a tenth, and a half, worn out?
    let fitted = fit(&belts, &FitRequest::weibull())?;
    for quantile in &fitted.quantiles {
        if let (Some(hours), Some(lower), Some(upper)) =
            (quantile.hours, quantile.lower, quantile.upper)
        {
            writeln!(
                out,
                "{:.0}% have worn out by {hours:.0} hours (95% interval {lower:.0} to {upper:.0})",
                100.0 * quantile.probability
            )?;
        }
    }
    for caution in &fitted.cautions {
        writeln!(out, "Mind: {}", caution.text)?;
    }

    // A belt now has 200 hours on it. Will it last a job of 90?
    let model = life_model(&Part::named("belt"), &belts)?;
    let now = FirstLife::Aged(200.0);
    let chance = chance_within(&model.nodes, 1, &now, 90.0);
    writeln!(
        out,
        "Chance that a belt of 200 hours wears out in the next 90: {chance:.2}"
    )?;
    if let Some(median) = remaining_quantile(&model.nodes, 1, &now, 0.5) {
        writeln!(out, "It has an even chance to last {median:.0} hours more")?;
    }
    writeln!(out, "{}", report::SAFETY)?;
    Ok(())
}
