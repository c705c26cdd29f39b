//! Figures of repeated trials: overlaid at their onset, and as points with their mean and CV.

use super::Figure;
use super::decimate::Reduced;
use super::page::{self, Axes, Entry, LEFT, Plane, RIGHT, UNDER_AXIS, Words};
use super::pen::{Align, Drawn, Fault, Pen, Surface, bounded};
use super::style::{FAINT, GRID, INK, LABEL, Marker, series};
use crate::measures::repeats::{SCORED, Spread, Trial};
use plotters::coord::Shift;
use plotters::drawing::DrawingArea;
use plotters::style::RGBColor;
use std::ops::Range;

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
    fn draw<B: Surface>(&self, root: &DrawingArea<B, Shift>) -> Drawn<B> {
        let words = Words {
            title: self.title.clone(),
            subtitle: self.subtitle.clone(),
            source: self.source.clone(),
            definitions: "Time 0: onset of each trial, the model-fitted start of the pull. Peak: greatest mean over 20 ms, or \
                          over three samples where that is longer, above zero. Marks along a trace only tell the trials apart. Grey \
                          and hollow: not among the trials behind the result. Hatched: samples are missing."
                .to_owned(),
        };
        let rows = page::words(root, &words)?;
        let top = self.legend(&Pen(root), rows.start)?;
        let edges = ((LEFT, top), (RIGHT, rows.end - UNDER_AXIS));
        let columns = page::columns(edges);
        let reduced: Vec<Reduced> = self
            .trials
            .iter()
            .map(|trial| Reduced::of(&trial.time_s, &trial.force_n, 0.0, columns))
            .collect();
        let ranges = || reduced.iter().filter_map(Reduced::range_n);
        let axes = Axes {
            x: self.shown_s(),
            x_name: "time since onset, s",
            y: page::force_axis(
                ranges().map(|range| range.0).fold(0.0, f64::min),
                ranges().map(|range| range.1).fold(0.0, f64::max),
            ),
            y_name: "force above zero, N",
        };
        let plane = page::axes(root, &axes, edges)?;
        let zero = plane.column(0.0);
        Pen(root).line((zero, edges.0.1), (zero, edges.1.1), Some((14, 8)), INK, 3)?;
        // What does not count lies under what does.
        let numbered = || self.trials.iter().zip(&reduced).enumerate();
        for (number, (trial, reduced)) in
            numbered().filter(|(_, of)| !of.0.used).chain(numbered().filter(|(_, of)| of.0.used))
        {
            trial.draw(root, &plane, reduced, number, &axes.x)?;
        }
        Ok(())
    }
}

impl Overlaid {
    /// The trace, with markers along it that tell the trials apart in grey print; each begins a little later than the
    /// last, so that equal traces do not hide each other's.
    fn draw<B: Surface>(
        &self,
        root: &DrawingArea<B, Shift>,
        plane: &Plane<B>,
        reduced: &Reduced,
        number: usize,
        shown_s: &Range<f64>,
    ) -> Drawn<B> {
        let (color, marker) = self.look(number);
        plane.gaps(root, reduced)?;
        plane.trace(root, reduced, color, if self.used { 4 } else { 3 })?;
        let step_s = (shown_s.end - shown_s.start) / 6.0;
        let mut next_s = shown_s.start + step_s * (0.3 + 0.24 * (number % 4) as f64);
        for (time_s, force_n) in self.time_s.iter().zip(&self.force_n) {
            if *time_s >= next_s && force_n.is_finite() {
                Pen(root).marker(marker, plane.place(*time_s, *force_n), 13, color, self.used)?;
                next_s += step_s;
            }
        }
        Ok(())
    }

    fn look(&self, number: usize) -> (RGBColor, Marker) {
        let (color, marker) = series(number);
        (if self.used { color } else { FAINT }, marker)
    }
}

impl OverlayFigure {
    /// From the earliest to the latest sample of any trial, s since onset.
    fn shown_s(&self) -> Range<f64> {
        let firsts = self.trials.iter().filter_map(|trial| trial.time_s.first());
        let lasts = self.trials.iter().filter_map(|trial| trial.time_s.last());
        let from_s = firsts.copied().fold(0.0, f64::min);
        from_s..lasts.copied().fold(from_s + 0.1, f64::max)
    }

    /// Draws the legend and gives the row under it.
    fn legend<B: Surface>(&self, pen: &Pen<'_, B>, top: i32) -> Result<i32, Fault<B>> {
        let entry = |(number, trial): (usize, &Overlaid)| {
            let (color, marker) = trial.look(number);
            Entry { label: trial.label.clone(), color, marker, filled: trial.used }
        };
        page::legend(pen, &self.trials.iter().enumerate().map(entry).collect::<Vec<_>>(), top)
    }
}

