//! A figure of one trial: its trace with contact, onset, break, release, end, peak and averaging window marked.

use super::decimate::Reduced;
use super::page::{self, Axes, LEFT, RIGHT, UNDER_AXIS, Words};
use super::pen::{Align, Drawn, Pen};
use super::style::{BREAK, INK, LABEL, Marker, QUIET, TRACE, WINDOW};
use super::{Figure, flags};
use crate::recording::layout::TrialRow;
use plotters::coord::Shift;
use plotters::drawing::DrawingArea;
use plotters::prelude::DrawingBackend;
use plotters::style::RGBColor;

/// What the marks mean.
const DEFINITIONS: &str = "Time 0: onset, the model-fitted start of the pull (band: its spread over rise shapes). Peak: \
greatest 20-ms mean above zero. Averaging window: best 1-s mean. Release: start of the final fall. End: 10 % of the peak.";

/// One trial: its samples (device time s, force N) and its row.
pub struct TrialFigure<'a> {
    /// Title in plain words.
    pub title: String,
    /// Whose and when.
    pub source: String,
    /// Device time of the samples around the hold, s.
    pub time_s: &'a [f64],
    /// Their force, N.
    pub force_n: &'a [f64],
    /// The trial.
    pub row: &'a TrialRow,
}

struct Mark {
    time_s: f64,
    label: String,
    color: RGBColor,
    dashes: (i32, i32),
}

impl TrialFigure<'_> {
    fn marks(&self) -> Vec<Mark> {
        let row = self.row;
        let mark = |at_s: f64, label: String, color, dashes| {
            at_s.is_finite().then(|| Mark { time_s: at_s - row.onset_s, label, color, dashes })
        };
        let spread = if row.onset_sd_s.is_finite() {
            format!("onset ± {:.0} ms", row.onset_sd_s * 1e3)
        } else {
            "onset".to_owned()
        };
        let contact = mark(row.contact_s, format!("contact {:.1} N", row.contact_n), QUIET, (4, 10));
        let shown_from = self.time_s.first().copied().unwrap_or(f64::NEG_INFINITY);
        [
            // Contact may have begun long before what is shown.
            contact.filter(|_| row.contact_s >= shown_from),
            mark(row.onset_s, spread, INK, (14, 8)),
            mark(row.break_s, format!("break {:.1} N", row.break_n + row.rest_n), BREAK, (22, 6)),
            mark(row.release_s, "release".to_owned(), INK, (6, 8)),
            mark(row.end_s, "end".to_owned(), QUIET, (2, 8)),
        ]
        .into_iter()
        .flatten()
        .collect()
    }

    fn subtitle(&self) -> String {
        let row = self.row;
        if row.kind.is_empty() {
            return "no hold found".to_owned();
        }
        let number = |name: &str, value: f64, unit: &str| {
            value.is_finite().then(|| format!("{name} {value:.2} {unit}"))
        };
        let parts = [
            number("peak", row.peak_zero_n, "N"),
            number("best 1-s mean", row.mean_n, "N"),
            number("time to peak", row.time_to_peak_s, "s"),
            number("loading rate", row.loading_rate_n_per_s, "N/s").filter(|_| row.break_s.is_finite()),
            (!row.why_not.is_empty()).then(|| format!("does not count: {}", row.why_not)),
        ];
        parts.into_iter().flatten().collect::<Vec<_>>().join(" · ")
    }

    /// Start and end of the best 1-s mean within the hold, device time s.
    fn window(&self) -> Option<(f64, f64)> {
        const WINDOW_S: f64 = 1.0;
        let row = self.row;
        let to_s = if row.end_s.is_finite() { row.end_s } else { f64::INFINITY };
        let from = self.time_s.partition_point(|t| *t < row.onset_s);
        let to = self.time_s.partition_point(|t| *t <= to_s);
        let (time_s, force_n) = (self.time_s.get(from..to)?, self.force_n.get(from..to)?);
        let interval_s = super::decimate::usual_interval_s(time_s);
        let width = (WINDOW_S / interval_s).round() as usize;
        if width == 0 || width > time_s.len() || !row.mean_n.is_finite() {
            return None;
        }
        let mut sum: f64 = force_n.iter().take(width).sum();
        let mut best = (sum, 0);
        for start in 1..=force_n.len() - width {
            sum += force_n[start + width - 1] - force_n[start - 1];
            if sum > best.0 {
                best = (sum, start);
            }
        }
        let start_s = time_s.get(best.1)?;
        Some((*start_s, start_s + WINDOW_S))
    }
}

