//! Reads the comma-separated tables of `fixtures/wire/` (no quotes in them) and their hexadecimal bytes.

use std::path::PathBuf;

/// The folder of the shared vectors.
pub fn fixtures() -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("../fixtures/wire")
}

/// A table with its column names.
pub struct Table {
    names: Vec<String>,
    rows: Vec<Vec<String>>,
}

/// One row of a table.
pub struct Row<'a> {
    table: &'a Table,
    cells: &'a [String],
}

impl Table {
    /// Reads a file; it must have rows, all as long as its first line.
    pub fn read(file: &str) -> Self {
        let path = fixtures().join(file);
        let text = std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
        let mut lines = text.lines().map(|line| line.split(',').map(String::from).collect::<Vec<_>>());
        let names = lines.next().expect("a first line with names");
        let rows: Vec<_> = lines.collect();
        assert!(!rows.is_empty(), "{file} has no rows");
        for row in &rows {
            assert_eq!(row.len(), names.len(), "{file}: {row:?}");
        }
        Self { names, rows }
    }

    pub fn rows(&self) -> impl Iterator<Item = Row<'_>> {
        self.rows.iter().map(|cells| Row { table: self, cells })
    }
}

impl Row<'_> {
    pub fn get(&self, name: &str) -> &str {
        let column = self.table.names.iter().position(|n| n == name);
        &self.cells[column.unwrap_or_else(|| panic!("no column {name}"))]
    }

    pub fn bytes(&self, name: &str) -> Vec<u8> {
        bytes(self.get(name))
    }
}

/// Bytes from hexadecimal digits.
pub fn bytes(hex: &str) -> Vec<u8> {
    assert!(hex.len().is_multiple_of(2), "{hex}");
    (0..hex.len()).step_by(2).map(|at| u8::from_str_radix(&hex[at..at + 2], 16).expect("hex")).collect()
}

/// Hexadecimal digits of bytes.
pub fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}