/// One column of the points' figure: an item.
pub struct Column {
    /// Its name: `left, make`.
    pub name: String,
    /// Which colour and marker: one for each side.
    pub look: usize,
    /// Its trials.
    pub trials: Vec<Trial>,
    /// What they come to.
    pub spread: Spread,
    /// The procedure's SEM of the result, in words.
    pub procedure_sem: Option<String>,
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
    fn draw<B: Surface>(&self, root: &DrawingArea<B, Shift>) -> Drawn<B> {
        let words = Words {
            title: self.title.clone(),
            subtitle: "Peak of each trial, in the order of the visit; their mean and SD".to_owned(),
            source: self.source.clone(),
            definitions: format!(
                "Peak: greatest mean over 20 ms, or over three samples where that is longer, above zero. \
                 Line: mean of the first {SCORED} valid trials; band: ± SD (n − 1); CV: SD / mean, in brackets its 95 % interval (modified McKay). Hollow: not among those trials.\
                {}{}",
                if self.columns.iter().any(|column| column.spread.expanded_uncertainty_n.is_some()) {
                    " Instrument ±: expanded uncertainty (95 %) of the mean, nothing of the procedure's."
                } else {
                    ""
                },
                if self.columns.iter().any(|column| column.procedure_sem.is_some()) {
                    " Procedure SEM: of the mean, from the site's own repeats."
                } else {
                    ""
                }
            ),
        };
        let rows = page::words(root, &words)?;
        let lines = self.columns.iter().map(|column| column.texts().len()).max().unwrap_or(0);
        let under = (LABEL + 8) * lines as i32 + 38;
        let edges = ((LEFT, rows.start + 20), (RIGHT, rows.end - under));
        let marks = || self.columns.iter().flat_map(Column::forces_n);
        let axes = Axes {
            x: 0.0..self.columns.len().max(1) as f64,
            x_name: "",
            y: page::force_axis(marks().fold(0.0, f64::min), marks().fold(0.0, f64::max)),
            y_name: "peak above zero, N",
        };
        let plane = page::axes(root, &axes, edges)?;
        let size = self.text_size(&Pen(root))?;
        for (at, column) in self.columns.iter().enumerate() {
            column.draw_spread(root, &plane, at as f64 + 0.5)?;
            column.draw_trials(root, &plane, at as f64 + 0.5)?;
            let x = plane.place(at as f64 + 0.5, 0.0).0;
            for (text, y) in column.texts().iter().zip((edges.1.1 + 24..).step_by(LABEL as usize + 8)) {
                Pen(root).text(text, (x, y), Align::Middle, size, INK)?;
            }
        }
        Ok(())
    }
}

impl PointsFigure {
    /// Size of the columns' texts at which the widest of them fits its column.
    fn text_size<B: Surface>(&self, pen: &Pen<'_, B>) -> Result<i32, Fault<B>> {
        let mut widest = 1;
        for text in self.columns.iter().flat_map(|column| column.texts()) {
            widest = widest.max(pen.width(&text, LABEL)?);
        }
        let room = (RIGHT - LEFT) / self.columns.len().max(1) as i32 - 24;
        Ok(LABEL.min(LABEL * room / widest).max(12))
    }
}

impl Column {
    fn texts(&self) -> Vec<String> {
        let number = |name: &str, value: Option<f64>, unit: &str| {
            value.map_or_else(|| format!("{name} –"), |value| format!("{name} {value:.2} {unit}"))
        };
        let spread = &self.spread;
        let cv = match (spread.cv_percent, spread.cv_low_percent, spread.cv_high_percent) {
            (None, ..) => "CV –".to_owned(),
            (Some(cv), None, _) => format!("CV {cv:.1} %"),
            (Some(cv), Some(low), None) => format!("CV {cv:.1} % (over {low:.1})"),
            (Some(cv), Some(low), Some(high)) => format!("CV {cv:.1} % ({low:.1} to {high:.1})"),
        };
        let mean = number("mean", spread.mean_of_peaks_n, "N");
        let instrument = spread.expanded_uncertainty_n.map(|n| format!("instrument ± {n:.2} N"));
        let four = [
            bounded(&self.name, 40),
            format!("{mean}, n = {}", spread.trials_used),
            number("SD", spread.sd_n, "N"),
            cv,
        ];
        let procedure = self.procedure_sem.as_ref().map(|sem| format!("procedure SEM {sem}"));
        four.into_iter().chain(instrument).chain(procedure).collect()
    }

    /// Every force that is drawn, N.
    fn forces_n(&self) -> impl Iterator<Item = f64> + '_ {
        let band = self.spread.mean_of_peaks_n.map(|mean_n| mean_n + self.spread.sd_n.unwrap_or(0.0));
        self.trials.iter().filter_map(|trial| trial.peak_zero_n).chain(band)
    }

    fn draw_spread<B: Surface>(
        &self,
        root: &DrawingArea<B, Shift>,
        plane: &Plane<B>,
        middle: f64,
    ) -> Drawn<B> {
        let Some(mean_n) = self.spread.mean_of_peaks_n else {
            return Ok(());
        };
        let (left, right) = (plane.column(middle - 0.32), plane.column(middle + 0.32));
        let row = |force_n: f64| plane.place(middle, force_n).1.clamp(plane.edges.0.1, plane.edges.1.1);
        if let Some(sd_n) = self.spread.sd_n {
            Pen(root).fill(((left, row(mean_n + sd_n)), (right, row(mean_n - sd_n))), GRID, 0.9)?;
        }
        Pen(root).line((left, row(mean_n)), (right, row(mean_n)), None, INK, 5)
    }

    fn draw_trials<B: Surface>(
        &self,
        root: &DrawingArea<B, Shift>,
        plane: &Plane<B>,
        middle: f64,
    ) -> Drawn<B> {
        let (color, marker) = series(self.look);
        let peaks: Vec<(f64, bool)> =
            self.trials.iter().filter_map(|trial| Some((trial.peak_zero_n?, trial.used))).collect();
        for (n, (peak_n, used)) in peaks.iter().enumerate() {
            let share = (n as f64 + 0.5) / peaks.len() as f64 - 0.5;
            let place = plane.place(middle + 0.5 * share, *peak_n);
            Pen(root).marker(marker, place, 16, color, *used)?;
        }
        Ok(())
    }
}
