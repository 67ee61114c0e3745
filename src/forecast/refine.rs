//! One curve on finer and finer grids, until the answer is exact enough.

use std::sync::OnceLock;

use super::demand::Group;
use super::first_life::WeibullCurve;
use super::firsts::Firsts;
use super::remaining::curve;
use super::renewal::{Course, Kernel};
use super::rows::Rows;
use super::table::Table;
use super::track::{Grid, Track};
use crate::models::WeibullNode;

/// Grids begin with cells of at most the horizon over a power of two up to this.
const COARSEST: usize = 12;

/// Each is then cut in two so many times at most.
const FINEST: usize = 12;

/// Chances below this share of the error allowed are not carried on.
const NEGLIGIBLE: f64 = 1e-3;

/// The tracks of all groups and their grids, made when first asked for and shared by all curves.
pub(super) struct Tracks<'a> {
    pub(super) groups: &'a [Group],
    /// What is fitted, by group.
    pub(super) firsts: Vec<Firsts>,
    by_group: Vec<Track>,
    horizon: f64,
    grids: Vec<OnceLock<Vec<Grid>>>,
}

impl<'a> Tracks<'a> {
    /// `nodes` are the curves that will be asked about.
    pub(super) fn new(groups: &'a [Group], nodes: &[WeibullNode], per_change: u32) -> Self {
        let lives = nodes.iter().map(|node| curve(node, per_change));
        let sharpest = lives
            .map(|life| life.shape / life.scale)
            .fold(0.0, f64::max);
        let tracks: Vec<Track> = groups
            .iter()
            .map(|g| Track::new(&g.windows, &g.starts))
            .collect();
        Self {
            groups,
            firsts: (groups.iter()).map(|g| Firsts::new(g, sharpest)).collect(),
            horizon: tracks.iter().map(Track::horizon).fold(0.0, f64::max),
            by_group: tracks,
            grids: (0..=COARSEST * (FINEST + 1) + FINEST)
                .map(|_| OnceLock::new())
                .collect(),
        }
    }

    /// The longest run of hours that any window ends with.
    pub(super) fn horizon(&self) -> f64 {
        self.horizon
    }

    /// Grids of all groups, each base cell cut in two `finer` times.
    pub(super) fn grids(&self, level: Level, finer: usize) -> &[Grid] {
        let longest = self.horizon / f64::from(1_u32 << level.0);
        self.grids[level.0 * (FINEST + 1) + finer].get_or_init(|| {
            self.by_group
                .iter()
                .map(|t| t.grid(longest, 1 << finer))
                .collect()
        })
    }

    /// Cells per scale and shape: about one cell to each standard deviation of a life, no fewer than a
    /// few, no more than `most_cells` once cut in two twice.
    pub(super) fn level(&self, life: &WeibullCurve, most_cells: usize) -> Level {
        let wanted = CELLS_PER_LIFE * self.horizon / life.scale * life.shape.max(1.0);
        let most = (most_cells as f64 / 4.0).log2().floor().max(1.0);
        let level = wanted.max(1.0).log2().ceil().clamp(2.0, most);
        Level((level as usize).min(COARSEST))
    }
}

/// See [`Tracks::level`].
const CELLS_PER_LIFE: f64 = 1.0;

/// How coarse the first grid of a curve is: a power of two.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Level(usize);

/// What one grid has to say: rows by group, then by first life and question (the same number of questions
/// for each life).
#[derive(Debug, Clone, Default)]
pub(super) struct Values(pub(super) Vec<Rows>);

/// Numbers followed in the curves from now to any time: enough but for a few in a million wherever a
/// schedule is not absurdly long.
pub(super) const MOST_NUMBERS: usize = 40;

/// One curve on one grid: what an answer is made from.
pub(super) struct OnGrid<'a> {
    pub(super) kernel: &'a Kernel<'a>,
    pub(super) grid: &'a Grid,
    /// Courses of the group's first lives.
    pub(super) courses: &'a [Course],
    /// Chances below this are not carried on.
    pub(super) negligible: f64,
}

/// What is asked of each group on one grid.
pub(super) type Ask<'a> = dyn Fn(&OnGrid<'_>, &Group) -> Rows + Sync + 'a;

