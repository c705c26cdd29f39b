//! Figure of subjects and occasions: a line a subject over the occasions, beside the mean of all.
use super::Figure;
use super::page::{self, Axes, LEFT, RIGHT, UNDER_AXIS, Words, padded};
use super::pen::{Align, Drawn, Pen, Surface, bounded};
use super::style::{FAINT, INK, LABEL, Marker, TRACE};
use plotters::coord::Shift;
use plotters::drawing::DrawingArea;

/// Values of subjects over occasions.
pub struct OccasionsFigure {
    /// What was measured.
    pub title: String,
    /// Its results.
    pub subtitle: String,
    /// Whose.
    pub source: String,
    /// What a value is, for the axis; empty where not known.
    pub value: String,
    /// Unit of the values; empty where not known.
    pub unit: String,
    /// Who was measured, with their number.
    pub whom: String,
    /// What the words for the value mean; empty where they are not known.
    pub definition: String,
    /// Names of the occasions.
    pub occasions: Vec<String>,
    /// Values, a row a subject.
    pub rows: Vec<Vec<f64>>,
}

impl Figure for OccasionsFigure {
    fn draw<B: Surface>(&self, root: &DrawingArea<B, Shift>) -> Drawn<B> {
        let words = Words {
            title: self.title.clone(),
            subtitle: self.subtitle.clone(),
            source: self.source.clone(),
            definitions: format!(
                "Thin lines with discs: {}, each disc one value; thick line with squares: mean of all of them. Only who has \
                 every value is drawn and counted. {}",
                self.whom, self.definition
            ),
        };
        let rows = page::words(root, &words)?;
        let edges = ((LEFT, rows.start + 10), (RIGHT, rows.end - UNDER_AXIS));
        let axes = Axes {
            x: -0.5..self.occasions.len().max(1) as f64 - 0.5,
            x_name: "",
            y: padded(self.rows.iter().flatten().copied()),
            y_name: &page::with_unit(if self.value.is_empty() { "value" } else { &self.value }, &self.unit),
        };
        let plane = page::axes(root, &axes, edges)?;
        let pen = Pen(root);
        let through = |values: &[f64]| -> Vec<(i32, i32)> {
            values.iter().enumerate().map(|(at, value)| plane.place(at as f64, *value)).collect()
        };
        for row in &self.rows {
            let places = through(row);
            pen.polyline(&places, FAINT, 3)?;
            places.iter().try_for_each(|place| pen.marker(Marker::Disc, *place, 9, TRACE, true))?;
        }
        let count = self.rows.len().max(1) as f64;
        let mean = |at: usize| self.rows.iter().map(|row| row[at]).sum::<f64>() / count;
        let places = through(&(0..self.occasions.len()).map(mean).collect::<Vec<_>>());
        pen.polyline(&places, INK, 7)?;
        places.iter().try_for_each(|place| pen.marker(Marker::Square, *place, 14, INK, true))?;
        for (at, name) in self.occasions.iter().enumerate() {
            let x = plane.place(at as f64, axes.y.start).0;
            pen.text(&bounded(name, 24), (x, edges.1.1 + 18), Align::Middle, LABEL, INK)?;
        }
        Ok(())
    }
}
