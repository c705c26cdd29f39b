//! Figure of two occasions: differences against means, with bias, limits of agreement and their intervals.
use super::Figure;
use super::page::{self, Axes, LEFT, Plane, RIGHT, UNDER_AXIS, Words, padded};
use super::pen::{Align, Drawn, Pen, Surface};
use super::style::{GRID, INK, LABEL, QUIET, TRACE, series};
use crate::statistics::agreement::Limits;
use crate::statistics::sem::Estimate;
use crate::study::reliability::Pair;
use plotters::coord::Shift;
use plotters::drawing::DrawingArea;

/// Room for the words to the right of the plot.
const WORDS_WIDE: i32 = 400;

/// Differences against means.
pub struct BlandAltmanFigure<'a> {
    /// What was measured.
    pub title: String,
    /// What a value is, for the axis; empty where not known.
    pub value: String,
    /// Unit of the values; empty where not known.
    pub unit: String,
    /// Who was measured, with their number.
    pub whom: String,
    /// What the words for the value mean; empty where they are not known.
    pub definition: String,
    /// Whose.
    pub source: String,
    /// The two occasions.
    pub pair: &'a Pair,
}

impl BlandAltmanFigure<'_> {
    /// Ratios, where the differences grow with the mean; differences elsewhere.
    fn limits(&self) -> (&Limits, bool) {
        match &self.pair.of.ratio {
            Some(ratio) => (ratio, true),
            None => (&self.pair.of.limits, false),
        }
    }

    /// Mean (geometric for ratios) and difference (or ratio) of every subject.
    fn points(&self) -> Vec<(f64, f64)> {
        let as_ratio = self.limits().1;
        let of = |(a, b): &(f64, f64)| {
            if as_ratio { ((a * b).sqrt(), b / a) } else { (0.5 * (a + b), b - a) }
        };
        self.pair.values.iter().map(of).collect()
    }

    fn words(&self) -> Words {
        let (limits, as_ratio) = self.limits();
        let unit = if as_ratio { String::new() } else { spaced(&self.unit) };
        let (what, form) = if as_ratio {
            (
                "mean ratio",
                "ratios, because the differences grow with the mean (p < 0.05); mean on the axis: geometric"
                    .to_owned(),
            )
        } else if self.pair.of.grows {
            let why = self.pair.why_no_ratio();
            (
                "bias",
                format!("the differences grow with the mean (p < 0.05), and {why}: no limits hold for all"),
            )
        } else {
            ("bias", "no growth of the differences with the mean was found at p < 0.05".to_owned())
        };
        Words {
            title: self.title.clone(),
            subtitle: format!(
                "{} against {} · {what} {:.2}{unit} · limits of agreement {:.2} to {:.2}{unit} · {}",
                self.pair.later,
                self.pair.earlier,
                limits.bias.value,
                limits.lower.value,
                limits.upper.value,
                self.whom
            ),
            source: self.source.clone(),
            definitions: format!(
                "Limits of agreement: mean ± 1.96 SD of the differences (of the logarithms for ratios); bands: 95 % \
                 intervals (Bland & Altman 1986, 1999). Here: {form}. Each disc is one subject: n = {}. {}",
                limits.n, self.definition
            ),
        }
    }
}

fn spaced(unit: &str) -> String {
    if unit.is_empty() { String::new() } else { format!(" {unit}") }
}

impl Figure for BlandAltmanFigure<'_> {
    fn draw<B: Surface>(&self, root: &DrawingArea<B, Shift>) -> Drawn<B> {
        let rows = page::words(root, &self.words())?;
        let edges = ((LEFT, rows.start + 10), (RIGHT - WORDS_WIDE, rows.end - UNDER_AXIS));
        let (points, (limits, as_ratio)) = (self.points(), self.limits());
        let nothing = if as_ratio { 1.0 } else { 0.0 };
        let of_limits = [limits.lower, limits.upper, limits.bias];
        let ends = of_limits.iter().flat_map(|of| [of.low, of.high]).flatten();
        let (later, earlier) = (&self.pair.later, &self.pair.earlier);
        let each = if self.value.is_empty() { String::new() } else { format!(", each a {}", self.value) };
        let of_both = |mean: &str| page::with_unit(&format!("{mean} of the two{each}"), &self.unit);
        let (x_name, y_name) = if as_ratio {
            (of_both("geometric mean"), format!("ratio {later} / {earlier}"))
        } else {
            (of_both("mean"), page::with_unit(&format!("difference {later} − {earlier}"), &self.unit))
        };
        let axes = Axes {
            x: padded(points.iter().map(|point| point.0)),
            x_name: &x_name,
            y: padded(points.iter().map(|point| point.1).chain(ends).chain([nothing])),
            y_name: &y_name,
        };
        let plane = page::axes(root, &axes, edges)?;
        let zero = plane.place(axes.x.start, nothing).1;
        Pen(root).line((edges.0.0, zero), (edges.1.0, zero), None, QUIET, 2)?;
        for (name, of, dashes) in [
            ("upper limit", limits.upper, Some((22, 12))),
            (if as_ratio { "mean ratio" } else { "bias" }, limits.bias, None),
            ("lower limit", limits.lower, Some((22, 12))),
        ] {
            level(root, &plane, (name, of), dashes)?;
        }
        let marker = series(0).1;
        points.iter().try_for_each(|(x, y)| Pen(root).marker(marker, plane.place(*x, *y), 12, TRACE, true))
    }
}

/// A level with the band of its interval, and its words to the right of the plot.
fn level<B: Surface>(
    root: &DrawingArea<B, Shift>,
    plane: &Plane<B>,
    (name, of): (&str, Estimate),
    dashes: Option<(i32, i32)>,
) -> Drawn<B> {
    let ((left, top), (right, bottom)) = plane.edges;
    let row = |value: f64| plane.place(0.0, value).1.clamp(top, bottom);
    let pen = Pen(root);
    if let (Some(low), Some(high)) = (of.low, of.high) {
        pen.fill(((left, row(high)), (right, row(low))), GRID, 0.55)?;
        let ends = format!("{low:.2} to {high:.2}");
        pen.text(&ends, (right + 20, row(of.value) + 4), Align::Left, LABEL - 4, QUIET)?;
    }
    pen.line((left, row(of.value)), (right, row(of.value)), dashes, INK, 4)?;
    pen.text(&format!("{name} {:.2}", of.value), (right + 20, row(of.value) - LABEL), Align::Left, LABEL, INK)
}
