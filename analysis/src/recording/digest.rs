//! `content_sha256`: equal contents, equal digest. What is in a recording, whatever wrote it and in whatever pieces.
//!
//! Comes in: the groups, datasets and attributes of a file, as they are written or read from it. Goes out: 64
//! hexadecimal digits. To compute them with other tools, make one line of text for
//!
//! - every group: `<path> TAB group`
//! - every dataset: `<path> TAB <type> TAB <shape> TAB <SHA-256 of its values>`
//! - every attribute of either: `<path>@<name> TAB <type> TAB <shape> TAB <SHA-256 of its value>`
//!
//! where the path is absolute (`/` for the root); the type is `u8`, `i32`, `i64`, `f32`, `f64` or `text`; the shape is
//! the lengths of the axes joined by commas, empty for a single value; SHA-256 is written as 64 lower-case hexadecimal
//! digits and taken over the values in row-major order: numbers as little-endian bytes, each text as its length in
//! bytes (u64, little-endian) followed by its UTF-8 bytes. End each line with LF (byte 10), sort the lines by their
//! bytes; the SHA-256 of all of them, one after the other, is the digest.
//!
//! Left out are the root's own `content_sha256` and the attributes that tie axes to their scales (`CLASS`, `NAME`,
//! `DIMENSION_LIST`, `REFERENCE_LIST`), because they hold positions in the file.

use super::layout::CHUNK_SAMPLES;
use super::open::{OpenError, Opened, summary};
use super::scales;
use hdf5::types::{FloatSize, IntSize, TypeDescriptor, VarLenUnicode};
use hdf5::{Container, Dataset, Group, H5Type, Location, LocationType};
use sha2::{Digest, Sha256};
use std::borrow::Cow;
use std::fmt::Write;
use std::ops::Range;

/// The root's attribute that holds the digest.
pub const ATTRIBUTE: &str = "content_sha256";

/// A number that a recording can hold.
pub trait Number: H5Type + Copy {
    /// Its type's name in the digest.
    const TYPE: &'static str;
    /// Appends its little-endian bytes.
    fn put(self, bytes: &mut Vec<u8>);
    /// The same number with one bit pattern for NaN: processors make several.
    fn canonical(self) -> Self;
}

macro_rules! number {
    ($($type:ident: $canonical:expr),+) => {$(
        impl Number for $type {
            const TYPE: &'static str = stringify!($type);

            fn put(self, bytes: &mut Vec<u8>) {
                bytes.extend_from_slice(&self.to_le_bytes());
            }

            fn canonical(self) -> Self {
                let canonical: fn($type) -> $type = $canonical;
                canonical(self)
            }
        }
    )+};
}
number!(
    u8: |value| value,
    i32: |value| value,
    i64: |value| value,
    f32: |value| if value.is_nan() { f32::NAN } else { value },
    f64: |value| if value.is_nan() { f64::NAN } else { value }
);

/// A text as HDF5 keeps it. A zero byte would end it: a character that stands for none takes its place, because no word that
/// somebody got into a journal may keep a visit from being sealed.
pub fn stored(text: &str) -> Cow<'_, str> {
    if text.contains('\0') { Cow::Owned(text.replace('\0', "\u{fffd}")) } else { Cow::Borrowed(text) }
}

/// The name of a text's type in the digest.
pub const TEXT: &str = "text";

/// The digest of the values of one dataset or attribute, taken in as many pieces as one likes.
#[derive(Debug, Clone, Default)]
pub struct ValuesDigest {
    state: Sha256,
    bytes: Vec<u8>,
}

impl ValuesDigest {
    /// Takes in numbers.
    pub fn numbers<T: Number>(&mut self, values: &[T]) {
        for piece in values.chunks(4096) {
            self.bytes.clear();
            piece.iter().for_each(|value| value.put(&mut self.bytes));
            self.state.update(&self.bytes);
        }
    }

    /// Takes in one text, as it is [`stored`].
    pub fn text(&mut self, text: &str) {
        let text = stored(text);
        let text = text.as_ref();
        self.state.update((text.len() as u64).to_le_bytes());
        self.state.update(text);
    }

    /// The digest as hexadecimal digits.
    pub fn finish(self) -> String {
        hexadecimal(&self.state.finalize())
    }
}

fn hexadecimal(bytes: &[u8]) -> String {
    bytes.iter().fold(String::with_capacity(2 * bytes.len()), |mut text, byte| {
        // Writing to a string cannot fail.
        let _ = write!(text, "{byte:02x}");
        text
    })
}

/// The lines of a file's contents.
#[derive(Debug, Default)]
pub struct Contents {
    lines: Vec<String>,
}

