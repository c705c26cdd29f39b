//! The JSON documents that commands print, each with its kind and version first.
//!
//! Comes in: a value. Goes out: its JSON text. What stands in each document, with units, is in `JSON.md`; a version goes up
//! when something that was there means something else or is gone, not when something is added.
//!
//! ```
//! use analysis::documents::{SUMMARY, json};
//! let text = json(SUMMARY, &serde_json::json!({ "items": [] }))?;
//! let read: serde_json::Value = serde_json::from_str(&text)?;
//! assert_eq!((&read["kind"], &read["version"]), (&"finger-force summary".into(), &1.into()));
//! # Ok::<(), serde_json::Error>(())
//! ```
use serde::Serialize;

/// What a document is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Head {
    /// What it is.
    pub kind: &'static str,
    /// Version of what stands in it.
    pub version: u32,
}

/// Of `summary`.
pub const SUMMARY: Head = Head { kind: "finger-force summary", version: 1 };
/// Of `holds`.
pub const HOLDS: Head = Head { kind: "finger-force holds", version: 1 };
/// Of `info`.
pub const INFO: Head = Head { kind: "finger-force recording", version: 1 };
/// Of `info --number`.
pub const NUMBER: Head = Head { kind: "finger-force number", version: 1 };
/// Of `compare`.
pub const COMPARISON: Head = Head { kind: "finger-force comparison", version: 1 };
/// Of `study`.
pub const LISTING: Head = Head { kind: "finger-force study listing", version: 1 };
/// Of `sensor`.
pub const SENSOR: Head = Head { kind: "finger-force sensor", version: 1 };
/// Of `sensor --checks`.
pub const CHECKS: Head = Head { kind: "finger-force sensor checks", version: 1 };
/// Of `export --to json`.
pub const EXPORT: Head = Head { kind: "finger-force export", version: 1 };

#[derive(Serialize)]
struct Document<'a, T> {
    #[serde(flatten)]
    head: Head,
    #[serde(flatten)]
    of: &'a T,
}

/// A document's text, laid out for people.
///
/// # Errors
/// A value cannot be written as JSON.
pub fn json<T: Serialize>(head: Head, of: &T) -> serde_json::Result<String> {
    Ok(serde_json::to_string_pretty(&Document { head, of })? + "\n")
}

/// The same on one line.
///
/// # Errors
/// A value cannot be written as JSON.
pub fn json_line<T: Serialize>(head: Head, of: &T) -> serde_json::Result<String> {
    Ok(serde_json::to_string(&Document { head, of })? + "\n")
}