impl Figure for TrialFigure<'_> {
    fn draw<B: DrawingBackend>(&self, root: &DrawingArea<B, Shift>) -> Drawn<B> {
        let words = Words {
            title: self.title.clone(),
            subtitle: self.subtitle(),
            source: self.source.clone(),
            definitions: DEFINITIONS.to_owned(),
        };
        let rows = page::words(root, &words)?;
        let pen = Pen(root);
        let zero_s = if self.row.onset_s.is_finite() {
            self.row.onset_s
        } else {
            self.time_s.first().copied().unwrap_or(0.0)
        };
        let marks = self.marks();
        // Labels stand above the plot, in as many rows as they need; their places are known once the axis is.
        let (from_s, to_s) = (
            self.time_s.first().copied().unwrap_or(0.0) - zero_s,
            self.time_s.last().copied().unwrap_or(1.0) - zero_s,
        );
        let to_s = to_s.max(from_s + 0.1);
        let column = |at_s: f64| {
            let share = ((at_s - from_s) / (to_s - from_s)).clamp(0.0, 1.0);
            LEFT + (share * f64::from(RIGHT - LEFT)) as i32
        };
        let mut masts = Vec::new();
        for mark in &marks {
            masts.push((column(mark.time_s), pen.width(&mark.label, LABEL)? + 8));
        }
        let flag_rows = flags::rows(&masts, 12);
        let flags_height = (LABEL + 10) * flag_rows.iter().max().map_or(0, |most| *most as i32 + 1);
        let top = rows.start + flags_height + 10;
        let edges = ((LEFT, top), (RIGHT, rows.end - UNDER_AXIS));
        let reduced = Reduced::of(self.time_s, self.force_n, zero_s, page::columns(edges));
        let (low_n, high_n) = reduced.range_n().unwrap_or((0.0, 1.0));
        let axes = Axes {
            x: from_s..to_s,
            x_name: "time since onset, s",
            y: page::force_axis(low_n, high_n),
            y_name: "force above zero, N",
        };
        let plane = page::axes(root, &axes, edges)?;
        if let Some((window_from_s, window_to_s)) = self.window() {
            let band = (
                (plane.column(window_from_s - zero_s), edges.0.1),
                (plane.column(window_to_s - zero_s), edges.1.1),
            );
            pen.fill(band, WINDOW, 0.18)?;
            let (left, right) =
                (plane.place(window_from_s - zero_s, self.row.mean_n + self.row.rest_n), band.1.0);
            pen.line(left, (right, left.1), None, WINDOW, 7)?;
            let label = format!("best 1-s mean {:.2} N", self.row.mean_n);
            pen.text(&label, ((band.0.0 + band.1.0) / 2, edges.1.1 - LABEL - 14), Align::Middle, LABEL, INK)?;
        }
        if self.row.onset_sd_s.is_finite() {
            let sd_s = self.row.onset_sd_s;
            pen.fill(
                (
                    (plane.column(-sd_s), edges.0.1),
                    (plane.column(sd_s).max(plane.column(-sd_s) + 2), edges.1.1),
                ),
                QUIET,
                0.25,
            )?;
        }
        plane.trace(&reduced, TRACE, 5)?;
        plane.gaps(root, &reduced)?;
        if self.row.peak_s.is_finite() && self.row.peak_zero_n.is_finite() {
            let place = plane.place(self.row.peak_s - zero_s, self.row.peak_zero_n);
            pen.marker(Marker::Wedge, (place.0, place.1 - 22), 14, INK, true)?;
            pen.text("peak", (place.0 + 24, place.1 - 22 - LABEL / 2), Align::Left, LABEL, INK)?;
        }
        for ((mark, (x, _)), flag_row) in marks.iter().zip(&masts).zip(&flag_rows) {
            let y = top - 10 - (LABEL + 10) * (*flag_row as i32 + 1);
            pen.line((*x, y + 4), (*x, edges.1.1), Some(mark.dashes), mark.color, 3)?;
            pen.text(&mark.label, (*x + 8, y), Align::Left, LABEL, mark.color)?;
        }
        Ok(())
    }
}
