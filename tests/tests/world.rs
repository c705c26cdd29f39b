//! Whole visits in a simulated world: a fixed number of seeds, the seeds that once found a fault, and the same visit as a
//! file. `cargo run --release -p tests --bin visits` runs as many as you like.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test that cannot go on fails")]

use analysis::recording::read::Recording;
use daemon::journal::{Disk, SystemDisk};
use daemon::simulate::faults::Faults;
use std::path::Path;
use tests::Place;
use tests::world::recovered::{Recovered, recover};
use tests::world::run::{FOLDER, Run, run};
use tests::world::script::{Crash, Damage, Script, Second};
use tests::world::{visit, visit_of};

fn passes(script: &Script) -> tests::world::Figures {
    visit_of(script).unwrap_or_else(|broken| panic!("{broken}"))
}

#[test]
fn no_invariant_is_broken_in_any_of_these_visits() {
    let (mut recorded, mut compared, mut borderline, mut apart, mut exact) = (0, 0, 0, 0, 0);
    for seed in 0..600 {
        let figures = visit(seed).unwrap_or_else(|broken| panic!("{broken}"));
        recorded += figures.recorded;
        compared += figures.compared;
        borderline += figures.borderline;
        apart += figures.apart;
        exact += figures.exact;
    }
    assert!(recorded > 2_000_000 && compared > 150, "{recorded} samples, {compared} holds");
    assert!(100 * borderline <= compared, "{borderline} of {compared} rests are judged otherwise");
    assert!(2 * exact > compared, "{exact} of {compared} holds are the same to the last digit");
    assert!(100 * apart <= compared, "{apart} of {compared} onsets are two standard deviations apart");
}

/// Each of these broke something once; what it was.
#[test]
fn seeds_that_found_a_fault_pass() {
    for (seed, _what) in [
        (701_140, "the finder was sure of an onset to half a second, the comparison to 30 ms"),
        (36, "samples of a board that came back, before it said who it is, were not taken"),
        (1503, "a boot that was started, of which nothing came, left no gap"),
        (1957, "the same, at the end of a recording that a full disk cut off"),
        (2049, "the same, with a board that was streaming before"),
        (5649, "a port that was opened again after the lost beginning of a journal gave no samples"),
        (
            9386,
            "gaps of a sensor that said who it is only later were placed by its delay beside their samples",
        ),
        (1103, "a gap before a segment was placed inside it"),
        (1_012_280, "a port whose opening was lost from the journal gave no samples although all went well"),
        (1_024_046, "the same, where the identity was lost too"),
        (1_058_644, "another sensor that was confirmed in the journal's hole gave no samples"),
        (1_022_186, "a board unplugged before it was started for us went on with somebody else's stream"),
        (
            3_001_350,
            "somebody else's stream was recorded where the start for us may be in the journal's hole",
        ),
        (3_016_982, "the same, and ours, whose first frame was lost, was taken for a repetition of it"),
        (3_021_549, "a zero was there, what told the finder of it was in the journal's hole"),
        (1_067_784, "an onset at the edge of what was searched was called certain"),
        (1_008_730, "an onset that one rise shape fits alone was called certain to half a millisecond"),
        (1_015_887, "a rest at the limit was called unsteady with one history and not with another"),
        (4_078_545, "the same, and was said to dip"),
        (6_018_428, "the same, and was said to be short"),
        (6_050_837, "a dip at the limit was part of the pull with one history and not with another"),
        (6_085_786, "a hold that the disk refused was said to differ from the next one that was shown"),
        (
            7_002_108,
            "a board that was started again in a hole and unplugged there: its samples before its identity",
        ),
        (20_050_691, "the same, started once more before it could answer"),
        (10_047_151, "a boot that was in the journal's lost beginning, all of it, left no gap"),
        (12_069_468, "a hold was missed in samples without force: who their sensor is was said only later"),
        (12_030_243, "the same"),
        (7_091_324, "an onset said to be certain to 15 ms, 45 ms apart with another history"),
        (8_025_370, "the same, 163 ms, where all else agrees"),
        (9_400_068, "the same, 92 ms, after a step of the board's clock"),
        (4_086_617, "a pull that creeps out of a touch begins 47 ms later by a level 3 mN lower"),
        (4_095_034, "the same, and its rest was at the limit"),
    ] {
        visit(seed).unwrap_or_else(|broken| panic!("{broken}"));
    }
}

