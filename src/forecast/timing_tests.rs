use super::testing::*;
use super::*;
use jiff::civil::date;

#[test]
#[ignore = "prints times"]
fn timing() {
    let mut jobs = Vec::new();
    let names: Vec<String> = (1..=8).map(|i| format!("EV-{i}")).collect();
    let mut day = date(2026, 4, 10);
    for j in 0..10 {
        let end = day.saturating_add(jiff::Span::new().days(10));
        let on: Vec<&str> = names
            .iter()
            .enumerate()
            .filter(|(i, _)| (i + j) % 2 == 0)
            .map(|(_, n)| n.as_str())
            .collect();
        jobs.push(job(&format!("J{j}"), day, end, &on, 70.0 + 5.0 * j as f64));
        day = end.saturating_add(jiff::Span::new().days(3));
    }
    let mut parts = Vec::new();
    let mut fits = Vec::new();
    let mut models = Vec::new();
    for (k, (n, shape, scale)) in [
        (1, 2.0, 450.0),
        (3, 2.5, 900.0),
        (2, 3.0, 700.0),
        (3, 1.5, 600.0),
        (1, 1.5, 2000.0),
    ]
    .into_iter()
    .enumerate()
    {
        let name = format!("P{k}");
        let mut p = part(&name);
        p.per_machine = n;
        parts.push(p);
        for (m, machine) in names.iter().enumerate() {
            for i in 0..n {
                fits.push(fitted(
                    &name,
                    machine,
                    &i.to_string(),
                    Some((m * 37 + i as usize * 90 + k * 20) as f64 % 500.0),
                ));
            }
        }
        models.push(model(&name, spread(shape, scale, 0.3, 17)));
    }
    let fleet = fleet(parts, jobs);
    let lives = lives(fits);
    let t = std::time::Instant::now();
    let outlook = Outlook::new(&fleet, &lives, &models, &ForecastOptions::default());
    println!("outlook {:?}", t.elapsed());
    for part in &outlook.parts {
        let t = std::time::Instant::now();
        let spans: Vec<Span> = (0..outlook.jobs.len())
            .map(Span::Job)
            .chain([Span::All])
            .collect();
        let d = outlook.demand(part, &spans);
        println!(
            "demand {} {:?} error {:e} mean {} q95 {}",
            part.name,
            t.elapsed(),
            d.error,
            d.counts.last().unwrap().mean(),
            d.counts.last().unwrap().quantile(0.95)
        );
        let t = std::time::Instant::now();
        let d = outlook.demand(part, &[Span::All]);
        println!("  total only {:?} error {:e}", t.elapsed(), d.error);
    }
    let t = std::time::Instant::now();
    let f = of_outlook(&outlook);
    println!("forecast {:?} {}", t.elapsed(), f.fitted.len());
}
