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
use std::path::PathBuf;

/// What a document is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
pub struct Head {
    /// What it is.
    pub kind: &'static str,
    /// Version of what stands in it.
    pub version: u32,
}

impl Head {
    const fn of(kind: &'static str) -> Head {
        Head { kind, version: 1 }
    }
}

/// Of `fingerforce summary`.
pub const SUMMARY: Head = Head::of("finger-force summary");
/// Of `fingerforce holds`.
pub const HOLDS: Head = Head::of("finger-force holds");
/// Of `fingerforce info`.
pub const INFO: Head = Head::of("finger-force recording");
/// Of `fingerforce info --verify FOLDER`.
pub const VERIFIED: Head = Head::of("finger-force verification");
/// Of `fingerforce info --number`.
pub const NUMBER: Head = Head::of("finger-force number");
/// Of `fingerforce compare`.
pub const COMPARISON: Head = Head::of("finger-force comparison");
/// Of `fingerforce study`.
pub const LISTING: Head = Head::of("finger-force study listing");
/// Of `fingerforce sensor`.
pub const SENSOR: Head = Head::of("finger-force sensor");
/// Of `fingerforce sensor --checks`.
pub const CHECKS: Head = Head::of("finger-force sensor checks");
/// The files that `fingerforce plot`, `report` and `export` wrote.
pub const FILES: Head = Head::of("finger-force files");
/// Of `fingerforced plans`.
pub const PLANS: Head = Head::of("finger-force plans");
/// Of `fingerforce export --to json`.
pub const EXPORT: Head = Head::of("finger-force export");
/// Of `fingerforced record` and `recover`.
pub const VISITS: Head = Head::of("finger-force visits");
/// Of `fingerforced ports`.
pub const PORTS: Head = Head::of("finger-force ports");
/// Of `fingerforced ports --probe`.
pub const IDENTITY: Head = Head::of("finger-force sensor identity");
/// Of `fingerforced ports --propose`.
pub const PROFILE: Head = Head::of("finger-force line profile");
/// Of `fingerforced calibrate --check`.
pub const CHECK: Head = Head::of("finger-force sensor check");
/// Of `fingerforced calibrate --attitude`.
pub const ATTITUDE: Head = Head::of("finger-force attitude");
/// Of `fingerforced calibrate --creep-test`.
pub const CREEP: Head = Head::of("finger-force creep");
/// Of `fingerforced calibrate --step-test`.
pub const STEP: Head = Head::of("finger-force step response");
/// Of `fingerforced practice`.
pub const PRACTICE: Head = Head::of("finger-force practice");
/// Of `fingerforced simulate`.
pub const SIMULATION: Head = Head::of("finger-force simulation");
/// Of `fingerforced check`.
pub const READINESS: Head = Head::of("finger-force readiness");
/// Of `fingerforced tidy`.
pub const TIDIED: Head = Head::of("finger-force tidying");
/// Of `fingerforced correct`.
pub const CORRECTED: Head = Head::of("finger-force correction");
/// Of `fingerforced erase`.
pub const ERASURE: Head = Head::of("finger-force erasure");

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
    Ok(harmless(&serde_json::to_string_pretty(&Document { head, of })?) + "\n")
}

/// The document that lists the files a command wrote, in their order.
///
/// # Errors
/// A value cannot be written as JSON.
pub fn files(written: &[PathBuf]) -> serde_json::Result<String> {
    let files: Vec<String> = written.iter().map(|file| file.display().to_string()).collect();
    json(FILES, &serde_json::json!({ "files": files }))
}

/// The same on one line.
///
/// # Errors
/// A value cannot be written as JSON.
pub fn json_line<T: Serialize>(head: Head, of: &T) -> serde_json::Result<String> {
    Ok(harmless(&serde_json::to_string(&Document { head, of })?) + "\n")
}

/// JSON lets some control characters stand as they are, which steer a terminal, too. They can only be in its texts, where
/// they may as well be written by their numbers.
pub fn harmless(json: &str) -> String {
    let mut text = String::with_capacity(json.len());
    for c in json.chars() {
        match c {
            '\u{7f}'..='\u{9f}' => text += &format!("\\u{:04x}", u32::from(c)),
            c => text.push(c),
        }
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_control_character_stands_in_a_document_and_none_is_lost() {
        let texts = "\u{1b}[2J\u{7f}\u{9b}31m µ";
        for told in [
            json(SUMMARY, &serde_json::json!({ "a": texts })),
            json_line(SUMMARY, &serde_json::json!({ "a": texts })),
        ] {
            let told = told.unwrap();
            assert!(!told.chars().any(|c| c.is_control() && c != '\n'), "{told:?}");
            assert_eq!(serde_json::from_str::<serde_json::Value>(&told).unwrap()["a"], texts);
        }
    }
}
