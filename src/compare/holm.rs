//! Several comparisons at once.

/// Holm's step-down adjustment (Holm 1979): the p-values that may be held against one level
/// together. In the order given; each at least as large as before, at most 1.
pub fn holm(p_values: &[f64]) -> Vec<f64> {
    let m = p_values.len();
    let mut order: Vec<usize> = (0..m).collect();
    order.sort_by(|&a, &b| p_values[a].total_cmp(&p_values[b]).then(a.cmp(&b)));
    let mut adjusted = vec![1.0; m];
    let mut running = 0.0_f64;
    for (rank, &i) in order.iter().enumerate() {
        running = running.max((m - rank) as f64 * p_values[i]).min(1.0);
        adjusted[i] = running;
    }
    adjusted
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By hand: 0.01·4, then max(0.02·3), max(0.03·2 = 0.06), max(0.04·1 → 0.06).
    #[test]
    fn holm_by_hand() {
        let adjusted = holm(&[0.02, 0.04, 0.01, 0.03]);
        for (ours, exact) in adjusted.iter().zip([0.06, 0.06, 0.04, 0.06]) {
            approx::assert_relative_eq!(*ours, exact, max_relative = 1e-12);
        }
        assert_eq!(holm(&[]), Vec::<f64>::new());
        assert_eq!(holm(&[0.9, 0.8]), [1.0, 1.0]);
    }
}