impl Contents {
    /// Enters a group.
    pub fn group(&mut self, path: &str) {
        self.lines.push(format!("{path}\tgroup\n"));
    }

    /// Enters a dataset.
    pub fn dataset(&mut self, path: &str, kind: &str, shape: &[usize], values: ValuesDigest) {
        let shape = shape.iter().map(ToString::to_string).collect::<Vec<_>>().join(",");
        self.lines.push(format!("{path}\t{kind}\t{shape}\t{}\n", values.finish()));
    }

    /// Enters an attribute of a group or dataset; those that are left out of the digest are left out.
    pub fn attribute(&mut self, path: &str, name: &str, kind: &str, shape: &[usize], values: ValuesDigest) {
        if scales::ATTRIBUTES.contains(&name) || (path == "/" && name == ATTRIBUTE) {
            return;
        }
        self.dataset(&format!("{path}@{name}"), kind, shape, values);
    }

    /// The digest of everything entered, in whatever order it was.
    pub fn digest(mut self) -> String {
        self.lines.sort_unstable();
        let mut state = Sha256::new();
        self.lines.iter().for_each(|line| state.update(line));
        hexadecimal(&state.finalize())
    }
}

/// Computes the digest of a file by reading all of it, checksums included.
pub fn of_file(opened: &Opened) -> Result<String, OpenError> {
    let mut walk = Walk { opened, contents: Contents::default() };
    walk.group("/", &opened.file, 0)?;
    Ok(walk.contents.digest())
}

/// More levels than a recording has: a damaged file may hold a group that contains itself.
const DEPTH_MAX: usize = 16;

struct Walk<'a> {
    opened: &'a Opened,
    contents: Contents,
}

impl Walk<'_> {
    fn group(&mut self, path: &str, group: &Group, depth: usize) -> Result<(), OpenError> {
        if depth > DEPTH_MAX {
            return Err(self.opened.damaged(format!("`{path}` is nested too deeply")));
        }
        self.contents.group(path);
        self.attributes(path, group)?;
        let failed = |error: hdf5::Error| self.opened.damaged(format!("group `{path}`: {}", summary(&error)));
        let names = group.member_names().map_err(failed)?;
        for name in names {
            let inner = format!("{}/{name}", path.trim_end_matches('/'));
            let failed = |error: hdf5::Error| self.opened.damaged(format!("`{inner}`: {}", summary(&error)));
            // Each is opened once: libhdf5 opens a header that it has refused when it is asked again.
            match group.loc_type_by_name(&name).map_err(failed)? {
                LocationType::Group => self.group(&inner, &group.group(&name).map_err(failed)?, depth + 1)?,
                LocationType::Dataset => self.dataset(&inner, &group.dataset(&name).map_err(failed)?)?,
                other => return Err(self.opened.damaged(format!("`{inner}` is a {other:?}"))),
            }
        }
        Ok(())
    }

    fn attributes(&mut self, path: &str, location: &Location) -> Result<(), OpenError> {
        let failed = |error: hdf5::Error| self.opened.damaged(format!("`{path}`: {}", summary(&error)));
        for name in location.attr_names().map_err(failed)? {
            let attribute = location.attr(&name).map_err(failed)?;
            if scales::ATTRIBUTES.contains(&name.as_str()) {
                continue;
            }
            let (kind, shape, values) = self.values(&format!("{path}@{name}"), &attribute, Attribute)?;
            self.contents.attribute(path, &name, kind, &shape, values);
        }
        Ok(())
    }

    fn dataset(&mut self, path: &str, dataset: &Dataset) -> Result<(), OpenError> {
        self.attributes(path, dataset)?;
        let (kind, shape, values) = self.values(path, dataset, Pieces)?;
        self.contents.dataset(path, kind, &shape, values);
        Ok(())
    }

    fn values<R: ReadAll>(
        &self,
        path: &str,
        from: &Container,
        how: R,
    ) -> Result<(&'static str, Vec<usize>, ValuesDigest), OpenError> {
        let failed = |error: hdf5::Error| self.opened.damaged(format!("`{path}`: {}", summary(&error)));
        let shape = from.get_shape().map_err(failed)?;
        let descriptor = from.dtype().and_then(|dtype| dtype.to_descriptor()).map_err(failed)?;
        let elements = shape.iter().try_fold(1_usize, |product, length| product.checked_mul(*length));
        if !elements.is_some_and(|elements| self.opened.can_hold(elements, descriptor.size())) {
            return Err(self.opened.damaged(format!("`{path}` claims {shape:?} values")));
        }
        let mut values = ValuesDigest::default();
        let kind = match descriptor {
            TypeDescriptor::Unsigned(IntSize::U1) => how.numbers::<u8>(from, &shape, &mut values),
            TypeDescriptor::Integer(IntSize::U4) => how.numbers::<i32>(from, &shape, &mut values),
            TypeDescriptor::Integer(IntSize::U8) => how.numbers::<i64>(from, &shape, &mut values),
            TypeDescriptor::Float(FloatSize::U4) => how.numbers::<f32>(from, &shape, &mut values),
            TypeDescriptor::Float(FloatSize::U8) => how.numbers::<f64>(from, &shape, &mut values),
            TypeDescriptor::VarLenUnicode => how.texts(from, &shape, &mut values),
            other => Err(hdf5::Error::from(format!("type {other} has no place in a recording"))),
        };
        Ok((kind.map_err(failed)?, shape, values))
    }
}

