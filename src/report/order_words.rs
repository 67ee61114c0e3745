//! Orders in plain words, the same on the page and on the terminal.

use super::format;
use crate::analysis::Analysis;
use crate::stock::Order;

/// Parts taken out from which the records show a rate.
const LEAST_TAKEN_OUT: u64 = 5;

/// One order, said in pieces.
pub(super) struct OrderWords {
    /// `Order 6 drive belts`.
    pub(super) order: String,
    /// `now`, `by 12 May 2026`, or how to decide.
    pub(super) when: String,
    /// What happens without: the chance, and the job in which it would bite first.
    pub(super) without: String,
    /// What is left of that chance if it is ordered.
    pub(super) with: String,
    /// How many cannot wait for the next look.
    pub(super) least_now: Option<String>,
    /// Where the kit of a job cannot be filled by an order on that day.
    pub(super) kit: Option<String>,
    /// How the need splits into changes ahead of time and wear-outs.
    pub(super) split: Option<String>,
    /// What the crew's own habit so far would use, where that is more.
    pub(super) habit: Option<String>,
}

impl OrderWords {
    pub(super) fn of(analysis: &Analysis, order: &Order) -> Self {
        let stock = &analysis.stock;
        let them = if order.order_quantity == 1 {
            "it"
        } else {
            "them"
        };
        let when = match order.order_by {
            Some(day) if day <= stock.as_of => "now".to_owned(),
            Some(day) => format!("by {}", format::date(day)),
            None => "in good time (no lead time is stated)".to_owned(),
        };
        let nothing = order.shortage_probability_if_nothing_ordered;
        let without = match &order.first_shortage {
            Some(first) => {
                let mut words = format!(
                    "without {them}, {} of running short in {} ({})",
                    chances(first.probability),
                    named(&first.job),
                    days(first.start, first.end)
                );
                if chances(nothing) != chances(first.probability) {
                    words.push_str(", ");
                    words.push_str(&chances(nothing));
                    words.push_str(" by the end of the schedule");
                }
                words
            }
            None => format!(
                "without {them}, {} of running short by the end of the schedule",
                chances(nothing)
            ),
        };
        let left = order.shortage_probability_if_ordered;
        let with = format!(
            "{}, the chance over the whole schedule is {}",
            match order.order_by {
                Some(day) if day <= stock.as_of => "ordered today",
                Some(_) => "ordered on that day",
                None => "there in time",
            },
            format::chance(left)
        );
        let least_now = order.order_now.filter(|n| *n > 0).map(|n| {
            let which = if n == order.order_quantity {
                "all of them cannot wait".to_owned()
            } else {
                format!(
                    "if not all can be ordered, at least {} cannot wait",
                    format::count(u64::from(n))
                )
            };
            format!(
                "{which} for the next look at the stock on {}",
                format::date(stock.next_look)
            )
        });
        Self {
            order: format!("Order {}", so_many(order.order_quantity, &order.part)),
            when,
            without,
            with,
            least_now,
            kit: kit(analysis, order),
            split: split(order),
            habit: habit(analysis, order),
        }
    }

    /// `Order 6 drive belts by 12 May 2026: without them, 1 chance in 4 of running short in …`
    pub(super) fn sentence(&self) -> String {
        format!("{} {}: {}.", self.order, self.when, self.without)
    }
}

/// The first kit that asks for more than the shelf will hold, and when to order for it.
fn kit(analysis: &Analysis, order: &Order) -> Option<String> {
    let stock = &analysis.stock;
    let line = (stock.kits.iter()).find(|k| k.part == order.part && k.short > 0)?;
    let job = analysis.fleet.jobs.iter().find(|j| j.name == line.job)?;
    let needed = format!(
        "the kit for {} from {} asks for {} more than the shelf is likely to hold by then",
        named(&job.name),
        format::day_month(job.start),
        format::count(u64::from(line.short))
    );
    let [_, _, longest] = order.lead_days?;
    let by = job.start.saturating_sub(jiff::Span::new().days(longest));
    Some(if by < stock.as_of {
        format!("{needed}, and no delivery is sure to come before")
    } else if order.order_by.is_some_and(|day| by < day) {
        format!("{needed}: to carry it whole, order by {}", format::date(by))
    } else {
        needed
    })
}

