//! A page: title, what the figure shows, axes, and at its foot what the words mean and the cautions.
use super::decimate::Reduced;
use super::pen::{Align, Box, Drawn, Fault, Pen, Place, Surface, bounded, font, printable, stroke};
use super::style::{FOOT, GRID, HEIGHT, INK, LABEL, Marker, QUIET, SUBTITLE, TITLE, WIDTH};
use crate::cautions::CAUTIONS;
use plotters::chart::ChartBuilder;
use plotters::coord::Shift;
use plotters::coord::types::RangedCoordf64;
use plotters::drawing::DrawingArea;
use plotters::prelude::Cartesian2d;
use plotters::style::{FontTransform, RGBColor, WHITE};
use std::ops::Range;

/// Left and right margin of the page.
pub const MARGIN: i32 = 70;
/// Left edge of the plot: room for the numbers and the name of the force axis.
pub const LEFT: i32 = 210;
/// Right edge of the plot.
pub const RIGHT: i32 = WIDTH as i32 - 90;

/// The words around a figure.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Words {
    /// What it shows, in plain words.
    pub title: String,
    /// Its results.
    pub subtitle: String,
    /// Whose and when.
    pub source: String,
    /// What its words mean.
    pub definitions: String,
}

/// Draws the words and gives the rows left between them: top and bottom.
pub fn words<B: Surface>(root: &DrawingArea<B, Shift>, words: &Words) -> Result<Range<i32>, Fault<B>> {
    root.fill(&WHITE)?;
    let pen = Pen(root);
    let mut top = 44;
    pen.bold(&words.title, (MARGIN, top), Align::Left, TITLE, INK)?;
    top += TITLE + 14;
    for line in wrapped(&pen, &words.subtitle, SUBTITLE)? {
        pen.text(&line, (MARGIN, top), Align::Left, SUBTITLE, INK)?;
        top += SUBTITLE + 8;
    }
    let mut foot = Vec::new();
    for text in [&words.definitions, &words.source, CAUTIONS] {
        foot.extend(wrapped(&pen, text, FOOT)?);
    }
    let bottom = HEIGHT as i32 - 30 - (FOOT + 7) * foot.len() as i32;
    for (line, y) in foot.iter().zip((bottom..).step_by(FOOT as usize + 7)) {
        pen.text(line, (MARGIN, y), Align::Left, FOOT, QUIET)?;
    }
    Ok(top + 12..bottom - 14)
}

/// Breaks a text into lines that fit the page.
fn wrapped<B: Surface>(pen: &Pen<'_, B>, text: &str, size: i32) -> Result<Vec<String>, Fault<B>> {
    let mut lines: Vec<String> = Vec::new();
    for word in printable(text).split_whitespace() {
        match lines.last_mut() {
            Some(line) if pen.width(&format!("{line} {word}"), size)? <= WIDTH as i32 - 2 * MARGIN => {
                line.push(' ');
                line.push_str(word);
            }
            _ => lines.push(word.to_owned()),
        }
    }
    Ok(lines)
}

/// A plot's plane: its corners on the page and the ranges of its axes.
pub struct Plane<B: Surface> {
    area: DrawingArea<B, Cartesian2d<RangedCoordf64, RangedCoordf64>>,
    /// Its rectangle on the page.
    pub edges: Box,
}

/// What stands on the axes.
pub struct Axes<'a> {
    /// Range of the horizontal axis.
    pub x: Range<f64>,
    /// Its name and unit; empty for an axis without numbers.
    pub x_name: &'a str,
    /// Range of the force axis, N.
    pub y: Range<f64>,
    /// Its name and unit.
    pub y_name: &'a str,
}

/// Height of the numbers and the name under a horizontal axis.
pub const UNDER_AXIS: i32 = 2 * LABEL + 34;

/// Draws axes, numbers and grid around the rectangle.
pub fn axes<B: Surface>(
    root: &DrawingArea<B, Shift>,
    axes: &Axes<'_>,
    edges: Box,
) -> Result<Plane<B>, Fault<B>> {
    const NUMBERS: i32 = 110;
    let ((left, top), (right, bottom)) = edges;
    let has_numbers = !axes.x_name.is_empty();
    let under = if has_numbers { LABEL + 26 } else { 4 };
    let sub = root.clone().shrink((left - NUMBERS, top), (right - left + NUMBERS, bottom - top + under));
    let mut chart = ChartBuilder::on(&sub)
        .y_label_area_size(NUMBERS)
        .x_label_area_size(under)
        .build_cartesian_2d(axes.x.clone(), axes.y.clone())?;
    let mut mesh = chart.configure_mesh();
    mesh.max_light_lines(1)
        .bold_line_style(stroke(GRID, 2))
        .light_line_style(GRID.mix_none())
        .axis_style(stroke(INK, 3))
        .label_style(font(LABEL, false, INK, Align::Left))
        .x_label_formatter(&|x| number(*x))
        .y_label_formatter(&|y| number(*y))
        .x_labels(if has_numbers { 12 } else { 0 })
        .y_labels(if bottom - top > 400 { 9 } else { 5 });
    if !has_numbers {
        mesh.disable_x_mesh();
    }
    mesh.draw()?;
    let area = chart.plotting_area().clone();
    name_axes(root, axes, edges)?;
    Ok(Plane { area, edges })
}

