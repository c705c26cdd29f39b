//! Builds the objects of a recording: groups, attributes, datasets, tables.
//!
//! Comes in: names, units, values. Goes out: HDF5 objects, each entered into the digest and its axes tied to scales as
//! it is made, so that nothing can be written and forgotten there.

use super::digest::{Contents, Number, TEXT, ValuesDigest, stored};
use super::layout::{CHUNK_SAMPLES, Column, Row, Values};
use super::scales::Scales;
use hdf5::types::{TypeDescriptor, VarLenUnicode};
use hdf5::{Dataset, DatasetBuilder, Error, Extent, File, Group, H5Type, Location, Result, SimpleExtents};
use std::str::FromStr;

/// A file that is being made.
pub struct Build {
    file: File,
    contents: Contents,
    scales: Scales,
}

impl Build {
    /// Starts with an empty file.
    pub fn new(file: File) -> Build {
        let mut contents = Contents::default();
        contents.group("/");
        Build { file, contents, scales: Scales::default() }
    }

    /// The file's root.
    pub fn root(&self) -> Group {
        Group::clone(&self.file)
    }

    /// Makes a group.
    pub fn group(&mut self, path: &str) -> Result<Group> {
        let group = self.file.create_group(path)?;
        self.contents.group(path);
        Ok(group)
    }

    /// Gives a group or dataset a text attribute.
    pub fn text(&mut self, on: &Location, name: &str, text: &str) -> Result<()> {
        on.new_attr::<VarLenUnicode>().create(name)?.write_scalar(&unicode(text)?)?;
        let mut digest = ValuesDigest::default();
        digest.text(text);
        self.contents.attribute(&on.name(), name, TEXT, &[], digest);
        Ok(())
    }

    /// Gives a group or dataset an attribute that is a number.
    pub fn number<T: Number>(&mut self, on: &Location, name: &str, value: T) -> Result<()> {
        let value = value.canonical();
        on.new_attr::<T>().create(name)?.write_scalar(&value)?;
        let mut digest = ValuesDigest::default();
        digest.numbers(&[value]);
        self.contents.attribute(&on.name(), name, T::TYPE, &[], digest);
        Ok(())
    }

    /// Makes a dataset that is a single text.
    pub fn single_text(&mut self, group: &Group, name: &str, long_name: &str, text: &str) -> Result<()> {
        let dataset =
            group.new_dataset_builder().obj_track_times(false).empty::<VarLenUnicode>().create(name)?;
        dataset.write_scalar(&unicode(text)?)?;
        self.describe(&dataset, "", long_name)?;
        let mut digest = ValuesDigest::default();
        digest.text(text);
        self.contents.dataset(&dataset.name(), TEXT, &[], digest);
        Ok(())
    }

    /// Makes a dataset whose values are yet to come; they are entered with [`Build::enter`].
    pub fn dataset<T: H5Type>(
        &mut self,
        group: &Group,
        name: &str,
        (units, long_name): (&str, &str),
        shape: &[usize],
    ) -> Result<Dataset> {
        let dataset = filtered::<T>(group.new_dataset_builder(), shape)
            .empty::<T>()
            .shape(SimpleExtents::new(shape.iter().map(|length| extent(*length))))
            .create(name)?;
        self.describe(&dataset, units, long_name)?;
        Ok(dataset)
    }

    /// Enters the values of a dataset into the digest.
    pub fn enter(&mut self, dataset: &Dataset, kind: &str, values: ValuesDigest) -> Result<()> {
        self.contents.dataset(&dataset.name(), kind, &dataset.get_shape()?, values);
        Ok(())
    }

    /// Makes a dataset of one axis, with its values.
    pub fn column(
        &mut self,
        group: &Group,
        name: &str,
        about: (&str, &str),
        values: &Values,
    ) -> Result<Dataset> {
        match values {
            Values::F64(values) => self.numbers(group, name, about, values),
            Values::I64(values) => self.numbers(group, name, about, values),
            Values::U8(values) => self.numbers(group, name, about, values),
            Values::Text(values) => self.texts(group, name, about, values),
        }
    }

