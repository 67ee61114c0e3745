//! What all positions need in each window under one curve, and how far two such answers are apart.

use super::counts::Counts;
use super::firsts::Firsts;
use super::refine::{Tracks, Values};
use super::sum::{SMOOTH, cumulants, total};

/// The sum over all positions in each window, for each way of counting.
pub(super) struct Totals<'a> {
    firsts: &'a [Firsts],
    /// Where each window's row stands among those of a life, by group; nothing is asked where it has no hours.
    rows: Vec<Vec<Option<usize>>>,
    /// Rows of each life, by group.
    each: Vec<usize>,
    /// Groups that have hours, by window.
    groups: Vec<Vec<usize>>,
}

impl<'a> Totals<'a> {
    /// Of the tracks' groups, with the rows of [`at_least`](super::demand::at_least).
    pub(super) fn new(tracks: &'a Tracks<'_>, countings: usize) -> Self {
        let windows = tracks.groups.first().map_or(0, |g| g.windows.len());
        let mut totals = Self {
            firsts: &tracks.firsts,
            rows: Vec::with_capacity(tracks.groups.len()),
            each: Vec::with_capacity(tracks.groups.len()),
            groups: vec![Vec::new(); countings * windows],
        };
        for (g, group) in tracks.groups.iter().enumerate() {
            let mut row = 0;
            let mut rows = vec![None; countings * windows];
            for counting in 0..countings {
                for (w, window) in group.windows.iter().enumerate() {
                    if window.ahead() {
                        rows[counting * windows + w] = Some(row);
                        totals.groups[counting * windows + w].push(g);
                        row += 1;
                    }
                }
            }
            totals.rows.push(rows);
            totals.each.push(row);
        }
        totals
    }

    /// Windows, once for each way of counting.
    pub(super) fn windows(&self) -> usize {
        self.groups.len()
    }

    /// Groups that have hours in a window.
    pub(super) fn groups(&self, w: usize) -> &[usize] {
        &self.groups[w]
    }

    /// Where the row of a life of a group stands.
    fn at(&self, w: usize, g: usize, life: usize) -> Option<usize> {
        self.rows[g][w].map(|row| life * self.each[g] + row)
    }

    pub(super) fn row<'v>(&self, values: &'v Values, w: usize, g: usize, life: usize) -> &'v [f64] {
        self.at(w, g, life).map_or(&[], |row| values.0[g].row(row))
    }

    pub(super) fn make(&self, values: &Values) -> Vec<Counts> {
        (0..self.windows()).map(|w| self.total(w, values)).collect()
    }

    fn total(&self, w: usize, values: &Values) -> Counts {
        total(self.firsts, self.groups(w), |g, i| {
            self.row(values, w, g, i)
        })
    }

    /// Changing one position's distribution by so much at most changes that of the sum by no more.
    pub(super) fn apart(&self, a: &Values, b: &Values, enough: f64) -> f64 {
        let of_window = |w: usize| -> f64 {
            let each = self.groups(w).iter().flat_map(|&g| {
                let lives = self.firsts[g].most.iter().enumerate();
                lives.filter_map(move |(i, most)| Some((most, g, self.at(w, g, i)?)))
            });
            each.map(|(most, g, row)| most * a.0[g].apart(&b.0[g], row))
                .sum()
        };
        let bound = (0..self.windows()).map(of_window).fold(0.0, f64::max);
        if bound <= enough {
            return bound;
        }
        (0..self.windows())
            .map(|w| self.apart_in(w, a, b))
            .fold(0.0, f64::max)
            .min(bound)
    }

    fn apart_in(&self, w: usize, a: &Values, b: &Values) -> f64 {
        let of = |values: &Values| {
            cumulants(self.firsts, self.groups(w), |g, i| {
                self.row(values, w, g, i)
            })
            .filter(|c| c[1] > SMOOTH)
        };
        if let (Some(a), Some(b)) = (of(a), of(b)) {
            // What a change of mean and spread does to a normal distribution: at most φ(0) for the one, in
            // standard deviations, and |zφ(z)| ≤ φ(1) for the other.
            let moved = (a[0] - b[0]).abs() / b[1].sqrt();
            let spread = (a[1] - b[1]).abs() / (2.0 * b[1]);
            return 0.4 * moved + 0.25 * spread;
        }
        self.total(w, a).furthest_from(&self.total(w, b))
    }
}
