//! Figures of repeated trials: overlaid at their onset, and as points with their mean and CV.

use super::Figure;
use super::decimate::Reduced;
use super::page::{self, Axes, LEFT, RIGHT, UNDER_AXIS, Words};
use super::pen::{Align, Drawn, Pen};
use super::style::{FAINT, GRID, INK, LABEL, QUIET, series};
use crate::measures::repeats::{Spread, Trial};
use plotters::coord::Shift;
use plotters::drawing::DrawingArea;
use plotters::prelude::DrawingBackend;

/// One trial's trace, time 0 at its onset.
pub struct Overlaid {
    /// What the legend says.
    pub label: String,
    /// Time since the onset, s.
    pub time_s: Vec<f64>,
    /// Force above zero, N.
    pub force_n: Vec<f64>,
    /// It is behind the result.
    pub used: bool,
}

/// An item's trials, overlaid.
pub struct OverlayFigure {
    /// Words around it.
    pub title: String,
    /// Its results.
    pub subtitle: String,
    /// Whose and when.
    pub source: String,
    /// The trials.
    pub trials: Vec<Overlaid>,
}

impl Figure for OverlayFigure {
    fn draw<B: DrawingBackend>(&self, root: &DrawingArea<B, Shift>) -> Drawn<B> {
        let words = Words {
            title: self.title.clone(),
            subtitle: self.subtitle.clone(),
            source: self.source.clone(),
            definitions: "Time 0: onset of each trial, the model-fitted start of the pull. Grey: a trial that is not among \
                          those behind the result."
                .to_owned(),
        };
        let rows = page::words(root, &words)?;
        let pen = Pen(root);
        let top = self.legend(&pen, rows.start)?;
        let edges = ((LEFT, top), (RIGHT, rows.end - UNDER_AXIS));
        let ends = |end: fn(&[f64]) -> Option<f64>| self.trials.iter().filter_map(move |t| end(&t.time_s));
        let from_s = ends(|t| t.first().copied()).fold(f64::INFINITY, f64::min).min(0.0);
        let to_s = ends(|t| t.last().copied()).fold(f64::NEG_INFINITY, f64::max).max(from_s + 0.1);
        let columns = page::columns(edges);
        let reduced: Vec<Reduced> = self
            .trials
            .iter()
            .map(|trial| Reduced::of(&trial.time_s, &trial.force_n, 0.0, columns))
            .collect();
        let ranges = || reduced.iter().filter_map(Reduced::range_n);
        let low_n = ranges().map(|range| range.0).fold(0.0, f64::min);
        let high_n = ranges().map(|range| range.1).fold(1.0, f64::max);
        let axes = Axes {
            x: from_s..to_s,
            x_name: "time since onset, s",
            y: page::force_axis(low_n, high_n),
            y_name: "force above zero, N",
        };
        let plane = page::axes(root, &axes, edges)?;
        for (number, (trial, reduced)) in self.trials.iter().zip(&reduced).enumerate() {
            let (color, marker) = series(number);
            let color = if trial.used { color } else { FAINT };
            plane.trace(reduced, color, if trial.used { 5 } else { 3 })?;
            plane.gaps(root, reduced)?;
            // Markers along the trace tell the trials apart in grey print; each begins a little later than the last.
            let (mut next_s, step_s) =
                (from_s + (to_s - from_s) * (0.05 + 0.04 * number as f64), (to_s - from_s) / 6.0);
            for (time_s, force_n) in trial.time_s.iter().zip(&trial.force_n) {
                if *time_s >= next_s && force_n.is_finite() {
                    pen.marker(marker, plane.place(*time_s, *force_n), 12, color, trial.used)?;
                    next_s += step_s;
                }
            }
        }
        let zero = plane.column(0.0);
        pen.line((zero, edges.0.1), (zero, edges.1.1), Some((14, 8)), INK, 3)
    }
}

