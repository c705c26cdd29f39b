//! What this program makes of recordings, told from other files by how it begins: so that an erasure takes what can be made
//! again, and leaves alone what somebody else wrote.
//!
//! Comes in: a file's text. Goes out: what it is; `None` where it was not made here.

use crate::documents;
use crate::plot;
use crate::report::html;
use crate::study::reliability;
use serde::Deserialize;

/// What was made.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Made {
    /// `reliability.json`: always of several participants.
    Reliability,
    /// Another document (JSON).
    Document,
    /// A page.
    Page,
    /// A figure (SVG).
    Figure,
}

/// Documents that are made of recordings. What is known of sensors is not among them: it belongs to nobody.
const KINDS: [&str; 7] = [
    documents::SUMMARY.kind,
    documents::HOLDS.kind,
    documents::INFO.kind,
    documents::NUMBER.kind,
    documents::COMPARISON.kind,
    documents::LISTING.kind,
    documents::EXPORT.kind,
];

/// The rest of a document is not kept: it may be large.
#[derive(Deserialize)]
struct Head {
    kind: String,
}

/// What this text is, if it was made here.
pub fn of(text: &[u8]) -> Option<Made> {
    if html::is_ours(text) {
        return Some(Made::Page);
    }
    if plot::is_ours(text) {
        return Some(Made::Figure);
    }
    let Head { kind } = serde_json::from_slice(text).ok()?;
    if kind == reliability::KIND {
        return Some(Made::Reliability);
    }
    KINDS.contains(&kind.as_str()).then_some(Made::Document)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::documents::json;
    use crate::plot::occasions::OccasionsFigure;
    use crate::report::html::Page;

    #[test]
    fn what_is_made_here_is_known_and_nothing_else() {
        let page = Page::default().finish("Finger force", "finger-force 0.1.0 report 1");
        assert_eq!(of(page.as_bytes()), Some(Made::Page));
        let figure = OccasionsFigure {
            title: "t".into(),
            subtitle: "s".into(),
            source: "s".into(),
            value: "peak".into(),
            unit: "N".into(),
            whom: "2 participants".into(),
            definition: "d".into(),
            occasions: vec!["1".into(), "2".into()],
            rows: vec![vec![1.0, 2.0], vec![2.0, 4.0]],
        };
        assert_eq!(of(plot::svg(&figure).unwrap().as_bytes()), Some(Made::Figure));
        assert_eq!(
            of(json(documents::SUMMARY, &serde_json::json!({})).unwrap().as_bytes()),
            Some(Made::Document)
        );
        let own = format!("{{\"version\":1,\"kind\":\"{}\",\"left_out\":[]}}", reliability::KIND);
        assert_eq!(of(own.as_bytes()), Some(Made::Reliability));
        let calibration = json(documents::CHECK, &serde_json::json!({})).unwrap();
        for other in [
            calibration.as_str(),
            "finger-force reliability",
            "<!DOCTYPE html><p>finger-force",
            "<svg width=\"1\" height=\"1\">",
            "{\"kind\":\"finger-force summary\"} and more",
            "",
        ] {
            assert_eq!(of(other.as_bytes()), None, "{other}");
        }
    }
}
