//! What somebody typed, wherever they did, is in no de-identified export.
#![allow(clippy::unwrap_used, clippy::expect_used, reason = "a test that cannot go on fails")]

mod sample;

use analysis::corrections::{Change, Correction};
use analysis::export::deidentify::deidentify;
use analysis::export::{self, Document, Table};
use analysis::recording::layout::ObservationRow;
use analysis::recording::read::Recording;
use analysis::recording::revise::Effect;
use proptest::prelude::*;
use std::sync::OnceLock;

/// Begins every word that is planted; in nothing else is it.
const PLANTED: &str = "zqx";
const WORD: &str = "zqx[a-z]{0,6}";

fn recorded() -> &'static Document {
    static DOCUMENT: OnceLock<Document> = OnceLock::new();
    DOCUMENT.get_or_init(|| {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("recording-1.h5");
        sample::write(&path, 1000).unwrap();
        Document::read(&Recording::open(&path).unwrap()).unwrap()
    })
}

/// The word where everybody's words go.
fn planted(word: &str, observed: Vec<(String, String, String)>) -> Document {
    let mut document = recorded().clone();
    let (word, root) = (word.to_owned(), &mut document.root);
    (root.participant, root.examiner) = (format!("{word}1"), format!("{word}2"));
    root.plan = format!(
        "title = \"{word}\"\nnote = \"\"\"\n[[item]]\nmuscle = \"{word}\"\n{word} = 3\n\"\"\"\npopulation = \"{word}\"\n{}say = \"{word}\"\n",
        root.plan
    );
    for name in ["condition", "protocol", "sex", "dominant_hand", "involved_side", "weeks_since", &word] {
        root.participant_fields.push((name.to_owned(), word.clone()));
    }
    root.participant_fields.push(("consent".to_owned(), format!("2026-03-02 version {word}")));
    document.trials.iter_mut().for_each(|row| row.why_not.clone_from(&word));
    document.observations.extend(observed.into_iter().map(|(kind, value, scale)| ObservationRow {
        item: 1,
        kind,
        value,
        scale,
        entered_utc: "2026-03-04T09:17:30Z".to_owned(),
        by: word.clone(),
    }));
    let change = Change::Calibration {
        sensor: 1,
        channel: 1,
        rated_counts: 1.0,
        rated_force_n: 1.0,
        source: word.clone(),
    };
    let correction = Correction {
        number: 1,
        when_utc: "2026-03-04T09:17:30Z".to_owned(),
        who: word.clone(),
        why: word.clone(),
        change,
    };
    document.corrections.push(Effect { correction, changed: vec![word] });
    document
}

/// Everything that any format is made of, and the formats that are texts.
fn exported(document: Document) -> Vec<String> {
    let all = [document];
    vec![
        format!("{:?}", all[0]),
        export::to_json(&all).unwrap(),
        export::csv(&all, Table::Trials).unwrap(),
        export::csv(&all, Table::Observations).unwrap(),
        export::fhir::to_fhir(&all).unwrap(),
    ]
}

/// A word, beside others, or beside what is known.
fn texts(known: &'static [&'static str]) -> impl Strategy<Value = String> {
    prop_oneof![
        3 => WORD,
        1 => "zqx[a-z]{0,6} [a-z0-9]{1,4}",
        1 => "[0-9]{1,3} zqx[a-z]{0,6}",
        3 => prop::sample::select(known).prop_map(str::to_owned),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

    #[test]
    fn no_word_that_was_typed_is_left_in_any_export(
        word in WORD,
        observed in prop::collection::vec(
            (
                texts(&["pain", "pain after", "grade", "active motion", "length", "trick movement", "text", "gate"]),
                texts(&["3", "4-", "tight", "part of the range", "taken back"]),
                texts(&["", "0-10", "MRC 0-5"]),
            ),
            1..6,
        ),
    ) {
        let mut document = planted(&word, observed);
        prop_assert!(exported(document.clone()).iter().all(|text| text.contains(PLANTED)), "nothing is planted");
        deidentify(&mut document, b"secret");
        for text in exported(document) {
            prop_assert!(!text.contains(PLANTED), "{}", text);
        }
    }
}

#[test]
fn what_nobody_typed_is_still_there() {
    let observed = [("pain", "3", "0-10"), ("grade", "4-", "MRC 0-5"), ("length", "tight", "")];
    let observed = observed.map(|(kind, value, scale)| (kind.to_owned(), value.to_owned(), scale.to_owned()));
    let mut document = planted(PLANTED, observed.to_vec());
    let before = document.observations.len();
    deidentify(&mut document, b"secret");
    assert_eq!(document.observations.len(), before, "{:?}", document.observations);
    assert_eq!(document.root.plan, recorded().root.plan);
    assert_eq!(document.trials.len(), sample::EFFORTS);
}