/// What is asked besides, every so many cells; nobody checks how exact it is, but it comes from the same
/// courses.
pub(super) type AskMore<'a> = dyn Fn(&OnGrid<'_>, usize) -> Vec<Rows> + Sync + 'a;

/// How far two answers are apart: at most so much in any probability. Below `enough` the bound need not
/// be close.
pub(super) type Apart<'a> = dyn Fn(&Values, &Values, f64) -> f64 + Sync + 'a;

/// What refining came to.
pub(super) struct Refined {
    pub(super) values: Values,
    /// Bound on the error of the probabilities in the answer.
    pub(super) error: f64,
    /// Its grids, each base cell cut in two, have the edges of what was asked besides.
    pub(super) level: Level,
    /// The answers to what was asked besides, by question.
    pub(super) more: Vec<Values>,
}

/// The answer for one curve, with a bound on the error of its probabilities.
///
/// One curve is put on three grids, each twice as fine as the one before. The error of a grid
/// falls as `h^p` with p = 2; p = 1 is assumed for shapes below 1, whose density is unbounded at 0.
/// `R = (4 fine − coarse)/3` cancels the term in h²; two such values come from three grids. What
/// remains of the error in them falls at least as `h^p`, so the better one is off by at most
/// `|R₂ − R₁| / (2^p − 1)`. Finer grids follow until that is within `allowed`.
pub(super) fn refine(
    life: WeibullCurve,
    tracks: &Tracks<'_>,
    (ask, ask_more): (&Ask<'_>, Option<&AskMore<'_>>),
    apart: &Apart<'_>,
    (allowed, most_cells): (f64, usize),
) -> Refined {
    let level = tracks.level(&life, most_cells);
    let cells = |finer: usize| {
        let grids = tracks.grids(level, finer).iter();
        grids.map(|g| g.points.len()).max().unwrap_or(0)
    };
    let negligible = NEGLIGIBLE * allowed;
    let mut space = Vec::new();
    let mut on_grid = |table: &Table, finer: usize| {
        let mut values = Values::default();
        let mut more: Vec<Values> = Vec::new();
        let groups = tracks.groups.iter().zip(&tracks.firsts);
        for ((group, firsts), grid) in groups.zip(tracks.grids(level, finer)) {
            let kernel = Kernel::new(table, grid);
            let courses = Course::each(&kernel, &life, &firsts.lives, negligible, &mut space);
            let on_grid = OnGrid {
                kernel: &kernel,
                grid,
                courses: &courses,
                negligible,
            };
            values.0.push(ask(&on_grid, group));
            if let Some(ask_more) = ask_more.filter(|_| finer > 0) {
                let answers = ask_more(&on_grid, 1 << (finer - 1));
                more.resize(answers.len(), Values::default());
                for (all, rows) in more.iter_mut().zip(answers) {
                    all.0.push(rows);
                }
            }
        }
        (values, more)
    };
    let order = if life.shape >= 1.0 { 2.0_f64 } else { 1.0 };
    let sure = order.exp2() - 1.0;
    let mut finer = 2;
    let new_table =
        |finer: usize| Table::new(life, tracks.horizon, (4 * cells(finer)).clamp(64, 1 << 14));
    let mut table = new_table(2);
    let mut middle = on_grid(&table, 1);
    let mut before = extrapolate(&on_grid(&table, 0).0, &middle.0);
    loop {
        let fine = on_grid(&table, finer);
        let values = extrapolate(&middle.0, &fine.0);
        let error = apart(&before, &values, sure * allowed) / sure;
        if error <= allowed || finer == FINEST || 2 * cells(finer) > most_cells {
            let pairs = middle.1.iter().zip(&fine.1);
            return Refined {
                values,
                error,
                level,
                more: pairs.map(|(c, f)| extrapolate(c, f)).collect(),
            };
        }
        finer += 1;
        table = new_table(finer);
        middle = fine;
        before = values;
    }
}

fn extrapolate(coarse: &Values, fine: &Values) -> Values {
    let pairs = coarse.0.iter().zip(&fine.0);
    Values(pairs.map(|(c, f)| Rows::extrapolated(c, f)).collect())
}
