//! A figure of a whole recording: force over time, trials shaded, gaps hatched.

use super::Figure;
use super::decimate::Reduced;
use super::flags::Lane;
use super::page::{self, Axes, LEFT, RIGHT, UNDER_AXIS, Words};
use super::pen::{Drawn, Fault, Pen, Surface};
use super::style::{INK, QUIET, TRACE, WINDOW};
use plotters::coord::Shift;
use plotters::drawing::DrawingArea;

/// Most holds whose numbers are shown.
const MOST_NUMBERED: usize = 60;

/// A hold, to be shaded.
pub struct Shaded {
    /// Its label: the trial's order.
    pub label: String,
    /// From, s.
    pub from_s: f64,
    /// To, s.
    pub to_s: f64,
    /// It counts: as a trial, or as a hold of a recording without a plan.
    pub counts: bool,
}

/// A whole recording of one channel.
pub struct OverviewFigure {
    /// Title in plain words.
    pub title: String,
    /// What it is about.
    pub subtitle: String,
    /// Whose and when.
    pub source: String,
    /// The trace, reduced to the plot's columns; time is s since the recording began.
    pub trace: Reduced,
    /// Its range of time, s.
    pub range_s: (f64, f64),
    /// The holds.
    pub holds: Vec<Shaded>,
}

/// Pixel columns of the overview's plot.
pub fn columns() -> u32 {
    (RIGHT - LEFT).unsigned_abs()
}

impl Figure for OverviewFigure {
    fn draw<B: Surface>(&self, root: &DrawingArea<B, Shift>) -> Drawn<B> {
        let words = Words {
            title: self.title.clone(),
            subtitle: self.subtitle.clone(),
            source: self.source.clone(),
            definitions: "Shaded: holds, with their order in the visit; between dashes: one that does not count, or is outside \
                          every trial of the plan. Hatched: samples are missing."
                .to_owned(),
        };
        let rows = page::words(root, &words)?;
        let pen = Pen(root);
        let (from_s, to_s) = (self.range_s.0, self.range_s.1.max(self.range_s.0 + 0.1));
        // With very many holds their numbers would fill the page: then only the shading is drawn.
        let numbered: &[Shaded] = if self.holds.len() <= MOST_NUMBERED { &self.holds } else { &[] };
        let masts = numbered
            .iter()
            .map(|hold| Ok((page::column_of(hold.from_s, &(from_s..to_s)), pen.flag_width(&hold.label)?)));
        let lane = Lane::new(&masts.collect::<Result<Vec<_>, Fault<B>>>()?);
        let edges = ((LEFT, rows.start + lane.height), (RIGHT, rows.end - UNDER_AXIS));
        let (low_n, high_n) = self.trace.range_n().unwrap_or((0.0, 1.0));
        let axes = Axes {
            x: from_s..to_s,
            x_name: "time since the recording began, s",
            y: page::force_axis(low_n, high_n),
            y_name: "force above zero, N",
        };
        let plane = page::axes(root, &axes, edges)?;
        for hold in &self.holds {
            let band = ((plane.column(hold.from_s), edges.0.1), (plane.column(hold.to_s), edges.1.1));
            if hold.counts {
                pen.fill(band, WINDOW, 0.28)?;
            } else {
                for x in [band.0.0, band.1.0] {
                    pen.line((x, band.0.1), (x, band.1.1), Some((6, 8)), QUIET, 3)?;
                }
            }
        }
        plane.gaps(root, &self.trace)?;
        plane.trace(root, &self.trace, TRACE, 3)?;
        for (hold, flag) in numbered.iter().zip(&lane.flags) {
            pen.flag(&hold.label, (flag.x, edges.0.1 - flag.above), INK)?;
        }
        Ok(())
    }
}