    fn numbers<T: Number>(
        &mut self,
        group: &Group,
        name: &str,
        about: (&str, &str),
        values: &[T],
    ) -> Result<Dataset> {
        let dataset = self.dataset::<T>(group, name, about, &[values.len()])?;
        let values: Vec<T> = values.iter().map(|value| value.canonical()).collect();
        dataset.write_raw(&values)?;
        let mut digest = ValuesDigest::default();
        digest.numbers(&values);
        self.enter(&dataset, T::TYPE, digest)?;
        Ok(dataset)
    }

    fn texts(
        &mut self,
        group: &Group,
        name: &str,
        (_, long_name): (&str, &str),
        values: &[String],
    ) -> Result<Dataset> {
        let dataset = self.dataset::<VarLenUnicode>(group, name, ("", long_name), &[values.len()])?;
        let stored = values.iter().map(|text| unicode(text)).collect::<Result<Vec<_>>>()?;
        dataset.write_raw(&stored)?;
        let mut digest = ValuesDigest::default();
        values.iter().for_each(|text| digest.text(text));
        self.enter(&dataset, TEXT, digest)?;
        Ok(dataset)
    }

    /// Makes a table: a group of columns with a row-number scale.
    pub fn table<R: Row>(&mut self, path: &str, rows: &[R]) -> Result<()> {
        let group = self.group(path)?;
        let numbers = Values::I64((0..rows.len() as i64).collect());
        let row = self.column(&group, "row", ("1", "row number, from 0"), &numbers)?;
        self.scale(&row)?;
        for Column { name, units, long_name, values } in R::columns(rows) {
            let units = if units.is_empty() { "1" } else { units };
            let column = self.column(&group, name, (units, long_name), &values)?;
            self.attach(&column, &[&row])?;
        }
        Ok(())
    }

    /// Makes a dataset a scale.
    pub fn scale(&mut self, dataset: &Dataset) -> Result<()> {
        self.scales.add(dataset)
    }

    /// Ties the axes of a dataset to scales.
    pub fn attach(&mut self, dataset: &Dataset, scales: &[&Dataset]) -> Result<()> {
        self.scales.attach(dataset, scales)
    }

    fn describe(&mut self, dataset: &Dataset, units: &str, long_name: &str) -> Result<()> {
        self.text(dataset, "units", units)?;
        self.text(dataset, "long_name", long_name)
    }

    /// Ends the file: scales, digest, and everything handed to the system. Gives the digest.
    pub fn finish(self) -> Result<String> {
        self.scales.finish(&self.file)?;
        let digest = self.contents.digest();
        let attribute = self.file.new_attr::<VarLenUnicode>().create(super::digest::ATTRIBUTE)?;
        attribute.write_scalar(&unicode(&digest)?)?;
        drop(attribute);
        self.file.flush()?;
        self.file.close()?;
        Ok(digest)
    }
}

/// Chunks of whole rows, compressed and with checksums. No times: equal contents then make equal files. Text of any
/// length has no checksum, because libhdf5 refuses one there: the digest of the contents covers it.
fn filtered<T: H5Type>(builder: DatasetBuilder, shape: &[usize]) -> DatasetBuilder {
    let mut chunk = shape.to_vec();
    if let Some(rows) = chunk.first_mut() {
        *rows = (*rows).min(CHUNK_SAMPLES);
    }
    chunk.iter_mut().for_each(|length| *length = (*length).max(1));
    let builder = builder.chunk(chunk).shuffle().deflate(1).obj_track_times(false);
    if T::type_descriptor() == TypeDescriptor::VarLenUnicode { builder } else { builder.fletcher32() }
}

/// HDF5 has no chunk without elements, so an empty axis must be one that could grow.
fn extent(length: usize) -> Extent {
    if length == 0 { Extent::resizable(0) } else { Extent::fixed(length) }
}

fn unicode(text: &str) -> Result<VarLenUnicode> {
    VarLenUnicode::from_str(&stored(text)).map_err(|_| Error::from(format!("no text: {text:?}")))
}
