//! A fit in words and figures.

use serde::Serialize;

use crate::models::{FamilyComparison, Fit};
use crate::report::{self, Cell, Table, format};

/// One fit as a table with notes.
pub(super) fn shown(fit: &Fit) -> String {
    let name = fit.part.as_deref().unwrap_or("all lives");
    let mut table = Table::new("fit", format!("Life model: {name}"))
        .words("quantity", "")
        .figures("estimate", "Estimate")
        .figures("lower", "Lower")
        .figures("upper", "Upper");
    let figure = |x: Option<f64>| {
        Cell::text(x.map_or_else(|| format::NOTHING.to_owned(), |v| format::significant(v, 4)))
    };
    for p in fit.parameters.iter().chain(&fit.coefficients) {
        table.push(vec![
            Cell::text(p.name.clone()),
            figure(p.estimate),
            figure(p.lower),
            figure(p.upper),
        ]);
    }
    if let Some(shape) = fit.reduced_bias_shape {
        table.push(vec![Cell::text("shape, reduced bias"), figure(Some(shape))]);
    }
    for q in &fit.quantiles {
        table.push(vec![
            Cell::text(format!(
                "{} worn out by, hours",
                format::percent(q.probability)
            )),
            figure(q.hours),
            figure(q.lower),
            figure(q.upper),
        ]);
    }
    for r in &fit.reliability {
        table.push(vec![
            Cell::text(format!("still good at {} hours", format::hours(r.hours))),
            figure(r.reliability),
            figure(r.lower),
            figure(r.upper),
        ]);
    }
    let mean = &fit.mean_life;
    table.push(vec![
        Cell::text("mean life, hours"),
        figure(mean.hours),
        figure(mean.lower),
        figure(mean.upper),
    ]);
    let n = &fit.lives;
    table.note(format!(
        "{} lives: {} worn, {} right-censored, {} left-censored, {} between two ages; {} seen only \
         from a later age.",
        n.total, n.worn, n.right_censored, n.left_censored, n.interval_censored, n.left_truncated
    ));
    let intervals = if fit.parameters.iter().any(|p| p.lower.is_some()) {
        format!(
            "{}% intervals: {}",
            100.0 * fit.confidence,
            words(&fit.interval_method)
        )
    } else {
        "no intervals".to_owned()
    };
    table.note(format!(
        "Family {}, by {}; {intervals}.",
        words(&fit.distribution),
        words(&fit.method)
    ));
    let mut said = Vec::new();
    if let Some(log_likelihood) = fit.log_likelihood {
        let shown = format::significant(log_likelihood, 7);
        said.push(format!("log-likelihood {shown}"));
    }
    if let Some(aic) = fit.aic {
        said.push(format!("AIC {}", format::significant(aic, 7)));
    }
    let check = &fit.goodness_of_fit;
    if let Some(a2) = check.anderson_darling {
        let p = check.p_value.map(format::p_value);
        let p = p.map(|p| format!(" (p-value {p})")).unwrap_or_default();
        said.push(format!(
            "Anderson–Darling {}{p}",
            format::significant(a2, 4)
        ));
    }
    if let Some(r) = check.plot_correlation {
        let shown = format::significant(r, 4);
        said.push(format!("correlation of the probability plot {shown}"));
    }
    if !said.is_empty() {
        table.note(format!("Fit: {}.", said.join(", ")));
    }
    for caution in &fit.cautions {
        table.note(format!("Caution: {}.", caution.text.trim_end_matches('.')));
    }
    report::text(&table)
}

/// The families of one part or group side by side, with the hours that each gives.
pub(super) fn families_shown(comparison: &FamilyComparison, fits: &[Fit]) -> String {
    let name = comparison.part.as_deref().unwrap_or("all lives");
    let own: Vec<&Fit> = fits.iter().filter(|f| f.part == comparison.part).collect();
    let asked: Vec<f64> = own.first().map_or_else(Vec::new, |fit| {
        fit.quantiles.iter().map(|q| q.probability).collect()
    });
    let mut table = Table::new("families", format!("Families of life models: {name}"))
        .words("distribution", "Family")
        .figures("free_parameters", "Parameters")
        .figures("log_likelihood", "Log-likelihood")
        .figures("aic", "AIC")
        .figures("above_least", "Above least");
    for p in &asked {
        table = table.figures(
            &format!("hours_{p}"),
            format!("{} worn, h", format::percent(*p)),
        );
    }
    let figure = |x: Option<f64>, digits| {
        Cell::text(x.map_or_else(
            || format::NOTHING.to_owned(),
            |v| format::significant(v, digits),
        ))
    };
    for line in &comparison.families {
        let mut row = vec![
            Cell::text(words(&line.distribution)),
            Cell::count(line.free_parameters as u64),
            figure(line.log_likelihood, 7),
            figure(line.aic, 7),
            Cell::maybe(line.above_least, |v| Cell::number(v, 2)),
        ];
        let fit = own.iter().find(|f| f.distribution == line.distribution);
        for (k, _) in asked.iter().enumerate() {
            let hours = fit.and_then(|f| f.quantiles.get(k)).and_then(|q| q.hours);
            row.push(figure(hours, 4));
        }
        table.push(row);
    }
    for line in &comparison.families {
        if let Some(reason) = &line.reason {
            table.note(format!("{}: {reason}.", words(&line.distribution)));
        }
    }
    table.note(
        "AIC is 2 × parameters − 2 × log-likelihood: less is better. --distribution with one family \
         shows its parameters and intervals.",
    );
    for caution in &comparison.cautions {
        table.note(format!("Caution: {}.", caution.text.trim_end_matches('.')));
    }
    report::text(&table)
}

/// A choice in its own words, as on the command line.
fn words<T: Serialize>(choice: &T) -> String {
    serde_json::to_value(choice)
        .ok()
        .and_then(|v| v.as_str().map(ToOwned::to_owned))
        .unwrap_or_default()
}
