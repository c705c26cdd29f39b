//! Damage that libhdf5 itself finds nothing wrong with: what should be there is missing, has another type, rank or size,
//! claims to be absurdly large, or goes in a circle.

use super::Numbers;
use hdf5::types::VarLenUnicode;
use hdf5::{File, Group, H5Type};

/// Larger than any disk.
const ABSURD: [u64; 4] = [1 << 31, 1 << 40, 1 << 62, i64::MAX as u64];

/// Every group and dataset, by path; groups end in `/`.
fn paths(group: &Group, at: &str, into: &mut Vec<String>) {
    for name in group.member_names().unwrap() {
        let path = format!("{at}{name}");
        match group.group(&name) {
            Ok(inner) => {
                into.push(format!("{path}/"));
                paths(&inner, &format!("{path}/"), into);
            }
            Err(_) => into.push(path),
        }
    }
}

/// Does one thing to the file, and says what.
pub fn damage(file: &File, numbers: &mut Numbers) -> hdf5::Result<String> {
    let mut all = Vec::new();
    paths(file, "", &mut all);
    let path = all[numbers.below(all.len())].clone();
    match numbers.below(8) {
        0 => file.unlink(path.trim_end_matches('/')).map(|()| format!("{path} is missing")),
        1 | 2 => replaced(file, &path, numbers),
        3 => absurd(file, &path, numbers),
        4 => attribute(file, &path, numbers),
        5 => circle(file, &path, numbers),
        6 => values(file, &path, numbers),
        _ => root_attribute(file, numbers),
    }
}

fn dataset<T: H5Type>(file: &File, path: &str, shape: &[usize]) -> hdf5::Result<()> {
    file.new_dataset::<T>().shape(shape).create(path).map(drop)
}

/// Something else stands in its place.
fn replaced(file: &File, path: &str, numbers: &mut Numbers) -> hdf5::Result<String> {
    let name = path.trim_end_matches('/');
    let length = file.dataset(name).map_or(3, |dataset| dataset.size());
    file.unlink(name)?;
    let shapes: [&[usize]; 7] =
        [&[], &[0], &[length], &[length + 1], &[length.saturating_sub(1)], &[length, 1], &[1, length, 2]];
    let shape = shapes[numbers.below(shapes.len())];
    let kind = numbers.below(8);
    match kind {
        0 => dataset::<i8>(file, name, shape)?,
        1 => dataset::<u64>(file, name, shape)?,
        2 => dataset::<f32>(file, name, shape)?,
        3 => dataset::<f64>(file, name, shape)?,
        4 => dataset::<bool>(file, name, shape)?,
        5 => dataset::<VarLenUnicode>(file, name, shape)?,
        6 => dataset::<i64>(file, name, shape)?,
        _ => file.create_group(name).map(drop)?,
    }
    Ok(format!("{path} is of type {kind} and shape {shape:?} instead"))
}

/// A dataset that claims to be larger than any disk, of which nothing was ever written.
fn absurd(file: &File, path: &str, numbers: &mut Numbers) -> hdf5::Result<String> {
    let name = path.trim_end_matches('/');
    file.unlink(name)?;
    let length = ABSURD[numbers.below(ABSURD.len())] as usize;
    let chunk = [1, 1024, 1 << 20][numbers.below(3)];
    let wide = numbers.below(2) == 0;
    let builder = file.new_dataset::<f64>();
    if wide {
        builder.chunk((chunk, 1)).shape((length / 8, 2)).create(name)?;
    } else {
        builder.chunk(chunk).shape(length / 8).create(name)?;
    }
    Ok(format!("{path} claims {length} bytes"))
}

