//! Figure of values over values: points and lines of several series, with levels across.
//!
//! Comes in: series as plain values, words. Goes out: one plot. Logarithmic axes show powers of ten.
use super::Figure;
use super::page::{self, Axes, LEFT, RIGHT, UNDER_AXIS, Words, padded};
use super::pen::{Align, Drawn, Pen, Surface, bounded};
use super::style::{GRID, INK, LABEL, QUIET, series as look};
use plotters::coord::Shift;
use plotters::drawing::DrawingArea;

/// Room for the series' names to the right of the plot.
const NAMES_WIDE: i32 = 380;
/// Slices of a band between two of its points.
const SLICES: u32 = 24;
/// Points of a series that are drawn at most: more cannot be told apart.
const POINTS_MAX: usize = 4000;

/// One series.
#[derive(Debug, Clone, Default)]
pub struct Series {
    /// Its name.
    pub name: String,
    /// Its points.
    pub points: Vec<(f64, f64)>,
    /// Joined by a line.
    pub is_line: bool,
    /// Drawn with markers.
    pub has_markers: bool,
}

/// The figure.
#[derive(Debug, Clone, Default)]
pub struct CurvesFigure {
    /// Title.
    pub title: String,
    /// Results.
    pub subtitle: String,
    /// What its words mean.
    pub definitions: String,
    /// Whose.
    pub source: String,
    /// Name and unit of the horizontal axis.
    pub x_name: String,
    /// Name and unit of the vertical axis.
    pub y_name: String,
    /// Both axes show decimal logarithms.
    pub is_logarithmic: bool,
    /// The series.
    pub series: Vec<Series>,
    /// Levels across the plot, with their names.
    pub levels: Vec<(String, f64)>,
    /// Bands around the horizontal zero: from x, half width.
    pub band: Vec<(f64, f64)>,
}

impl CurvesFigure {
    fn shown(&self, of: &Series) -> Vec<(f64, f64)> {
        let step = of.points.len().div_ceil(POINTS_MAX).max(1);
        let log = |value: f64| if self.is_logarithmic { libm::log10(value) } else { value };
        let points = of.points.iter().step_by(step).map(|(x, y)| (log(*x), log(*y)));
        points.filter(|(x, y)| x.is_finite() && y.is_finite()).collect()
    }
}

impl Figure for CurvesFigure {
    fn draw<B: Surface>(&self, root: &DrawingArea<B, Shift>) -> Drawn<B> {
        let words = Words {
            title: self.title.clone(),
            subtitle: self.subtitle.clone(),
            source: self.source.clone(),
            definitions: self.definitions.clone(),
        };
        let rows = page::words(root, &words)?;
        let edges = ((LEFT, rows.start + 10), (RIGHT - NAMES_WIDE, rows.end - UNDER_AXIS));
        let shown: Vec<Vec<(f64, f64)>> = self.series.iter().map(|of| self.shown(of)).collect();
        let levels = self.levels.iter().map(|(_, level)| *level);
        let bands = self.band.iter().flat_map(|(_, half)| [-half, *half]);
        let all = || shown.iter().flatten();
        let named =
            |name: &str| if self.is_logarithmic { format!("log₁₀ {name}") } else { name.to_owned() };
        let (x_name, y_name) = (named(&self.x_name), named(&self.y_name));
        let axes = Axes {
            x: padded(all().map(|point| point.0).chain(self.band.iter().map(|(x, _)| *x))),
            x_name: &x_name,
            y: padded(all().map(|point| point.1).chain(levels).chain(bands)),
            y_name: &y_name,
        };
        let plane = page::axes(root, &axes, edges)?;
        let pen = Pen(root);
        let ((left, top), (right, bottom)) = edges;
        for pair in self.band.windows(2) {
            // In narrow slices, so that its edges are the straight lines between the points.
            let between = |share: f64| {
                let of = |a: f64, b: f64| a + (b - a) * share;
                (of(pair[0].0, pair[1].0), of(pair[0].1, pair[1].1))
            };
            for slice in 0..SLICES {
                let at = |n: u32| between(f64::from(n) / f64::from(SLICES));
                let half = between((f64::from(slice) + 0.5) / f64::from(SLICES)).1;
                let (from, to) = (plane.place(at(slice).0, half), plane.place(at(slice + 1).0, -half));
                pen.fill((from, to), GRID, 1.0)?;
            }
        }
        for (name, level) in &self.levels {
            let y = plane.place(axes.x.start, *level).1.clamp(top, bottom);
            pen.line((left, y), (right, y), Some((22, 12)), QUIET, 3)?;
            pen.text(&bounded(name, 24), (right + 16, y - LABEL / 2), Align::Left, LABEL - 6, QUIET)?;
        }
        for (number, (of, points)) in self.series.iter().zip(&shown).enumerate() {
            let (color, marker) = look(number);
            let places: Vec<(i32, i32)> = points.iter().map(|(x, y)| plane.place(*x, *y)).collect();
            if of.is_line {
                pen.polyline(&places, color, 4)?;
            }
            if of.has_markers {
                places.iter().try_for_each(|place| pen.marker(marker, *place, 10, color, true))?;
            }
            let y = top + 10 + (LABEL + 14) * number as i32;
            if !of.name.is_empty() && !points.is_empty() && y + LABEL < bottom {
                pen.marker(marker, (right + 34, y + LABEL / 2), 10, color, true)?;
                pen.text(&bounded(&of.name, 22), (right + 60, y), Align::Left, LABEL - 4, INK)?;
            }
        }
        Ok(())
    }
}
