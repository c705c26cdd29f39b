//! Figures as files in a folder, of the kinds that are asked for.

use super::{Figure, PlotError, write_png, write_svg};
use crate::console::{Hint, advised};
use anyhow::Context;
use std::path::{Path, PathBuf};

/// What kind of files.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, clap::ValueEnum)]
pub enum Format {
    /// SVG: sharp at any size.
    Svg,
    /// PNG.
    Png,
    /// Both.
    #[default]
    Both,
}

impl Format {
    /// Ends of the files' names.
    fn kinds(self) -> &'static [&'static str] {
        match self {
            Format::Svg => &["svg"],
            Format::Png => &["png"],
            Format::Both => &["svg", "png"],
        }
    }

    /// The files of figures with these names.
    pub fn files(self, names: impl IntoIterator<Item = String>) -> Vec<String> {
        let of = |name: String| self.kinds().iter().map(move |kind| format!("{name}.{kind}"));
        names.into_iter().flat_map(of).collect()
    }
}

/// Makes the folder that figures go to, where it is not there.
///
/// # Errors
/// It cannot be made.
pub fn make_folder(out: &Path) -> anyhow::Result<()> {
    std::fs::create_dir_all(out)
        .with_context(|| format!("cannot make the folder {}", out.display()))
        .map_err(|error| error.context(Hint::new("choose another with --out")))
}

/// Writes a figure into a folder; gives its files.
///
/// # Errors
/// It cannot be drawn or written.
pub fn write(figure: &impl Figure, out: &Path, name: &str, format: Format) -> anyhow::Result<Vec<PathBuf>> {
    let mut written = Vec::new();
    for file in format.files([name.to_owned()]) {
        let path = out.join(file);
        let made: Result<(), PlotError> = match path.extension() {
            Some(kind) if kind == "svg" => write_svg(figure, &path),
            _ => write_png(figure, &path),
        };
        made.map_err(advised)?;
        written.push(path);
    }
    Ok(written)
}
