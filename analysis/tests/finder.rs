//! The finder on real traces, on counters of any size, and what it takes from memory.
#![allow(clippy::unwrap_used, clippy::panic)] // what goes wrong in a test ends it

use analysis::holds::{Event, Finder, Flag, Hold, Parameters, Profile, Sample, find};
use analysis::trace::read_csv;
use analysis::trial::Test;
use std::path::Path;

fn force_plate(name: &str) -> Vec<Hold> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../fixtures/force-plate").join(name);
    let trace = read_csv(&path).unwrap();
    find(&trace.time_s, &trace.force_n, None, &Parameters::default())
}

fn near(found: Option<f64>, wanted: f64, most: f64, what: &str) {
    assert!(
        found.is_some_and(|found| (found - wanted).abs() <= most),
        "{what}: {found:?} instead of {wanted}"
    );
}

/// Read off the plot: an empty plate; somebody steps on it at 1.31 s, stands at about 690 N, sinks (480 N at 4.5 s),
/// pushes off and is gone at 5.09 s; lands at 5.64 s with 4.7 kN for a few ms (4.1 kN over 20 ms), stands again,
/// and steps off from 9.20 s on.
#[test]
fn a_jump_from_an_empty_plate_is_two_holds() {
    let holds = force_plate("jump_450hz.csv");
    assert_eq!(holds.len(), 2, "{holds:#?}");
    near(Some(holds[0].onset_s), 1.31, 0.03, "steps on");
    near(Some(holds[0].peak_zero_n), 1490.0, 15.0, "pushes off");
    near(holds[0].release_s, 5.01, 0.05, "starts to leave");
    near(holds[0].end_s, 5.085, 0.01, "is gone");
    near(Some(holds[1].onset_s), 5.64, 0.02, "lands");
    near(Some(holds[1].peak_zero_n), 4130.0, 60.0, "lands hard");
    near(holds[1].release_s, 9.20, 0.05, "starts to step off");
    near(holds[1].end_s, 9.285, 0.015, "is off");
    assert!(
        holds.iter().all(|hold| hold.break_s.is_none() && !hold.flags.contains(&Flag::Gap)),
        "{holds:#?}"
    );
}

/// Read off the plot: somebody stands on the plate (633 N), sinks to 290 N at 0.32 s, pushes off with 1.43 kN and is gone
/// at 0.89 s; lands at 1.33 s with 3.6 kN for a few ms and still stands when the trace ends.
#[test]
fn a_jump_from_standing_is_a_push_and_a_cut_landing() {
    let holds = force_plate("jump_600hz.csv");
    assert_eq!(holds.len(), 2, "{holds:#?}");
    near(Some(holds[0].onset_s), 0.34, 0.04, "turns");
    near(Some(holds[0].peak_n + holds[0].rest_n), 1430.0, 30.0, "pushes off");
    near(holds[0].end_s, 0.88, 0.02, "is gone");
    assert!(holds[0].flags.contains(&Flag::Countermovement) && holds[0].flags.contains(&Flag::LateArm));
    near(Some(holds[1].onset_s), 1.32, 0.02, "lands");
    assert_eq!((holds[1].end_s, holds[1].flags.contains(&Flag::Cut)), (None, true));
}

/// One pull of 20 N, `held_s` long, after 3 s of rest, at 1 kHz; the counter starts at `first`.
fn pull(first: u64, held_s: f64) -> Vec<Sample> {
    let step = |x: f64| {
        let x = x.clamp(0.0, 1.0);
        x * x * x * (10.0 + x * (6.0 * x - 15.0))
    };
    let count = ((held_s + 6.0) * 1000.0) as u64;
    (0..count)
        .map(|k| {
            let t = k as f64 * 0.001;
            let noise = ((k * 7919 % 101) as f64 / 101.0 - 0.5) * 0.05;
            let force_n = 20.0 * step((t - 3.0) / 0.5) * (1.0 - step((t - 3.0 - held_s) / 0.3)) + noise;
            Sample { index: first + k, time_s: first as f64 * 0.001 + t, force_n, saturated: false }
        })
        .collect()
}

fn found(samples: &[Sample]) -> Vec<Hold> {
    let mut finder = Finder::new(0.001, Parameters::new(Profile::Standard, Test::Make));
    let mut events = Vec::new();
    finder.push(samples, &mut events);
    finder.finish(&mut events);
    events
        .into_iter()
        .filter_map(|event| if let Event::Ended(hold) = event { Some(*hold) } else { None })
        .collect()
}

#[test]
fn the_size_of_the_counter_changes_nothing() {
    let at_zero = found(&pull(0, 4.0)).remove(0);
    for first in [1_000_000_000, 1 << 32, (1 << 53) - 7_000_000] {
        let hold = found(&pull(first, 4.0)).remove(0);
        assert_eq!(hold.first_index - first, at_zero.first_index, "{first}");
        assert_eq!(hold.last_index - first, at_zero.last_index, "{first}");
        assert!((hold.peak_n - at_zero.peak_n).abs() < 1e-9, "{first}");
    }
    // A counter that leaps by 1e9 within a pull ends it.
    let mut leaps = pull(0, 4.0);
    leaps.iter_mut().skip(5000).for_each(|sample| sample.index += 1_000_000_000);
    assert!(found(&leaps)[0].flags.contains(&Flag::Cut));
}

/// What one sample costs in memory: nothing. Only a pull that is confirmed or has ended may take some.
#[test]
fn no_sample_takes_memory() {
    let parameters = Parameters::new(Profile::Standard, Test::Break);
    let mut finder = Finder::new(0.001, parameters);
    let mut events = Vec::with_capacity(64);
    let samples: Vec<Sample> = (0..12).flat_map(|k| pull(k * 36_000, 30.0)).collect();
    let (mut quiet, mut holds) = (0, 0);
    for (number, block) in samples.chunks(50).enumerate() {
        let taken = allocation_counter::measure(|| finder.push(block, &mut events)).count_total;
        let grew = events.iter().any(|event| matches!(event, Event::Confirmed { .. } | Event::Ended(_)));
        holds += events.drain(..).filter(|event| matches!(event, Event::Ended(_))).count();
        if !grew {
            assert_eq!(taken, 0, "block {number}, {} samples in", number * 50);
            quiet += 1;
        }
    }
    assert_eq!(holds, 12);
    assert!(quiet > 8000, "{quiet}");
}
