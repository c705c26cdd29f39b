//! Figure of one item over visits: its trials and their mean at each, beside the change that can be shown.
use super::Figure;
use super::page::{self, Axes, Entry, LEFT, RIGHT, UNDER_AXIS, Words, padded};
use super::pen::{Align, Drawn, Pen, Surface};
use super::style::{FAINT, GRID, INK, LABEL, Marker, QUIET, TRACE, series};
use plotters::coord::Shift;
use plotters::drawing::DrawingArea;
use plotters::style::RGBColor;

/// A visit's values.
#[derive(Debug, Clone, PartialEq)]
pub struct Point {
    /// Days since the first visit.
    pub day: f64,
    /// Examiner's code; empty where none was recorded.
    pub examiner: String,
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
    /// The trend in words, or why there is none; empty with fewer visits than one needs.
    pub trend: String,
    /// Trend: force at day 0, N, and slope, N a day.
    pub line: Option<(f64, f64)>,
    /// Forces around the first visit's mean that measurement error alone can make, N.
    pub within_n: Option<(f64, f64)>,
}

/// How an examiner's visits look: told apart by shape, then by being hollow. Discs are left to the trials.
#[derive(Debug, Clone, Copy)]
struct Look {
    color: RGBColor,
    marker: Marker,
    filled: bool,
}

impl Look {
    /// Of the examiner with this number, from 0.
    fn of(number: usize) -> Look {
        const SHAPES: usize = 4;
        let (color, marker) = match number % SHAPES {
            0 => (TRACE, Marker::Square),
            other => series(other + 1),
        };
        Look { color, marker, filled: (number / SHAPES).is_multiple_of(2) }
    }
}

impl VisitsFigure {
    /// The examiners, in the order of their first visits.
    fn examiners(&self) -> Vec<&str> {
        let mut all: Vec<&str> = Vec::new();
        for of in &self.points {
            if !all.contains(&of.examiner.as_str()) {
                all.push(&of.examiner);
            }
        }
        all
    }

    /// What the legend says, where there is more than one.
    fn legend(&self, examiners: &[&str]) -> Vec<Entry> {
        let entry = |(number, code): (usize, &&str)| {
            let Look { color, marker, filled } = Look::of(number);
            let label =
                if code.is_empty() { "examiner not recorded".to_owned() } else { format!("examiner {code}") };
            let visits = self.points.iter().filter(|of| of.examiner == **code).count();
            Entry { label: format!("{label} (n = {visits})"), color, marker, filled }
        };
        if examiners.len() < 2 { Vec::new() } else { examiners.iter().enumerate().map(entry).collect() }
    }

    fn words(&self, examiners: &[&str]) -> Words {
        Words {
            title: self.title.clone(),
            subtitle: self.subtitle.clone(),
            source: self.source.clone(),
            definitions: format!(
                "{}: mean of the first three valid peaks above zero at a visit{}{}; rings, beside it to be seen: those peaks, n = {} \
                 (a peak: greatest mean over 20 ms, or over three samples where that is longer). {}{}",
                if examiners.len() > 1 { "Marks, their shape telling the examiner" } else { "Squares" },
                if self.points.iter().any(|of| of.instrument_n.is_some()) {
                    ", bars: the instrument's ± (95 %), nothing of the procedure's"
                } else {
                    ""
                },
                if examiners.len() > 1 { ", joined where one examiner's follow each other" } else { "" },
                self.points.iter().map(|of| of.peaks_n.len()).sum::<usize>(),
                match (self.line, self.trend.as_str()) {
                    (_, "") => String::new(),
                    (Some(_), trend) => format!("Dashes: least-squares line through the means, {trend}. "),
                    (None, trend) => format!("No line: {trend}. "),
                },
                self.band
            ),
        }
    }
}

impl Figure for VisitsFigure {
    fn draw<B: Surface>(&self, root: &DrawingArea<B, Shift>) -> Drawn<B> {
        let examiners = self.examiners();
        let rows = page::words(root, &self.words(&examiners))?;
        let pen = Pen(root);
        let legend = self.legend(&examiners);
        let top = if legend.is_empty() { rows.start + 10 } else { page::legend(&pen, &legend, rows.start)? };
        let edges = ((LEFT, top), (RIGHT, rows.end - UNDER_AXIS));
        let forces = self.points.iter().flat_map(|of| of.peaks_n.iter().copied().chain([of.mean_n]));
        let ends = self.within_n.iter().flat_map(|(low, high)| [*low, *high]);
        let axes = Axes {
            x: padded(self.points.iter().map(|of| of.day)),
            x_name: "days since the first visit",
            y: padded(forces.chain(ends)),
            y_name: "peak above zero, N",
        };
        let plane = page::axes(root, &axes, edges)?;
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
        for (pair, ends) in self.points.windows(2).zip(places.windows(2)) {
            // What lies between two examiners is not the person's alone.
            if pair[0].examiner == pair[1].examiner {
                pen.polyline(ends, INK, 4)?;
            }
        }
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
        for (of, place) in self.points.iter().zip(&places) {
            let number = examiners.iter().position(|code| *code == of.examiner).unwrap_or(0);
            let Look { color, marker, filled } = Look::of(number);
            pen.marker(marker, *place, 15, color, filled)?;
        }
        Ok(())
    }
}
