//! SVG charts: the only place that knows the plotting library.
//!
//! Each chart takes plain values and gives an [`Svg`]. What is told apart by colour is told apart
//! by marker, dash or hatch too, so that a grey print reads the same; labels stand beside what
//! they name, and a label that would meet another is moved or left out.

mod axis;
mod calendar;
mod course;
mod demand;
mod dose;
mod forest;
mod group_probability;
mod lines;
mod panels;
mod probability;
mod ranges;
mod reliability;
mod sketch;
mod stock;
mod tension;

pub(super) use calendar::{CalendarJob, CalendarRow, calendar};
pub(super) use course::course;
pub(super) use demand::{DemandCell, DemandRow, demand};
pub(super) use dose::{DosePlot, dose};
pub(super) use forest::{RatioBar, forest};
pub(super) use group_probability::{GroupPoints, group_probability};
pub(super) use lines::{Across, CostCurve, MeterLine, cost_curve, meters};
pub(super) use panels::{GroupCurve, GroupStep, panels};
pub(super) use probability::{ProbabilityPlot, probability_plot};
pub(super) use ranges::{LifeRange, Look, ranges};
pub(super) use reliability::{ReliabilityPlot, reliability};
pub use sketch::Svg;
pub(super) use stock::{StockRow, stock_levels};
pub(super) use tension::{TensionPlot, tension};

#[cfg(test)]
use sketch::tests::collisions;

/// Width of every chart, pixels: the text column of the page.
pub(super) const WIDTH: f64 = 960.0;