impl OverlayFigure {
    fn legend<B: DrawingBackend>(&self, pen: &Pen<'_, B>, top: i32) -> Result<i32, super::pen::Fault<B>> {
        let (mut x, mut y) = (LEFT, top + 4);
        for (number, trial) in self.trials.iter().enumerate() {
            let (color, marker) = series(number);
            let color = if trial.used { color } else { FAINT };
            let width = pen.width(&trial.label, LABEL)? + 100;
            if x + width > RIGHT && x > LEFT {
                (x, y) = (LEFT, y + LABEL + 12);
            }
            pen.line((x, y + LABEL / 2), (x + 50, y + LABEL / 2), None, color, 5)?;
            pen.marker(marker, (x + 25, y + LABEL / 2), 12, color, trial.used)?;
            pen.text(&trial.label, (x + 62, y), Align::Left, LABEL, INK)?;
            x += width;
        }
        Ok(y + LABEL + 22)
    }
}

/// One column of the points' figure: an item.
pub struct Column {
    /// Its name: `left, make`.
    pub name: String,
    /// Its trials.
    pub trials: Vec<Trial>,
    /// What they come to.
    pub spread: Spread,
}

/// Trials as points, sides side by side.
pub struct PointsFigure {
    /// Title in plain words.
    pub title: String,
    /// Whose and when.
    pub source: String,
    /// The columns.
    pub columns: Vec<Column>,
}

impl Figure for PointsFigure {
    fn draw<B: DrawingBackend>(&self, root: &DrawingArea<B, Shift>) -> Drawn<B> {
        let words = Words {
            title: self.title.clone(),
            subtitle: "each trial's peak, their mean and SD".to_owned(),
            source: self.source.clone(),
            definitions: "Peak: greatest 20-ms mean above zero. Line: mean of the first three valid trials; band: ± SD \
                          (n − 1); CV = SD / mean. Hollow: a trial that is not among them."
                .to_owned(),
        };
        let rows = page::words(root, &words)?;
        let pen = Pen(root);
        let edges = ((LEFT, rows.start + 20), (RIGHT, rows.end - 3 * LABEL - 56));
        let peaks = || self.columns.iter().flat_map(|c| &c.trials).filter_map(|t| t.peak_zero_n);
        let high_n = peaks().fold(1.0, f64::max);
        let low_n = peaks().fold(0.0, f64::min);
        let axes = Axes {
            x: 0.0..self.columns.len().max(1) as f64,
            x_name: "",
            y: page::force_axis(low_n, high_n),
            y_name: "peak above zero, N",
        };
        let plane = page::axes(root, &axes, edges)?;
        for (at, column) in self.columns.iter().enumerate() {
            let middle = at as f64 + 0.5;
            let (color, marker) = series(at);
            if let Some(mean_n) = column.spread.mean_of_peaks_n {
                let (left, right) = (plane.column(middle - 0.32), plane.column(middle + 0.32));
                let row = |force_n: f64| plane.place(middle, force_n).1.clamp(edges.0.1, edges.1.1);
                if let Some(sd_n) = column.spread.sd_n {
                    pen.fill(((left, row(mean_n + sd_n)), (right, row(mean_n - sd_n))), GRID, 0.9)?;
                }
                pen.line((left, row(mean_n)), (right, row(mean_n)), None, INK, 5)?;
            }
            let found: Vec<&Trial> = column.trials.iter().filter(|t| t.peak_zero_n.is_some()).collect();
            for (n, trial) in found.iter().enumerate() {
                let share = (n as f64 + 0.5) / found.len() as f64 - 0.5;
                let place = plane.place(middle + 0.4 * share, trial.peak_zero_n.unwrap_or_default());
                pen.marker(marker, place, 16, color, trial.used)?;
            }
            let x = plane.place(middle, 0.0).0;
            for (line, text) in column.texts().iter().enumerate() {
                let y = edges.1.1 + 16 + line as i32 * (LABEL + 8);
                pen.text(text, (x, y), Align::Middle, LABEL, if line == 0 { INK } else { QUIET })?;
            }
        }
        Ok(())
    }
}

impl Column {
    fn texts(&self) -> [String; 3] {
        let newtons = |value: Option<f64>| value.map_or("–".to_owned(), |value| format!("{value:.2} N"));
        let spread = &self.spread;
        let cv = spread.cv_percent.map_or("–".to_owned(), |cv| format!("{cv:.1} %"));
        [
            self.name.clone(),
            format!("mean {}, SD {}", newtons(spread.mean_of_peaks_n), newtons(spread.sd_n)),
            format!("CV {cv}, n = {}", spread.trials_used),
        ]
    }
}