#[test]
fn a_seed_gives_the_same_visit_always() {
    for seed in [5, 17, 36, 1363] {
        let script = Script::draw(seed);
        assert_eq!(script, Script::draw(seed));
        let (one, other) = (run(&script).unwrap(), run(&script).unwrap());
        assert_eq!(one.appended, other.appended);
        assert_eq!((one.calls, one.finished, one.crashed), (other.calls, other.finished, other.crashed));
    }
}

#[test]
fn a_visit_without_faults_loses_nothing_and_finds_every_effort() {
    for seed in 0..20 {
        let script = Script::calm(seed);
        let figures = passes(&script);
        assert_eq!((figures.recorded, figures.gaps, figures.segments), (figures.produced, 0, 1), "{script}");
        assert!(figures.trials >= script.hand.efforts.len() as u64, "{script}");
        assert!(figures.compared >= script.hand.efforts.len() as u64 - 1, "{script}");
    }
}

fn segments(script: &Script) -> (Run, Recovered, Vec<String>) {
    let run = run(script).unwrap();
    let recovered = recover(&run).unwrap().unwrap();
    let reasons = recovered.survey.sensors[0].segments.iter().map(|segment| segment.reason.clone()).collect();
    (run, recovered, reasons)
}

/// The host's monotonic clock stands still while it sleeps, the sensor's does not: one straight line through both sides
/// would put every sample of one side seconds away from where it was.
#[test]
fn a_host_that_sleeps_gives_a_segment_before_and_one_after_each_at_its_own_time() {
    let script = Script {
        host: tests::world::script::HostFaults { sleeps: Some((4.0, 3.0)), ..Script::calm(8).host },
        ..Script::calm(8)
    };
    passes(&script);
    let (_, recovered, reasons) = segments(&script);
    assert_eq!(reasons, ["start", "host slept"]);
    let base_s = recovered.survey.anchor.as_ref().unwrap().monotonic_ns as f64 * 1e-9;
    let slept = recovered.blocks.iter().position(|(block, _)| block.placed.segment == 1).unwrap();
    for (number, (block, time_s)) in recovered.blocks.iter().enumerate() {
        let late_s = block.arrival_ns as f64 * 1e-9 - base_s - time_s.last().unwrap();
        // What was sampled while it slept waited for it to wake up.
        let waited = (slept.saturating_sub(2)..slept + 200).contains(&number);
        assert!((-0.001..0.2).contains(&late_s) || waited, "block {number} came {late_s} s late");
    }
}

#[test]
fn a_board_whose_sequence_wraps_loses_nothing_by_it() {
    for seed in 0..10 {
        let mut script = Script::calm(seed);
        script.past.wraps_after = Some(20);
        let figures = passes(&script);
        assert_eq!((figures.recorded, figures.gaps, figures.segments), (figures.produced, 0, 1));
    }
}

#[test]
fn a_board_whose_clock_wraps_or_steps_gives_a_new_segment_and_loses_nothing() {
    let mut script = Script::calm(2);
    script.past.wraps_at_us = Some(4_000_000);
    assert_eq!(segments(&script).2, ["start", "device clock step"]);
    script.past =
        tests::world::disguise::Past { step_us: Some((3_000_000, -1_000_000)), ..Default::default() };
    assert_eq!(segments(&script).2, ["start", "device clock step"]);
    let figures = passes(&script);
    assert_eq!((figures.recorded, figures.gaps), (figures.produced, 0));
}

