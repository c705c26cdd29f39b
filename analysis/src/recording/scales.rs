//! Dimension scales: what gives the axes of a dataset their names, so that h5py, xarray and netCDF find them.
//!
//! Comes in: datasets, and which of them are the scales of which axes. Goes out: the attributes of the HDF5 Dimension
//! Scale Specification 1.0: `CLASS` and `NAME` on a scale, `DIMENSION_LIST` on what it is attached to, and
//! `REFERENCE_LIST` back. The C functions for it are in a part of libhdf5 that is not bound, so the attributes are
//! written here. The only module with `unsafe`.
#![allow(unsafe_code)]

use hdf5::types::{FixedAscii, VarLenArray};
use hdf5::{Dataset, Datatype, File, ObjectReference1, Result};
use hdf5_sys::h5t::{H5Tcopy, H5Tset_size};
use std::collections::BTreeMap;

/// The attributes that make scales. They hold references, which say nothing about the contents.
pub const ATTRIBUTES: [&str; 4] = ["CLASS", "NAME", "DIMENSION_LIST", "REFERENCE_LIST"];

const NAME_MAX_BYTES: usize = 64;

/// One element of `REFERENCE_LIST`: a dataset, and which of its axes the scale belongs to.
#[derive(Clone, Copy, hdf5::H5Type)]
#[repr(C)]
struct Use {
    dataset: ObjectReference1,
    dimension: i32,
}

/// The scales of a file, and which axes they are attached to.
#[derive(Debug, Default)]
pub struct Scales {
    uses: BTreeMap<String, Vec<(String, i32)>>,
}

impl Scales {
    /// Makes a dataset a scale, named as the dataset is.
    pub fn add(&mut self, dataset: &Dataset) -> Result<()> {
        let path = dataset.name();
        write_terminated(dataset, "CLASS", "DIMENSION_SCALE")?;
        write_terminated(dataset, "NAME", path.rsplit('/').next().unwrap_or_default())?;
        self.uses.entry(path).or_default();
        Ok(())
    }

    /// Attaches one scale to each axis of a dataset, in order.
    pub fn attach(&mut self, dataset: &Dataset, scales: &[&Dataset]) -> Result<()> {
        let file = dataset.file()?;
        let mut list: Vec<VarLenArray<ObjectReference1>> = Vec::with_capacity(scales.len());
        for (axis, scale) in scales.iter().enumerate() {
            let path = scale.name();
            list.push(VarLenArray::from_slice(&[file.reference::<ObjectReference1>(&path)?]));
            let axis = i32::try_from(axis).map_err(|_| hdf5::Error::from("too many axes"))?;
            self.uses.entry(path).or_default().push((dataset.name(), axis));
        }
        dataset.new_attr_builder().with_data(&list).create("DIMENSION_LIST")?;
        Ok(())
    }

    /// Writes on each scale where it is attached.
    pub fn finish(self, file: &File) -> Result<()> {
        for (scale, uses) in self.uses.into_iter().filter(|(_, uses)| !uses.is_empty()) {
            let mut list = Vec::with_capacity(uses.len());
            for (path, dimension) in uses {
                list.push(Use { dataset: file.reference(&path)?, dimension });
            }
            file.dataset(&scale)?.new_attr_builder().with_data(&list).create("REFERENCE_LIST")?;
        }
        Ok(())
    }
}

/// Writes a text attribute as a NUL-terminated ASCII string of just its length: libhdf5 recognises a scale by nothing
/// else.
fn write_terminated(dataset: &Dataset, name: &str, text: &str) -> Result<()> {
    let value = FixedAscii::<NAME_MAX_BYTES>::from_ascii(text.as_bytes())
        .map_err(|_| hdf5::Error::from(format!("`{text}` cannot name a scale")))?;
    let attribute = dataset.new_attr_builder().empty_as(terminated(text.len() + 1)?).create(name)?;
    attribute.write_scalar(&value)
}

/// The datatype of a NUL-terminated ASCII string of `bytes` bytes, its NUL included.
fn terminated(bytes: usize) -> Result<Datatype> {
    hdf5::sync::sync(|| {
        // SAFETY: libhdf5 is initialised and its lock held by `sync` throughout. `H5T_C_S1` is its predefined C string
        // type (NUL-terminated, ASCII), valid as long as the library is. `H5Tcopy` gives a new identifier that nothing
        // else owns, checked before it is used; `from_id` takes its one reference over and gives it back when dropped,
        // so it is neither leaked nor closed twice.
        let datatype: Datatype = unsafe {
            let id = hdf5::h5check(H5Tcopy(*hdf5::globals::H5T_C_S1))?;
            hdf5::from_id(id)?
        };
        // SAFETY: the lock is still held; `datatype` is alive, owned here and not predefined, so its size may be set.
        unsafe { hdf5::h5check(H5Tset_size(datatype.id(), bytes))? };
        Ok(datatype)
    })
}
