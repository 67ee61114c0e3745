//! Rows of unequal length, one after another.

/// Rows of numbers; a row that is not there is empty, a number beyond its end 0.
#[derive(Debug, Clone, Default)]
pub(super) struct Rows {
    data: Vec<f64>,
    ends: Vec<usize>,
}

impl Rows {
    /// What is pushed from here on belongs to the next row, up to [`end`](Self::end).
    pub(super) fn push(&mut self, value: f64) {
        self.data.push(value);
    }

    /// Makes room for so many more numbers and rows.
    pub(super) fn reserve(&mut self, numbers: usize, rows: usize) {
        self.data.reserve(numbers);
        self.ends.reserve(rows);
    }

    /// Closes a row.
    pub(super) fn end(&mut self) {
        self.ends.push(self.data.len());
    }

    /// Adds a row.
    pub(super) fn add(&mut self, row: Vec<f64>) {
        self.data.extend(row);
        self.end();
    }

    pub(super) fn row(&self, i: usize) -> &[f64] {
        let Some(&end) = self.ends.get(i) else {
            return &[];
        };
        let start = if i == 0 { 0 } else { self.ends[i - 1] };
        &self.data[start..end]
    }

    pub(super) fn len(&self) -> usize {
        self.ends.len()
    }

    /// Largest difference of any number in a row.
    pub(super) fn apart(&self, other: &Self, i: usize) -> f64 {
        let (a, b) = (self.row(i), other.row(i));
        (0..a.len().max(b.len()))
            .map(|n| (entry(a, n) - entry(b, n)).abs())
            .fold(0.0, f64::max)
    }

    /// `(4 fine − coarse)/3`; what should be a chance may lie outside [0, 1] by as much as it is off.
    pub(super) fn extrapolated(coarse: &Self, fine: &Self) -> Self {
        let mut out = Self {
            data: Vec::with_capacity(fine.data.len()),
            ends: Vec::with_capacity(fine.ends.len()),
        };
        for i in 0..coarse.len().max(fine.len()) {
            let (c, f) = (coarse.row(i), fine.row(i));
            for n in 0..c.len().max(f.len()) {
                out.data.push((4.0 * entry(f, n) - entry(c, n)) / 3.0);
            }
            out.end();
        }
        out
    }
}

/// The entry, or 0 beyond the end.
pub(super) fn entry(values: &[f64], n: usize) -> f64 {
    values.get(n).copied().unwrap_or(0.0)
}
