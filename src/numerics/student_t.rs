//! Student's t, for errors that rest on few machines.

use super::special::{beta_cdf, normal_quantile};

/// Probability that |T| exceeds |t|, with `df` > 0 degrees of freedom:
/// `I_{df/(df + t²)}(df/2, 1/2)` (Abramowitz & Stegun 26.7.1 with 26.5.27).
pub fn t_two_sided(t: f64, df: f64) -> f64 {
    if t.is_infinite() {
        return 0.0;
    }
    beta_cdf(df / (df + t * t), 0.5 * df, 0.5)
}

/// The t that |T| exceeds with probability 1 − confidence.
pub fn t_multiplier(confidence: f64, df: f64) -> f64 {
    let tail = 1.0 - confidence;
    let start = -normal_quantile(0.5 * tail);
    // |T| is stochastically larger than |Z|: walk out, then halve.
    let (mut low, mut high) = (start, start.max(0.5));
    while t_two_sided(high, df) > tail && high < 1e300 {
        low = high;
        high *= 2.0;
    }
    for _ in 0..200 {
        let middle = f64::midpoint(low, high);
        if middle <= low || middle >= high {
            break;
        }
        if t_two_sided(middle, df) > tail {
            low = middle;
        } else {
            high = middle;
        }
    }
    f64::midpoint(low, high)
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    /// Upper 97.5 % points by scipy 1.17 (`stats.t.ppf`), as printed in every table.
    #[test]
    fn table_of_multipliers() {
        for (df, t) in [
            (1.0, 12.706204736174694),
            (2.0, 4.302652729749462),
            (5.0, 2.5705818356363146),
            (10.0, 2.228138851986274),
            (30.0, 2.0422724563012378),
            (1000.0, 1.9623390808264083),
        ] {
            assert_relative_eq!(t_multiplier(0.95, df), t, max_relative = 1e-10);
            assert_relative_eq!(t_two_sided(t, df), 0.05, max_relative = 1e-10);
        }
    }

    #[test]
    fn one_degree_of_freedom_is_the_cauchy() {
        // P(|T| > 1) = 1/2.
        assert_relative_eq!(t_two_sided(1.0, 1.0), 0.5, max_relative = 1e-14);
        assert_relative_eq!(t_two_sided(0.0, 3.0), 1.0, max_relative = 1e-14);
    }
}