/// How the need splits, where parts are changed ahead of time.
pub(super) fn split(order: &Order) -> Option<String> {
    let ahead = order.expected_demand - order.expected_wear_outs;
    if ahead < 0.05 {
        return None;
    }
    Some(format!(
        "Of the {} expected, {} are for changes ahead of time and {} for wear-outs in service. If every \
         one ran until worn, {} would be expected ({} to be as sure), all of them wear-outs in service",
        format::expected(order.expected_demand),
        format::expected(ahead),
        format::expected(order.expected_wear_outs),
        format::expected(order.expected_demand_if_run_until_worn),
        format::count(u64::from(order.needed_if_run_until_worn)),
    ))
}

/// What the records' own rate of taking parts out would use, where that is more than the order covers.
pub(super) fn habit(analysis: &Analysis, order: &Order) -> Option<String> {
    let past = analysis.past_use(&order.part)?;
    if past.expected <= f64::from(order.needed) || past.taken_out < LEAST_TAKEN_OUT {
        return None;
    }
    Some(format!(
        "So far one was taken out, worn or not, for every {} h that one ran ({} of {} were not worn): if the crew \
         goes on like that, these jobs use about {}, more than is ordered for",
        format::hours(past.hours / past.taken_out as f64),
        format::count(past.unworn),
        format::count(past.taken_out),
        format::expected(past.expected)
    ))
}

/// Orders to be placed, the most pressing first.
pub(super) fn due(analysis: &Analysis) -> Vec<&Order> {
    let orders = analysis.stock.orders.iter();
    let mut due: Vec<&Order> = orders.filter(|o| o.order_quantity > 0).collect();
    due.sort_by_key(|o| (o.order_by.is_none(), o.order_by));
    due
}

/// `1 drive belt`, `6 drive belts`; `6 × glass` where an s would not do.
pub(super) fn so_many(n: u32, part: &str) -> String {
    let part = named(part);
    let regular = part
        .chars()
        .last()
        .is_some_and(|c| "abcdeghklmnprtvw".contains(c))
        && !part.ends_with("ch")
        && !part.ends_with("sh");
    match n {
        1 => format!("1 {part}"),
        _ if regular => format!("{} {part}s", format::count(u64::from(n))),
        _ => format!("{} × {part}", format::count(u64::from(n))),
    }
}

fn named(name: &str) -> String {
    format::shortened(&format::plain(name), 80)
}

/// `1 chance in 4`, `2 chances in 3`; `a near certainty` at the upper end.
pub(super) fn chances(probability: f64) -> String {
    if probability > 0.99 {
        return "a near certainty".to_owned();
    }
    let words = format::one_in(probability);
    match words.rsplit_once(" in ") {
        Some((a, b)) if a == "1" || a.ends_with(" 1") => format!("{a} chance in {b}"),
        Some((a, b)) => format!("{a} chances in {b}"),
        None => words,
    }
}

/// With a capital and a full stop.
pub(super) fn sentence(words: &str) -> String {
    let mut letters = words.chars();
    let first = letters.next().map(|c| c.to_uppercase().to_string());
    format!("{}{}.", first.unwrap_or_default(), letters.as_str())
}

/// `13 Apr to 24 Apr 2026`.
fn days(from: jiff::civil::Date, to: jiff::civil::Date) -> String {
    if from.year() == to.year() {
        format!("{} to {}", format::day_month(from), format::date(to))
    } else {
        format!("{} to {}", format::date(from), format::date(to))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_and_chances_read_as_people_say_them() {
        assert_eq!(so_many(1, "drive belt"), "1 drive belt");
        assert_eq!(so_many(6, "drive belt"), "6 drive belts");
        assert_eq!(so_many(6, "assembly"), "6 × assembly");
        assert_eq!(so_many(2, "torch"), "2 × torch");
        assert_eq!(chances(0.25), "1 chance in 4");
        assert_eq!(chances(0.67), "2 chances in 3");
        assert_eq!(chances(0.0001), "fewer than 1 chance in 1,000");
        assert_eq!(chances(0.999), "a near certainty");
    }
}
