//! Strokes in drawing units: text, dashed lines, hatching, markers.
//!
//! Comes in: places in drawing units from the top left corner. Goes out: marks on the page.
use super::style::{FAMILY, LABEL, Marker};
use plotters::coord::Shift;
use plotters::drawing::{DrawingArea, DrawingAreaErrorKind};
use plotters::element::{Circle, PathElement, Polygon, Rectangle};
use plotters::prelude::{BitMapBackend, DrawingBackend, IntoFont, SVGBackend, Text};
use plotters::style::text_anchor::{HPos, Pos, VPos};
use plotters::style::{Color, FontFamily, FontStyle, RGBColor, ShapeStyle, TextStyle};

/// What is drawn on: a picture of pixels, or one of strokes.
pub trait Surface: DrawingBackend {
    /// Whether it draws a thick line through many points whole. The pixel backend loses the way back where a line
    /// doubles back on itself, as every narrow peak does, so there each stroke is drawn by itself.
    const DRAWS_LINES_WHOLE: bool;
}

impl Surface for SVGBackend<'_> {
    const DRAWS_LINES_WHOLE: bool = true;
}

impl Surface for BitMapBackend<'_> {
    const DRAWS_LINES_WHOLE: bool = false;
}

/// What can go wrong on a backend.
pub type Fault<B> = DrawingAreaErrorKind<<B as DrawingBackend>::ErrorType>;
/// Whether something was drawn.
pub type Drawn<B> = Result<(), Fault<B>>;
/// A place on the page.
pub type Place = (i32, i32);
/// A rectangle: its left top and its right bottom corner.
pub type Box = (Place, Place);

/// On and off lengths of a dashed line; none for a solid one.
pub type Dashes = Option<(i32, i32)>;

/// Between a label and its mast.
const FLAG_SPACE: i32 = 8;

/// Where a text stands from its place.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Align {
    /// Its left end.
    Left,
    /// Its middle.
    Middle,
}

/// Draws on a page.
pub struct Pen<'p, B: Surface>(pub &'p DrawingArea<B, Shift>);

