//! A figure of one trial: its trace with contact, onset, break, release, end, peak and averaging window marked.
//!
//! Comes in: the samples around the hold (device time s, force above zero N), its row of `/trials`, words.

use super::decimate::Reduced;
use super::page::{self, Axes, LEFT, Plane, RIGHT, UNDER_AXIS, Words};
use super::pen::{Dashes, Drawn, Fault, Pen, Surface, bounded};
use super::style::{BREAK, INK, Marker, QUIET, TRACE, WINDOW};
use super::{Figure, flags, window};
use crate::recording::layout::TrialRow;
use plotters::coord::Shift;
use plotters::drawing::DrawingArea;
use plotters::style::RGBColor;

/// What the marks mean.
const DEFINITIONS: &str = "Time 0: onset, the model-fitted start of the pull (grey band: its spread over the rise shapes \
fitted, ± 1 SD). Peak: greatest mean over 20 ms, or over three samples where that is longer, above zero. Best 1-s mean: above the level the pull started from; shaded: where it was \
averaged. Release: start of the final fall. End: 10 % of the peak. Hatched: samples are missing.";

/// One trial.
pub struct TrialFigure<'a> {
    /// Title in plain words.
    pub title: String,
    /// Whose and when.
    pub source: String,
    /// Device time of the samples around the hold, s.
    pub time_s: &'a [f64],
    /// Their force above zero, N.
    pub force_n: &'a [f64],
    /// The trial.
    pub row: &'a TrialRow,
    /// The procedure's SEM of one trial's peak, N, from the site's own repeats.
    pub procedure_sem_n: Option<f64>,
}

/// How far down the plot a mark's line reaches.
enum Reach {
    /// To the time axis.
    Axis,
    /// To this force, N.
    Force(f64),
}

/// A moment of the trial, its label above the plot.
struct Mark {
    time_s: f64,
    label: String,
    color: RGBColor,
    dashes: Dashes,
    reach: Reach,
}

impl TrialFigure<'_> {
    /// Time that the figure calls 0.
    fn zero_s(&self) -> f64 {
        let first_s = self.time_s.first().copied().unwrap_or(0.0);
        if self.row.onset_s.is_finite() { self.row.onset_s } else { first_s }
    }

    /// The marks with a known time within what is shown; times from the figure's zero.
    fn marks(&self, window_s: Option<(f64, f64)>) -> Vec<Mark> {
        let row = self.row;
        let mark = |time_s: f64, label: String, color, dashes| Mark {
            time_s: time_s - self.zero_s(),
            label,
            color,
            dashes: Some(dashes),
            reach: Reach::Axis,
        };
        let mean = format!(
            "best 1-s mean {:.2} N {}{}",
            row.mean_n,
            above(row),
            instrument(row.mean_expanded_uncertainty_n)
        );
        let peak = format!("peak {:.2} N{}", row.peak_zero_n, instrument(row.expanded_uncertainty_n));
        let peak = mark(row.peak_s, peak, INK, (3, 6));
        let marks = [
            mark(row.contact_s, format!("contact {:.1} N", row.contact_n), QUIET, (4, 10)),
            mark(row.onset_s, onset(row.onset_sd_s), INK, (14, 8)),
            mark(window_s.map_or(f64::NAN, |window_s| window_s.0), mean, WINDOW_TEXT, (10, 10)),
            Mark { reach: Reach::Force(row.peak_zero_n), ..peak },
            mark(row.break_s, format!("break {:.2} N", row.break_n + row.rest_n), BREAK, (24, 6)),
            mark(row.release_s, "release".to_owned(), INK, (8, 8)),
            mark(row.end_s, "end".to_owned(), QUIET, (2, 8)),
        ];
        let (from_s, to_s) = self.shown_s();
        marks.into_iter().filter(|mark| mark.time_s >= from_s && mark.time_s <= to_s).collect()
    }

    /// What is shown, from the figure's zero.
    fn shown_s(&self) -> (f64, f64) {
        let end = |time_s: Option<&f64>| time_s.copied().unwrap_or(0.0) - self.zero_s();
        let from_s = end(self.time_s.first());
        (from_s, end(self.time_s.last()).max(from_s + 0.1))
    }

    fn subtitle(&self) -> String {
        let row = self.row;
        let number = |name: &str, value: f64, unit: &str| {
            value.is_finite().then(|| format!("{name} {value:.2} {unit}"))
        };
        let procedure_sem_n =
            self.procedure_sem_n.filter(|_| row.peak_zero_n.is_finite()).unwrap_or(f64::NAN);
        let parts = [
            number("peak", row.peak_zero_n, "N"),
            number("procedure SEM of one trial's peak", procedure_sem_n, "N"),
            number("best 1-s mean", row.mean_n, &format!("N {}", above(row))),
            number("break at", row.break_n + row.rest_n, "N"),
            number("time to peak", row.time_to_peak_s, "s"),
            number("pace", row.pace_n_per_s, "N/s").filter(|_| row.break_s.is_finite()),
            number("rate at the end", row.loading_rate_n_per_s, "N/s").filter(|_| row.break_s.is_finite()),
            (row.valid == 0 && !row.why_not.is_empty())
                .then(|| format!("does not count: {}", bounded(&row.why_not, 80))),
        ];
        let told = parts.into_iter().flatten().collect::<Vec<_>>().join(" · ");
        if told.is_empty() { "no hold found".to_owned() } else { told }
    }

    /// The averaging window, device time s.
    fn window(&self) -> Option<(f64, f64)> {
        let row = self.row;
        let to_s = if row.end_s.is_finite() { row.end_s } else { f64::INFINITY };
        let from = self.time_s.partition_point(|time_s| *time_s < row.onset_s);
        let to = self.time_s.partition_point(|time_s| *time_s <= to_s);
        window::of(self.time_s.get(from..to)?, self.force_n.get(from..to)?, row.mean_n + row.rest_n)
    }

    fn draw_window<B: Surface>(
        &self,
        root: &DrawingArea<B, Shift>,
        plane: &Plane<B>,
        window_s: (f64, f64),
    ) -> Drawn<B> {
        let (from_s, to_s) = (window_s.0 - self.zero_s(), window_s.1 - self.zero_s());
        let (left, right) = (plane.column(from_s), plane.column(to_s));
        let pen = Pen(root);
        pen.fill(((left, plane.edges.0.1), (right, plane.edges.1.1)), WINDOW, 0.18)?;
        let row = plane.place(from_s, self.row.mean_n + self.row.rest_n).1;
        pen.line((left, row), (right, row), None, WINDOW, 7)
    }

    fn draw_onset_spread<B: Surface>(&self, root: &DrawingArea<B, Shift>, plane: &Plane<B>) -> Drawn<B> {
        let sd_s = self.row.onset_sd_s;
        if !sd_s.is_finite() {
            return Ok(());
        }
        let (left, right) = (plane.column(-sd_s), plane.column(sd_s));
        Pen(root).fill(((left, plane.edges.0.1), (right.max(left + 2), plane.edges.1.1)), QUIET, 0.25)
    }

    fn draw_peak<B: Surface>(&self, root: &DrawingArea<B, Shift>, plane: &Plane<B>) -> Drawn<B> {
        if !(self.row.peak_s.is_finite() && self.row.peak_zero_n.is_finite()) {
            return Ok(());
        }
        let (x, y) = plane.place(self.row.peak_s - self.zero_s(), self.row.peak_zero_n);
        Pen(root).marker(Marker::Wedge, (x, y - 20), 14, INK, true)
    }
}

