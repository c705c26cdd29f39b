//! A figure of several channels and sensors on one base of time.
//!
//! Comes in: reduced traces, time in s since the recording began on the host's clock, force in N. Goes out: one plot with
//! all of them, and strips above it that say where samples of which trace are missing.

use super::Figure;
use super::decimate::Reduced;
use super::page::{self, Axes, Entry, LEFT, RIGHT, UNDER_AXIS, Words};
use super::pen::{Drawn, Pen, Surface};
use super::style::{GRID, QUIET, series};
use plotters::coord::Shift;
use plotters::drawing::DrawingArea;

/// Height of the strip of one trace's gaps.
const STRIP: i32 = 14;
/// Markers along a trace.
const MARKERS: f64 = 8.0;

/// One channel of one sensor.
pub struct Together {
    /// What the legend says: which sensor, which channel, how many samples.
    pub label: String,
    /// The trace, reduced to the plot's columns.
    pub trace: Reduced,
}

/// All of them.
pub struct TogetherFigure {
    /// Title in plain words.
    pub title: String,
    /// How well the sensors are placed against each other.
    pub subtitle: String,
    /// Whose and when.
    pub source: String,
    /// From the first sample of any to the last, s.
    pub range_s: (f64, f64),
    /// The traces.
    pub traces: Vec<Together>,
}

impl Figure for TogetherFigure {
    fn draw<B: Surface>(&self, root: &DrawingArea<B, Shift>) -> Drawn<B> {
        let words = Words {
            title: self.title.clone(),
            subtitle: self.subtitle.clone(),
            source: self.source.clone(),
            definitions: "n: samples. Each sensor's samples are placed on the recording computer's clock. Marks along a trace only \
                          tell it from the others. Strips above the plot, one for each trace in the legend's order; hatched: its samples are missing."
                .to_owned(),
        };
        let rows = page::words(root, &words)?;
        let pen = Pen(root);
        let entry = |(number, of): (usize, &Together)| {
            let (color, marker) = series(number);
            Entry { label: of.label.clone(), color, marker, filled: true }
        };
        let entries: Vec<Entry> = self.traces.iter().enumerate().map(entry).collect();
        let strips = page::legend(&pen, &entries, rows.start)?;
        let edges = ((LEFT, strips + STRIP * self.traces.len() as i32 + 6), (RIGHT, rows.end - UNDER_AXIS));
        let ranges = || self.traces.iter().filter_map(|of| of.trace.range_n());
        let (from_s, to_s) = (self.range_s.0, self.range_s.1.max(self.range_s.0 + 0.1));
        let axes = Axes {
            x: from_s..to_s,
            x_name: "time since the recording began, s",
            y: page::force_axis(
                ranges().map(|range| range.0).fold(0.0, f64::min),
                ranges().map(|range| range.1).fold(0.0, f64::max),
            ),
            y_name: "force above zero, N",
        };
        let plane = page::axes(root, &axes, edges)?;
        let step_s = (to_s - from_s) / MARKERS;
        for (number, (of, entry)) in self.traces.iter().zip(&entries).enumerate() {
            let top = strips + STRIP * number as i32;
            pen.fill(((LEFT, top + 1), (RIGHT, top + STRIP - 1)), GRID, 0.3)?;
            for (gap_from_s, gap_to_s) in &of.trace.gaps {
                let (left, right) = (plane.column(*gap_from_s), plane.column(*gap_to_s));
                let band = ((left, top + 1), (right.max(left + 6), top + STRIP - 1));
                pen.fill(band, entry.color, 0.5)?;
                pen.hatch(band, QUIET)?;
            }
            plane.trace(root, &of.trace, entry.color, 3)?;
            // Each begins a little later than the last, so that equal traces do not hide each other's.
            let mut next_s = from_s + step_s * (0.3 + 0.13 * (number % 6) as f64);
            for (time_s, force_n) in of.trace.pieces.iter().flatten() {
                if *time_s >= next_s {
                    pen.marker(entry.marker, plane.place(*time_s, *force_n), 12, entry.color, true)?;
                    next_s = time_s + step_s;
                }
            }
        }
        Ok(())
    }
}
