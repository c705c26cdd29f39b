//! Figure of one item over visits: its trials and their mean at each, beside the change that can be shown.
use super::Figure;
use super::page::{self, Axes, LEFT, RIGHT, UNDER_AXIS, Words, padded};
use super::pen::{Align, Drawn, Pen, Surface};
use super::style::{FAINT, GRID, INK, LABEL, Marker, QUIET, TRACE};
use plotters::coord::Shift;
use plotters::drawing::DrawingArea;

/// A visit's values.
#[derive(Debug, Clone, PartialEq)]
pub struct Point {
    /// Days since the first visit.
    pub day: f64,
    /// Peaks of the trials that count, N.
    pub peaks_n: Vec<f64>,
    /// Their mean, N.
    pub mean_n: f64,
    /// The instrument's expanded uncertainty of it, N.
    pub instrument_n: Option<f64>,
}

/// An item over visits.
pub struct VisitsFigure {
    /// What was measured.
    pub title: String,
    /// Its results.
    pub subtitle: String,
    /// Whose.
    pub source: String,
    /// What the band is, or why there is none.
    pub band: String,
    /// The visits.
    pub points: Vec<Point>,
    /// Trend: force at day 0, N, and slope, N a day.
    pub line: Option<(f64, f64)>,
    /// Forces around the first visit's mean that measurement error alone can make, N.
    pub within_n: Option<(f64, f64)>,
}

impl Figure for VisitsFigure {
    fn draw<B: Surface>(&self, root: &DrawingArea<B, Shift>) -> Drawn<B> {
        let words = Words {
            title: self.title.clone(),
            subtitle: self.subtitle.clone(),
            source: self.source.clone(),
            definitions: format!(
                "Squares: mean of the first three valid peaks above zero at a visit{}; rings: those peaks. {}{}",
                if self.points.iter().any(|of| of.instrument_n.is_some()) {
                    ", bars: the instrument's ± (95 %), nothing of the procedure's"
                } else {
                    ""
                },
                if self.line.is_some() { "Dashes: least-squares line through the squares. " } else { "" },
                self.band
            ),
        };
        let rows = page::words(root, &words)?;
        let edges = ((LEFT, rows.start + 10), (RIGHT, rows.end - UNDER_AXIS));
        let forces = self.points.iter().flat_map(|of| of.peaks_n.iter().copied().chain([of.mean_n]));
        let ends = self.within_n.iter().flat_map(|(low, high)| [*low, *high]);
        let axes = Axes {
            x: padded(self.points.iter().map(|of| of.day)),
            x_name: "days since the first visit",
            y: padded(forces.chain(ends)),
            y_name: "peak above zero, N",
        };
        let plane = page::axes(root, &axes, edges)?;
        let pen = Pen(root);
        if let Some((low, high)) = self.within_n {
            let row = |force_n: f64| plane.place(axes.x.start, force_n).1.clamp(edges.0.1, edges.1.1);
            pen.fill(((edges.0.0, row(high)), (edges.1.0, row(low))), GRID, 0.6)?;
            for end in [low, high] {
                pen.line((edges.0.0, row(end)), (edges.1.0, row(end)), Some((22, 12)), QUIET, 3)?;
            }
            let words = "within measurement error of the first visit";
            pen.text(words, (edges.0.0 + 16, row(high) + 16), Align::Left, LABEL - 6, QUIET)?;
        }
        let places: Vec<(i32, i32)> = self.points.iter().map(|of| plane.place(of.day, of.mean_n)).collect();
        pen.polyline(&places, INK, 4)?;
        if let Some((start_n, slope)) = self.line {
            let at = |day: f64| plane.place(day, start_n + slope * day);
            let ends = (self.points.first(), self.points.last());
            if let (Some(first), Some(last)) = ends {
                pen.line(at(first.day), at(last.day), Some((12, 8)), QUIET, 3)?;
            }
        }
        for of in &self.points {
            if let Some(half_n) = of.instrument_n {
                let end = |force_n: f64| plane.place(of.day, force_n);
                let ends = (end(of.mean_n - half_n), end(of.mean_n + half_n));
                pen.line(ends.0, ends.1, None, INK, 5)?;
            }
            for peak_n in &of.peaks_n {
                // Beside the mean, which would hide them.
                let (x, y) = plane.place(of.day, *peak_n);
                pen.marker(Marker::Disc, (x + 34, y), 11, FAINT, false)?;
            }
        }
        places.iter().try_for_each(|place| pen.marker(Marker::Square, *place, 15, TRACE, true))
    }
}