/// Reads all values, in order: an attribute at once, a dataset in pieces of bounded size.
trait ReadAll: Sized {
    fn each<T: H5Type>(self, from: &Container, shape: &[usize], take: impl FnMut(Vec<T>))
    -> hdf5::Result<()>;

    fn numbers<T: Number>(
        self,
        from: &Container,
        shape: &[usize],
        digest: &mut ValuesDigest,
    ) -> hdf5::Result<&'static str> {
        self.each::<T>(from, shape, |values| digest.numbers(&values)).map(|()| T::TYPE)
    }

    fn texts(
        self,
        from: &Container,
        shape: &[usize],
        digest: &mut ValuesDigest,
    ) -> hdf5::Result<&'static str> {
        let mut readable = true;
        self.each::<VarLenUnicode>(from, shape, |values| {
            for value in values {
                match std::str::from_utf8(value.as_bytes()) {
                    Ok(text) => digest.text(text),
                    Err(_) => readable = false,
                }
            }
        })?;
        if readable { Ok(TEXT) } else { Err("holds text that is not UTF-8".into()) }
    }
}

struct Attribute;

impl ReadAll for Attribute {
    fn each<T: H5Type>(
        self,
        from: &Container,
        _: &[usize],
        mut take: impl FnMut(Vec<T>),
    ) -> hdf5::Result<()> {
        take(from.read_raw()?);
        Ok(())
    }
}

struct Pieces;

impl ReadAll for Pieces {
    fn each<T: H5Type>(
        self,
        from: &Container,
        shape: &[usize],
        mut take: impl FnMut(Vec<T>),
    ) -> hdf5::Result<()> {
        let Some(rows) = shape.first() else {
            take(from.read_raw()?);
            return Ok(());
        };
        for first in (0..*rows).step_by(CHUNK_SAMPLES) {
            take(read_rows(from, shape.len(), first..rows.min(&(first + CHUNK_SAMPLES)).to_owned())?);
        }
        Ok(())
    }
}

/// Reads some rows of a dataset of one or two axes, row after row.
pub fn read_rows<T: H5Type>(from: &Container, axes: usize, rows: Range<usize>) -> hdf5::Result<Vec<T>> {
    match axes {
        1 => Ok(from.read_slice_1d::<T, _>(rows)?.into_raw_vec_and_offset().0),
        2 => Ok(from.read_slice_2d::<T, _>((rows, ..))?.into_raw_vec_and_offset().0),
        _ => Err("has more than two axes".into()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn values_are_hashed_as_the_definition_says() {
        // SHA-256 of "abc": FIPS 180-4's published example. Here the bytes come as three numbers of one byte each.
        let mut digest = ValuesDigest::default();
        digest.numbers(b"a");
        digest.numbers(b"bc");
        assert_eq!(digest.finish(), "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
        let (mut text, mut bytes) = (ValuesDigest::default(), ValuesDigest::default());
        text.text("µN");
        bytes.numbers(&[3_i64]);
        bytes.numbers("µN".as_bytes());
        assert_eq!(text.finish(), bytes.finish());
    }

    #[test]
    fn the_order_of_entry_does_not_matter_and_the_left_out_is_left_out() {
        let digest = |paths: &[&str]| {
            let mut contents = Contents::default();
            paths.iter().for_each(|path| contents.group(path));
            contents.attribute("/", ATTRIBUTE, TEXT, &[], ValuesDigest::default());
            contents.attribute("/a/time_s", "NAME", TEXT, &[], ValuesDigest::default());
            contents.digest()
        };
        assert_eq!(digest(&["/", "/a", "/b"]), digest(&["/b", "/", "/a"]));
        assert_ne!(digest(&["/", "/a", "/b"]), digest(&["/", "/a"]));
    }
}