fn name_axes<B: Surface>(
    root: &DrawingArea<B, Shift>,
    axes: &Axes<'_>,
    ((left, top), (right, bottom)): Box,
) -> Drawn<B> {
    let pen = Pen(root);
    pen.text(axes.x_name, ((left + right) / 2, bottom + LABEL + 28), Align::Middle, LABEL, INK)?;
    let upright = font(LABEL, false, INK, Align::Middle).transform(FontTransform::Rotate270);
    root.draw_text(axes.y_name, &upright, (MARGIN - 20, (top + bottom) / 2))
}

/// Name of an axis with the unit, where one is known.
pub fn with_unit(name: &str, unit: &str) -> String {
    if unit.is_empty() { name.to_owned() } else { format!("{name}, {unit}") }
}

/// A number on an axis, without noise and trailing zeros.
fn number(value: f64) -> String {
    let rounded = (value * 1e6).round() / 1e6;
    format!("{}", if rounded == 0.0 { 0.0 } else { rounded })
}

/// A colour that is not drawn at all.
trait Unseen {
    fn mix_none(&self) -> plotters::style::RGBAColor;
}

impl Unseen for RGBColor {
    fn mix_none(&self) -> plotters::style::RGBAColor {
        plotters::style::Color::mix(self, 0.0)
    }
}

impl<B: Surface> Plane<B> {
    /// Where a point lies on the page.
    pub fn place(&self, x: f64, y: f64) -> Place {
        self.area.map_coordinate(&(x, y))
    }

    /// Column of the page at `x`, inside the plot.
    pub fn column(&self, x: f64) -> i32 {
        self.place(x, 0.0).0.clamp(self.edges.0.0, self.edges.1.0)
    }

    /// Draws a trace.
    pub fn trace(
        &self,
        root: &DrawingArea<B, Shift>,
        trace: &Reduced,
        color: RGBColor,
        width: u32,
    ) -> Drawn<B> {
        for piece in &trace.pieces {
            let mut places: Vec<Place> = piece.iter().map(|(x, y)| self.place(*x, *y)).collect();
            places.dedup();
            Pen(root).polyline(&places, color, width)?;
        }
        Ok(())
    }

    /// Hatches what is missing from a trace; however short, it is seen.
    pub fn gaps(&self, root: &DrawingArea<B, Shift>, trace: &Reduced) -> Drawn<B> {
        let pen = Pen(root);
        for (from_s, to_s) in &trace.gaps {
            let (left, right) = (self.column(*from_s), self.column(*to_s));
            let right = right.max(left + 6);
            let band = ((left, self.edges.0.1), (right, self.edges.1.1));
            pen.fill(band, GRID, 0.5)?;
            pen.hatch(band, QUIET)?;
        }
        Ok(())
    }
}

/// What a legend says of a trace.
pub struct Entry {
    /// Its name.
    pub label: String,
    /// Its colour.
    pub color: RGBColor,
    /// Its marker.
    pub marker: Marker,
    /// The marker is filled.
    pub filled: bool,
}

/// Draws a legend and gives the row under it.
pub fn legend<B: Surface>(pen: &Pen<'_, B>, entries: &[Entry], top: i32) -> Result<i32, Fault<B>> {
    const ROW: i32 = LABEL + 12;
    let (mut x, mut y) = (LEFT, top + 4);
    for Entry { label, color, marker, filled } in entries {
        let label = bounded(label, 70);
        let width = pen.width(&label, LABEL)? + 110;
        if x + width > RIGHT && x > LEFT {
            (x, y) = (LEFT, y + ROW);
        }
        let middle = y + LABEL / 2 - 4;
        pen.line((x, middle), (x + 50, middle), None, *color, 5)?;
        pen.marker(*marker, (x + 25, middle), 13, *color, *filled)?;
        pen.text(&label, (x + 62, y), Align::Left, LABEL, INK)?;
        x += width;
    }
    Ok(y + ROW + 14)
}

/// Range of a force axis that shows `low_n` to `high_n` and zero, with air above and below.
pub fn force_axis(low_n: f64, high_n: f64) -> Range<f64> {
    let (low_n, high_n) = (low_n.min(0.0), high_n.max(0.0));
    let span_n = (high_n - low_n).max(0.1);
    let below_n = if low_n < 0.0 { low_n - 0.03 * span_n } else { 0.0 };
    below_n..high_n + 0.06 * span_n
}

/// Range of an axis that shows all these values, with air on both sides; zero need not be on it.
pub fn padded(values: impl Iterator<Item = f64>) -> Range<f64> {
    let finite = values.filter(|value| value.is_finite());
    let (low, high) = finite.fold((f64::MAX, f64::MIN), |(low, high), v| (low.min(v), high.max(v)));
    if low > high {
        return 0.0..1.0;
    }
    let air = if high > low { 0.08 * (high - low) } else { 0.05 * high.abs().max(1.0) };
    low - air..high + air
}

/// Column of the page at `x` on a horizontal axis of this range, inside the plot; for what must be placed before the
/// plot is.
pub fn column_of(x: f64, range: &Range<f64>) -> i32 {
    let share = ((x - range.start) / (range.end - range.start)).clamp(0.0, 1.0);
    LEFT + (share * f64::from(RIGHT - LEFT)) as i32
}

/// Width of a plot in pixel columns.
pub fn columns(edges: Box) -> u32 {
    (edges.1.0 - edges.0.0).unsigned_abs()
}