/// Text on the averaging window's label: darker than its shade, to be read.
const WINDOW_TEXT: RGBColor = RGBColor(140, 90, 0);

/// The instrument's ± of a force, where it is known: nothing of the procedure's.
fn instrument(expanded_n: f64) -> String {
    if expanded_n.is_finite() { format!(" (instrument ± {expanded_n:.2})") } else { String::new() }
}

/// Above what the best mean is: the sensor may have lain on the digit before the pull, or not.
fn above(row: &TrialRow) -> &'static str {
    if row.contact_s.is_finite() { "above the touch" } else { "above the level before the pull" }
}

/// The onset's label, with the standard deviation of its spread.
fn onset(sd_s: f64) -> String {
    match 1e3 * sd_s {
        sd_ms if !sd_ms.is_finite() => "onset".to_owned(),
        sd_ms if sd_ms < 10.0 => format!("onset (SD {sd_ms:.1} ms)"),
        sd_ms => format!("onset (SD {sd_ms:.0} ms)"),
    }
}

/// Draws each mark's line and its label.
fn draw_marks<B: Surface>(
    root: &DrawingArea<B, Shift>,
    plane: &Plane<B>,
    marks: &[Mark],
    lane: &flags::Lane,
) -> Drawn<B> {
    let pen = Pen(root);
    for (mark, flag) in marks.iter().zip(&lane.flags) {
        let top = plane.edges.0.1 - flag.above;
        let bottom = match mark.reach {
            Reach::Axis => plane.edges.1.1,
            Reach::Force(force_n) => plane.place(mark.time_s, force_n).1 - 30,
        };
        pen.line((flag.x, top + 4), (flag.x, bottom), mark.dashes, mark.color, 3)?;
        pen.flag(&mark.label, (flag.x, top), mark.color)?;
    }
    Ok(())
}

impl Figure for TrialFigure<'_> {
    fn draw<B: Surface>(&self, root: &DrawingArea<B, Shift>) -> Drawn<B> {
        let words = Words {
            title: self.title.clone(),
            subtitle: self.subtitle(),
            source: self.source.clone(),
            definitions: DEFINITIONS.to_owned(),
        };
        let rows = page::words(root, &words)?;
        let window_s = self.window();
        let marks = self.marks(window_s);
        let (from_s, to_s) = self.shown_s();
        let lane = lane(root, &marks, from_s..to_s)?;
        let edges = ((LEFT, rows.start + lane.height), (RIGHT, rows.end - UNDER_AXIS));
        let reduced = Reduced::of(self.time_s, self.force_n, self.zero_s(), page::columns(edges));
        let (low_n, high_n) = reduced.range_n().unwrap_or((0.0, 1.0));
        let axes = Axes {
            x: from_s..to_s,
            x_name: "time since onset, s",
            y: page::force_axis(low_n, high_n),
            y_name: "force above zero, N",
        };
        let plane = page::axes(root, &axes, edges)?;
        if let Some(window_s) = window_s {
            self.draw_window(root, &plane, window_s)?;
        }
        self.draw_onset_spread(root, &plane)?;
        plane.gaps(root, &reduced)?;
        plane.trace(root, &reduced, TRACE, 4)?;
        self.draw_peak(root, &plane)?;
        draw_marks(root, &plane, &marks, &lane)
    }
}

/// Places the marks' labels above a plot that shows `shown_s`.
fn lane<B: Surface>(
    root: &DrawingArea<B, Shift>,
    marks: &[Mark],
    shown_s: std::ops::Range<f64>,
) -> Result<flags::Lane, Fault<B>> {
    let pen = Pen(root);
    let masts =
        marks.iter().map(|mark| Ok((page::column_of(mark.time_s, &shown_s), pen.flag_width(&mark.label)?)));
    Ok(flags::Lane::new(&masts.collect::<Result<Vec<_>, _>>()?))
}