/// Whichever segment is missing, the others are sealed, and what it held is inside gaps that say so.
#[test]
fn whichever_segment_of_a_journal_is_missing_the_rest_is_sealed() {
    let mut script = Script::calm(4);
    script.disk.segment_bytes = 12_000;
    let whole = passes(&script).recorded;
    for which in (0..=255).step_by(32) {
        script.damage = Some(Damage::Missing(which));
        let figures = passes(&script);
        assert!(figures.recorded > whole / 2, "{} of {whole} samples", figures.recorded);
    }
    script.damage = None;
    let run = run(&script).unwrap();
    tests::world::recovered::damage(&run, Damage::Missing(0));
    let recovered = recover(&run).unwrap().unwrap();
    let sensor = &recovered.survey.sensors[0];
    assert_eq!(sensor.identity.serial, "", "who it was is lost");
    assert_eq!(sensor.gaps[0].reason, "journal damaged");
    assert!(recovered.blocks.iter().all(|(block, _)| block.force_n.iter().all(|force_n| force_n.is_nan())));
}

/// Writes a simulated visit's journal into a real folder and seals it there, twice.
fn sealed_as_a_file(script: &Script) {
    let run = run(script).unwrap();
    if let Some(damage) = script.damage {
        tests::world::recovered::damage(&run, damage);
    }
    let Some(recovered) = recover(&run).unwrap() else { return };
    let place = Place::default();
    let digests = ["one", "two"].map(|name| {
        let folder = place.path(name);
        SystemDisk.create_folder(&folder).unwrap();
        for (_, path) in daemon::journal::segments(&*run.disk.shared(), Path::new(FOLDER)).unwrap() {
            std::fs::write(folder.join(path.file_name().unwrap()), run.disk.contents(&path).unwrap())
                .unwrap();
        }
        let sealed = daemon::seal::seal(&SystemDisk::shared(), &folder).unwrap();
        let recording = Recording::open(&sealed.recording).unwrap();
        recording.verify().unwrap();
        let samples: u64 = recovered.blocks.iter().map(|(block, _)| block.samples).sum();
        assert_eq!(sealed.samples, samples, "{script}");
        let trials = recording.trials().unwrap();
        assert_eq!(format!("{trials:?}"), format!("{:?}", recovered.survey.trials), "{script}");
        sealed.content_sha256
    });
    assert_eq!(digests[0], digests[1], "{script}");
}

#[test]
fn a_visit_as_a_file_holds_what_both_passes_gave_and_the_same_every_time() {
    for seed in 0..25 {
        sealed_as_a_file(&Script::draw(seed));
    }
    let mut script = Script::calm(4);
    script.disk.segment_bytes = 12_000;
    script.damage = Some(Damage::Missing(0));
    sealed_as_a_file(&script);
    script.host.crash = Some((3.0, Crash::PowerLost));
    sealed_as_a_file(&script);
    // The first of two never comes: the second is sensor 2 all the same.
    let mut script = two_sensors(4);
    script.cable.opens_late = u32::MAX;
    passes(&script);
    sealed_as_a_file(&script);
}

fn two_sensors(seed: u64) -> Script {
    let second = Second { board: Faults::default(), cable: tests::world::cable::Faults::default() };
    Script { second: Some(second), ..Script::calm(seed) }
}

#[test]
fn two_sensors_lose_nothing_and_one_that_is_unplugged_takes_nothing_of_the_other() {
    for seed in 0..6 {
        let mut script = two_sensors(seed);
        let figures = passes(&script);
        assert_eq!((figures.recorded, figures.gaps, figures.segments), (figures.produced, 0, 2), "{script}");
        let unplugs = Faults { unplug_after_s: Some(2.0), return_after_s: Some(0.7), ..Faults::default() };
        script.second.as_mut().unwrap().board = unplugs;
        passes(&script);
        let sensors = recover(&run(&script).unwrap()).unwrap().unwrap().survey.sensors;
        let seen: Vec<_> = sensors.iter().map(|it| (it.segments.len(), it.gaps.len())).collect();
        assert_eq!(seen, [(1, 0), (2, 1)], "{script}");
    }
}
