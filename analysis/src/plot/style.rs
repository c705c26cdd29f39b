//! The look of every figure: one font, one palette, one set of sizes.
//!
//! The palette is that of Okabe & Ito (2008, "Color Universal Design"), which people with any of the common colour
//! blindnesses can tell apart; because grey print cannot, every series has its own marker too. The font comes with the
//! program, so that figures look the same on a machine without fonts.
use plotters::style::{FontStyle, RGBColor, register_font};
use std::sync::OnceLock;

/// Width of a figure in drawing units; an SVG shows two of them as one pixel, a PNG has them as pixels.
pub const WIDTH: u32 = 2400;
/// Height of a figure in drawing units.
pub const HEIGHT: u32 = 1440;

/// The font's name here and in SVG files, where the others stand in for it: Verdana is as wide.
pub const FAMILY: &str = "DejaVu Sans, Verdana, sans-serif";
/// Size of the title.
pub const TITLE: i32 = 52;
/// Size of the line under it.
pub const SUBTITLE: i32 = 36;
/// Size of labels, axis names and numbers.
pub const LABEL: i32 = 34;
/// Size of the definitions and cautions at the foot.
pub const FOOT: i32 = 27;

/// Text and the lines that mark an event.
pub const INK: RGBColor = RGBColor(25, 25, 25);
/// Text that explains.
pub const QUIET: RGBColor = RGBColor(95, 95, 95);
/// Grid lines.
pub const GRID: RGBColor = RGBColor(224, 224, 224);
/// What does not count.
pub const FAINT: RGBColor = RGBColor(150, 150, 150);
/// A trace.
pub const TRACE: RGBColor = RGBColor(0, 114, 178);
/// The break.
pub const BREAK: RGBColor = RGBColor(190, 75, 0);
/// The averaging window and its mean.
pub const WINDOW: RGBColor = RGBColor(230, 159, 0);

/// How a marker looks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Marker {
    /// A disc.
    Disc,
    /// A square.
    Square,
    /// A triangle on its base.
    Triangle,
    /// A square on its corner.
    Diamond,
    /// A triangle on its point.
    Wedge,
    /// Two crossed strokes.
    Cross,
}

/// Colour and marker of the series with this number, from 0. Neighbours differ in lightness as well as in hue.
pub fn series(number: usize) -> (RGBColor, Marker) {
    const SERIES: [(RGBColor, Marker); 6] = [
        (RGBColor(0, 114, 178), Marker::Disc),
        (RGBColor(230, 159, 0), Marker::Square),
        (RGBColor(0, 90, 65), Marker::Triangle),
        (RGBColor(204, 121, 167), Marker::Diamond),
        (RGBColor(60, 60, 60), Marker::Wedge),
        (RGBColor(86, 180, 233), Marker::Cross),
    ];
    SERIES[number % SERIES.len()]
}

/// Makes the font known to the drawing library; must come before any drawing. `false` where it cannot be read.
pub fn register_fonts() -> bool {
    static DONE: OnceLock<bool> = OnceLock::new();
    *DONE.get_or_init(|| {
        let regular = register_font(FAMILY, FontStyle::Normal, dejavu::sans::regular());
        let bold = register_font(FAMILY, FontStyle::Bold, dejavu::sans::bold());
        regular.is_ok() && bold.is_ok()
    })
}
