//! Plots of recordings (SVG and PNG).
//!
//! Comes in: traces (s, N), rows of `/trials` and words, as plain values. Goes out: figures as files. What is drawn knows
//! nothing of where the values came from.

pub mod bland_altman;
pub mod curves;
pub mod decimate;
pub mod files;
mod flags;
pub mod names;
pub mod occasions;
pub mod overview;
mod page;
mod pen;
pub mod repeats;
pub mod style;
pub mod together;
pub mod trial;
pub mod visits;
mod window;

use crate::console::Advice;
use pen::{Drawn, Surface};
use plotters::coord::Shift;
use plotters::drawing::{DrawingArea, IntoDrawingArea};
use plotters::prelude::{BitMapBackend, SVGBackend};
use std::path::{Path, PathBuf};
use style::{HEIGHT, WIDTH};

/// Something that can be drawn on a page.
pub trait Figure {
    /// Draws it.
    fn draw<B: Surface>(&self, root: &DrawingArea<B, Shift>) -> Drawn<B>;
}

/// Why there is no figure.
#[derive(Debug, thiserror::Error)]
pub enum PlotError {
    /// The built-in font cannot be used.
    #[error("the built-in font cannot be read")]
    Font,
    /// The drawing library refused.
    #[error("cannot draw {}: {what}", path.display())]
    Draw {
        /// The figure's file.
        path: PathBuf,
        /// What it said.
        what: String,
    },
    /// The file could not be written.
    #[error("cannot write {}", path.display())]
    Write {
        /// The figure's file.
        path: PathBuf,
        /// What the system said.
        source: std::io::Error,
    },
}

impl Advice for PlotError {
    fn hint(&self) -> String {
        match self {
            PlotError::Font | PlotError::Draw { .. } => {
                "this is a fault of the program: please report it".to_owned()
            }
            PlotError::Write { .. } => {
                "choose a folder that you may write to, with room, by --out".to_owned()
            }
        }
    }
}

/// The figure as SVG text, half as many pixels wide as it has drawing units.
pub fn svg(figure: &impl Figure) -> Result<String, PlotError> {
    if !style::register_fonts() {
        return Err(PlotError::Font);
    }
    let mut text = String::new();
    {
        let root = SVGBackend::with_string(&mut text, (WIDTH, HEIGHT)).into_drawing_area();
        let drawn = figure.draw(&root).and_then(|()| root.present());
        drawn.map_err(|error| PlotError::Draw { path: "an SVG".into(), what: error.to_string() })?;
    }
    let units = format!("width=\"{WIDTH}\" height=\"{HEIGHT}\"");
    let pixels = format!("width=\"{}\" height=\"{}\"", WIDTH / 2, HEIGHT / 2);
    Ok(text.replacen(&units, &pixels, 1))
}

/// Whether a text is a figure that was drawn here: nothing else has its size.
pub fn is_ours(text: &[u8]) -> bool {
    let (width, height) = (WIDTH / 2, HEIGHT / 2);
    let begins = format!("<svg width=\"{width}\" height=\"{height}\" viewBox=\"0 0 {WIDTH} {HEIGHT}\" ");
    text.starts_with(begins.as_bytes())
}

/// Writes the figure as an SVG file.
pub fn write_svg(figure: &impl Figure, path: &Path) -> Result<(), PlotError> {
    let text = svg(figure)?;
    std::fs::write(path, text).map_err(|source| PlotError::Write { path: path.to_owned(), source })
}

/// Writes the figure as a PNG file.
pub fn write_png(figure: &impl Figure, path: &Path) -> Result<(), PlotError> {
    if !style::register_fonts() {
        return Err(PlotError::Font);
    }
    // The drawing library reports a path it cannot write only after drawing, and without the reason.
    std::fs::File::create(path).map_err(|source| PlotError::Write { path: path.to_owned(), source })?;
    let root = BitMapBackend::new(path, (WIDTH, HEIGHT)).into_drawing_area();
    let drawn = figure.draw(&root).and_then(|()| root.present());
    drawn.map_err(|error| PlotError::Draw { path: path.to_owned(), what: error.to_string() })
}
