//! Apache Parquet: one file, or a dataset partitioned by site and date.
//!
//! Comes in: [`Document`]s. Goes out: files as bytes, a row a trial (or observation): whose, by whom, which visit, when, then the
//! table's columns under their names. Forces N, times s, as in the recording. Unknown f64 is null; whole numbers and text
//! stand as in the recording (−1, ""). Units and descriptions of the columns are in the file's key-value metadata,
//! `finger-force columns`, as JSON.
//!
//! A dataset has its partitions in its folders' names, `site=CODE/date=YYYY-MM-DD` (UTC), as DuckDB, polars and others
//! read them; a file a visit, so that later visits are added beside earlier ones.

use super::{Document, Table};
use crate::recording::layout::{Column, Values};
use parquet::basic::{Compression, LogicalType, Repetition, Type as Physical};
use parquet::column::writer::ColumnWriter;
use parquet::data_type::ByteArray;
use parquet::errors::{ParquetError, Result};
use parquet::file::metadata::KeyValue;
use parquet::file::properties::WriterProperties;
use parquet::file::writer::SerializedFileWriter;
use parquet::schema::types::Type;
use sha2::{Digest, Sha256};
use std::path::PathBuf;
use std::sync::Arc;

/// Key of the columns' units and descriptions.
pub const COLUMNS: &str = "finger-force columns";

/// One table of all documents as one file.
///
/// # Errors
/// The file cannot be put together.
pub fn file(documents: &[Document], table: Table) -> Result<Vec<u8>> {
    write(&joined(documents.iter().map(|document| columns(document, table)).collect()))
}

/// One table of all documents as a dataset: each file with its path in the dataset's folder.
///
/// # Errors
/// A file cannot be put together.
pub fn dataset(documents: &[Document], site: &str, table: Table) -> Result<Vec<(PathBuf, Vec<u8>)>> {
    let file = |document: &Document| {
        let root = &document.root;
        let date = root.started_utc.get(..10).unwrap_or("unknown");
        // No code and no time in a file's name, and another visit never has the same.
        let mut name = format!("{}\0{}\0{}", root.participant, root.started_utc, root.revision);
        if document.within_minute > 0 {
            name += &format!("\0{}", document.within_minute);
        }
        let name: String = Sha256::digest(name).iter().take(6).map(|byte| format!("{byte:02x}")).collect();
        let path = format!("site={site}/date={date}/visit-{name}.parquet");
        Ok((PathBuf::from(path), write(&columns(document, table))?))
    };
    documents.iter().map(file).collect()
}

/// A table with whose it is before it.
fn columns(document: &Document, table: Table) -> Vec<Column> {
    let (root, columns) = (&document.root, table.columns(document));
    let rows = columns.first().map_or(0, Column::len);
    let text = |name, long_name, value: &str| Column {
        name,
        units: "",
        long_name,
        values: Values::Text(vec![value.to_owned(); rows]),
    };
    let mut all = vec![
        text("participant", "participant's code", &root.participant),
        text("examiner", "examiner's code", &root.examiner),
        text("visit_id", "UUID of the visit", &root.visit_id),
        Column {
            name: "revision",
            units: "",
            long_name: "which recording of the visit this is, from 1",
            values: Values::I64(vec![root.revision; rows]),
        },
        text("started_utc", "when the visit began (RFC 3339)", &root.started_utc),
    ];
    all.extend(columns);
    all
}

/// Tables of the same columns, one below the other.
fn joined(tables: Vec<Vec<Column>>) -> Vec<Column> {
    let mut tables = tables.into_iter();
    let mut all = tables.next().unwrap_or_default();
    for table in tables {
        for (column, more) in all.iter_mut().zip(table) {
            match (&mut column.values, more.values) {
                (Values::F64(values), Values::F64(more)) => values.extend(more),
                (Values::I64(values), Values::I64(more)) => values.extend(more),
                (Values::U8(values), Values::U8(more)) => values.extend(more),
                (Values::Text(values), Values::Text(more)) => values.extend(more),
                // The columns come from the same row type.
                _ => {}
            }
        }
    }
    all
}

fn field(column: &Column) -> Result<Arc<Type>> {
    let (physical, logical, repetition) = match column.values {
        Values::F64(_) => (Physical::DOUBLE, None, Repetition::OPTIONAL),
        Values::I64(_) => (Physical::INT64, None, Repetition::REQUIRED),
        Values::U8(_) => (Physical::INT32, None, Repetition::REQUIRED),
        Values::Text(_) => (Physical::BYTE_ARRAY, Some(LogicalType::String), Repetition::REQUIRED),
    };
    let field = Type::primitive_type_builder(column.name, physical).with_logical_type(logical);
    Ok(Arc::new(field.with_repetition(repetition).build()?))
}

fn write(columns: &[Column]) -> Result<Vec<u8>> {
    let fields = columns.iter().map(field).collect::<Result<Vec<_>>>()?;
    let schema = Arc::new(Type::group_type_builder("row").with_fields(fields).build()?);
    let described: serde_json::Map<String, serde_json::Value> = columns
        .iter()
        .map(|of| (of.name.to_owned(), serde_json::json!({ "units": of.units, "long_name": of.long_name })))
        .collect();
    let described = KeyValue::new(COLUMNS.to_owned(), serde_json::Value::Object(described).to_string());
    let properties = WriterProperties::builder()
        .set_compression(Compression::SNAPPY)
        .set_created_by(concat!("finger-force ", env!("CARGO_PKG_VERSION")).to_owned())
        .set_key_value_metadata(Some(vec![described]));
    let mut writer = SerializedFileWriter::new(Vec::new(), schema, Arc::new(properties.build()))?;
    let mut rows = writer.next_row_group()?;
    for column in columns {
        let missing = || ParquetError::General(format!("no place for column {}", column.name));
        let mut place = rows.next_column()?.ok_or_else(missing)?;
        write_values(place.untyped(), &column.values)?;
        place.close()?;
    }
    rows.close()?;
    writer.into_inner()
}

fn write_values(writer: &mut ColumnWriter, values: &Values) -> Result<()> {
    let written = match (writer, values) {
        (ColumnWriter::DoubleColumnWriter(writer), Values::F64(values)) => {
            let known: Vec<f64> = values.iter().copied().filter(|value| !value.is_nan()).collect();
            let levels: Vec<i16> = values.iter().map(|value| i16::from(!value.is_nan())).collect();
            writer.write_batch(&known, Some(&levels), None)
        }
        (ColumnWriter::Int64ColumnWriter(writer), Values::I64(values)) => {
            writer.write_batch(values, None, None)
        }
        (ColumnWriter::Int32ColumnWriter(writer), Values::U8(values)) => {
            writer.write_batch(&values.iter().map(|value| i32::from(*value)).collect::<Vec<_>>(), None, None)
        }
        (ColumnWriter::ByteArrayColumnWriter(writer), Values::Text(values)) => {
            let values: Vec<ByteArray> = values.iter().map(|text| text.as_str().into()).collect();
            writer.write_batch(&values, None, None)
        }
        _ => Err(ParquetError::General("a column of another type".to_owned())),
    };
    written.map(|_| ())
}