impl<B: Surface> Pen<'_, B> {
    /// Text whose top is at `place`.
    pub fn text(&self, text: &str, place: Place, align: Align, size: i32, color: RGBColor) -> Drawn<B> {
        if text.is_empty() {
            return Ok(());
        }
        self.0.draw(&Text::new(printable(text), place, font(size, false, color, align)))
    }

    /// Bold text whose top is at `place`.
    pub fn bold(&self, text: &str, place: Place, align: Align, size: i32, color: RGBColor) -> Drawn<B> {
        self.0.draw(&Text::new(printable(text), place, font(size, true, color, align)))
    }

    /// Width of a text.
    pub fn width(&self, text: &str, size: i32) -> Result<i32, Fault<B>> {
        let style = font(size, false, super::style::INK, Align::Left);
        Ok(self.0.estimate_text_size(&printable(text), &style)?.0 as i32)
    }

    /// A label to the right of its line, like a flag on a mast whose top is at `place`.
    pub fn flag(&self, label: &str, (x, y): Place, color: RGBColor) -> Drawn<B> {
        self.text(label, (x + FLAG_SPACE, y), Align::Left, LABEL, color)
    }

    /// Width of such a label, with the space to its mast.
    pub fn flag_width(&self, label: &str) -> Result<i32, Fault<B>> {
        Ok(self.width(label, LABEL)? + FLAG_SPACE)
    }

    /// A line, solid or dashed.
    pub fn line(&self, from: Place, to: Place, dashes: Dashes, color: RGBColor, width: u32) -> Drawn<B> {
        let Some((on, off)) = dashes else {
            return self.solid(from, to, color, width);
        };
        let (dx, dy) = (f64::from(to.0 - from.0), f64::from(to.1 - from.1));
        let length = (dx * dx + dy * dy).sqrt();
        let at = |along: f64| {
            let share = (along / length).min(1.0);
            (from.0 + (share * dx).round() as i32, from.1 + (share * dy).round() as i32)
        };
        let mut along = 0.0;
        while along < length {
            self.solid(at(along), at(along + f64::from(on)), color, width)?;
            along += f64::from(on + off).max(1.0);
        }
        Ok(())
    }

    /// A solid stroke. On pixels a steep one is drawn column by column: as the backend fills it, it is thinner at some rows
    /// than at others, and a flank would look dashed.
    fn solid(&self, from: Place, to: Place, color: RGBColor, width: u32) -> Drawn<B> {
        let (across, down) = (to.0 - from.0, to.1 - from.1);
        if B::DRAWS_LINES_WHOLE || down.abs() <= across.abs() {
            return self.0.draw(&PathElement::new(vec![from, to], stroke(color, width)));
        }
        let columns = across.abs() + 1;
        let row = |column: i32| from.1 + down * column / columns;
        (0..columns).try_for_each(|column| {
            let left = from.0 + column * across.signum() - width as i32 / 2;
            let (top, bottom) = (row(column).min(row(column + 1)), row(column).max(row(column + 1)));
            self.fill(((left, top), (left + width as i32, bottom + 1)), color, 1.0)
        })
    }

    /// A line through many places; a single one is a dot.
    pub fn polyline(&self, places: &[Place], color: RGBColor, width: u32) -> Drawn<B> {
        match places {
            [] => Ok(()),
            [lone] => self.0.draw(&Circle::new(*lone, (width as i32 + 1) / 2, color.filled())),
            _ if B::DRAWS_LINES_WHOLE => {
                self.0.draw(&PathElement::new(places.to_vec(), stroke(color, width)))
            }
            _ => places.windows(2).try_for_each(|pair| self.line(pair[0], pair[1], None, color, width)),
        }
    }

    /// A filled rectangle, `opacity` from 0 to 1.
    pub fn fill(&self, area: Box, color: RGBColor, opacity: f64) -> Drawn<B> {
        self.0.draw(&Rectangle::new([area.0, area.1], color.mix(opacity).filled()))
    }

    /// Diagonal strokes across a rectangle: what was not measured.
    pub fn hatch(&self, ((left, top), (right, bottom)): Box, color: RGBColor) -> Drawn<B> {
        const STEP: usize = 18;
        let height = bottom - top;
        for start in (left - height..right).step_by(STEP) {
            // A stroke that climbs to the right, cut at the rectangle's sides.
            let from = start.max(left);
            let to = (start + height).min(right);
            let (low, high) = (bottom - (from - start), bottom - (to - start));
            self.line((from, low), (to, high), None, color, 2)?;
        }
        Ok(())
    }

    /// A marker around a place: filled, or its outline for what does not count.
    pub fn marker(
        &self,
        marker: Marker,
        (x, y): Place,
        size: i32,
        color: RGBColor,
        filled: bool,
    ) -> Drawn<B> {
        let style = if filled { color.filled() } else { stroke(color, 4) };
        let outline = |corners: &[Place]| -> Drawn<B> {
            let mut corners: Vec<Place> = corners.iter().map(|(dx, dy)| (x + dx, y + dy)).collect();
            if filled {
                return self.0.draw(&Polygon::new(corners, style));
            }
            corners.extend(corners.first().copied());
            self.0.draw(&PathElement::new(corners, style))
        };
        match marker {
            Marker::Disc => self.0.draw(&Circle::new((x, y), size, style)),
            Marker::Square => outline(&[(-size, -size), (size, -size), (size, size), (-size, size)]),
            Marker::Triangle => outline(&[(0, -size), (size, size), (-size, size)]),
            Marker::Diamond => outline(&[(0, -size - 3), (size + 3, 0), (0, size + 3), (-size - 3, 0)]),
            Marker::Wedge => outline(&[(0, size), (size, -size), (-size, -size)]),
            Marker::Cross => {
                self.line((x - size, y - size), (x + size, y + size), None, color, 6)?;
                self.line((x - size, y + size), (x + size, y - size), None, color, 6)
            }
        }
    }
}

/// A stroke of some width.
pub fn stroke(color: RGBColor, width: u32) -> ShapeStyle {
    color.stroke_width(width)
}

/// The font of a text.
pub fn font(size: i32, bold: bool, color: RGBColor, align: Align) -> TextStyle<'static> {
    let style = if bold { FontStyle::Bold } else { FontStyle::Normal };
    let position = match align {
        Align::Left => HPos::Left,
        Align::Middle => HPos::Center,
    };
    (FontFamily::Name(FAMILY), size, style).into_font().color(&color).pos(Pos::new(position, VPos::Top))
}

/// Text that may come from a file, fit for a picture: bounded, and without characters that XML does not allow or that
/// turn the direction of writing. The backend escapes the rest.
pub fn printable(text: &str) -> String {
    bounded(text, 600)
}

/// The same, up to `longest` characters.
pub fn bounded(text: &str, longest: usize) -> String {
    let hidden = |c: char| {
        c.is_control()
            || matches!(c, '\u{200B}'..='\u{200F}' | '\u{2028}'..='\u{202E}' | '\u{2066}'..='\u{2069}' | '\u{FEFF}')
            || matches!(c, '\u{FFFE}' | '\u{FFFF}')
    };
    let mut shown: String = text.chars().filter(|c| !hidden(*c)).take(longest + 1).collect();
    if shown.chars().count() > longest {
        shown.pop();
        shown.push('…');
    }
    shown
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_from_a_file_is_made_fit_for_a_picture() {
        assert_eq!(printable("slip\u{1b}ped\n\u{202e}!"), "slipped!");
        let long = bounded(&"x".repeat(500), 160);
        assert_eq!((long.chars().count(), long.ends_with('…')), (161, true));
    }
}
