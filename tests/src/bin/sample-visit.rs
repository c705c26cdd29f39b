//! Makes the sample of a visit that stands in `fixtures/recordings`: `cargo run -p tests --bin sample-visit FOLDER`.
//!
//! Two makes and a break by the simulated hand, in memory and always the same: a calibrated sensor, zeros, a gap in the middle,
//! pain and grades, a correction after it. Out: the journal and both recordings.
#![allow(clippy::unwrap_used, clippy::expect_used, reason = "what cannot go on ends it")]

use analysis::corrections::{Change, Correction};
use analysis::recording::read::Recording;
use analysis::recording::revise::Revision;
use analysis::trial::Test;
use daemon::journal::Record;
use daemon::pipeline::setting::Setting;
use daemon::visit::plan::Plan;
use std::path::PathBuf;
use tests::examined::{Person, World, certificate};

const PLAN: &str = r#"title = "Sample of a recording (invented)"
procedure = "examined"

[[item]]
muscle = "left index abduction"
test = "make"
trials = 2
rest_s = 4.0
hold_s = 2.0
palm = "down"
lever_mm = 40.0
lever_uncertainty_mm = 3.0
primary = true

[[item]]
muscle = "left index abduction"
test = "break"
trials = 1
rest_s = 4.0
palm = "down"
lever_mm = 40.0
"#;

/// A record with samples that is taken out of the journal, as if the host had lost it.
const LOST: usize = 425;

fn main() {
    let folder = PathBuf::from(std::env::args_os().nth(1).expect("give the folder to write to"));
    std::fs::create_dir_all(&folder).unwrap();
    let person = Person {
        after: Some(|row| (row.test == Test::Break.word()).then(|| "g 4-".to_owned())),
        ..Person::default()
    };
    let about = ["age=61", "sex=female", "dominant=right"];
    let mut world = World::about(&Plan::parse(PLAN).unwrap(), person, &["allow left break pain 0"], &about);
    let calibration = Setting::Calibration(Box::new(certificate()));
    world.put(Record::Parameters(serde_json::to_string(&calibration).unwrap()));
    let took_s = world.run(600.0);
    world.finish();
    let mut bytes = 0;
    world.journal.retain(|stamped| {
        bytes += usize::from(matches!(stamped.record, Record::Bytes { .. }));
        bytes != LOST || !matches!(stamped.record, Record::Bytes { .. })
    });
    let first = world.seal(&folder);
    let recording = Recording::open(&first).unwrap();
    let mut revision = Revision::of(&recording).unwrap();
    let correction = Correction {
        number: 1,
        when_utc: "2026-01-01T00:30:00Z".to_owned(),
        who: "E01".to_owned(),
        why: "slipped".to_owned(),
        change: Change::Trial { trial: 1, to: None, valid: Some(false) },
    };
    revision.apply(&[correction]).unwrap();
    revision.write(&folder.join("recording-2.h5")).unwrap();
    println!("{took_s:.0} s of a visit in {}", folder.display());
}