/// An attribute is missing or something else.
fn attribute(file: &File, path: &str, numbers: &mut Numbers) -> hdf5::Result<String> {
    let name = path.trim_end_matches('/');
    let (group, dataset) = (file.group(name), file.dataset(name));
    let location = match (&group, &dataset) {
        (Ok(group), _) => &**group,
        (_, Ok(dataset)) => &***dataset,
        _ => return Err(hdf5::Error::from("neither group nor dataset")),
    };
    let names = location.attr_names()?;
    if names.is_empty() {
        location.new_attr::<f64>().create("more")?;
        return Ok(format!("{path} has an attribute more"));
    }
    let attribute = &names[numbers.below(names.len())];
    location.delete_attr(attribute)?;
    match numbers.below(4) {
        0 => {}
        1 => location.new_attr::<i64>().create(attribute.as_str())?.write_scalar(&i64::MIN)?,
        2 => location.new_attr::<f64>().shape([3]).create(attribute.as_str())?.write(&[
            f64::NAN,
            1e300,
            -1.0,
        ])?,
        _ => {
            let text: VarLenUnicode = "\u{1b}[2J\u{7}\n".parse().unwrap_or_default();
            location.new_attr::<VarLenUnicode>().create(attribute.as_str())?.write_scalar(&text)?;
        }
    }
    Ok(format!("attribute {attribute} of {path} is missing or another"))
}

/// The root says something else of the whole file.
fn root_attribute(file: &File, numbers: &mut Numbers) -> hdf5::Result<String> {
    let names = file.attr_names()?;
    let name = &names[numbers.below(names.len())];
    file.delete_attr(name)?;
    if numbers.below(2) == 0 {
        let number = [0, -1, 2, i64::MAX][numbers.below(4)];
        file.new_attr::<i64>().create(name.as_str())?.write_scalar(&number)?;
    }
    Ok(format!("attribute {name} of the root is missing or another"))
}

/// A link to a group above, to itself, to nowhere, or out of the file.
fn circle(file: &File, path: &str, numbers: &mut Numbers) -> hdf5::Result<String> {
    let name = path.trim_end_matches('/');
    let kind = numbers.below(5);
    match kind {
        0 => {
            file.unlink(name)?;
            file.link_soft(&format!("/{name}"), name)?;
        }
        1 => {
            file.unlink(name)?;
            file.link_hard("/", name)?;
        }
        2 => file.link_hard("/", &format!("{}/again", name.split('/').next().unwrap_or_default()))?,
        3 => {
            file.unlink(name)?;
            file.link_soft("/nowhere", name)?;
        }
        _ => {
            file.unlink(name)?;
            file.link_external("/dev/zero", "/", name)?;
        }
    }
    Ok(format!("{path} goes in a circle or away ({kind})"))
}

/// Values of the right type and shape that make no sense.
fn values(file: &File, path: &str, numbers: &mut Numbers) -> hdf5::Result<String> {
    let dataset = file.dataset(path.trim_end_matches('/'))?;
    let length = dataset.size();
    let f = [f64::NAN, f64::INFINITY, -1e308, 1e308, 0.0][numbers.below(5)];
    let i = [i64::MIN, i64::MAX, -1, 0, 1 << 40][numbers.below(5)];
    let shape = dataset.shape();
    let kind = dataset.dtype()?;
    if kind.is::<f64>() {
        dataset.write(&ndarray::ArrayD::from_elem(shape, f))?;
    } else if kind.is::<f32>() {
        dataset.write(&ndarray::ArrayD::from_elem(shape, f as f32))?;
    } else if kind.is::<i64>() {
        dataset.write(&ndarray::ArrayD::from_elem(shape, i))?;
    } else if kind.is::<i32>() {
        dataset.write(&ndarray::ArrayD::from_elem(shape, i as i32))?;
    } else if kind.is::<u8>() {
        dataset.write(&ndarray::ArrayD::from_elem(shape, 255_u8))?;
    } else {
        let text: VarLenUnicode = "\u{1b}]0;title\u{7}".parse().unwrap_or_default();
        dataset.write(&ndarray::ArrayD::from_elem(shape, text))?;
    }
    Ok(format!("{path}: {length} values are {f} or {i}"))
}
