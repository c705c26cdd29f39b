//! The finder on drawn traces whose truth is known, on hostile input, and on any split of its input.

use super::*;
use crate::trial::Test;
use proptest::prelude::*;

/// Minimum-jerk step from 0 to 1 over [0, 1].
fn step(x: f64) -> f64 {
    let x = x.clamp(0.0, 1.0);
    x * x * x * (10.0 + x * (-15.0 + 6.0 * x))
}

/// White noise of a given standard deviation (sum of twelve uniform numbers), from a seed.
struct Noise(u64);

impl Noise {
    fn next(&mut self, sd: f64) -> f64 {
        let mut sum = -6.0;
        for _ in 0..12 {
            self.0 = self.0.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
            sum += (self.0 >> 11) as f64 / (1_u64 << 53) as f64;
        }
        sd * sum
    }
}

/// A pull: onset, rise time, peak above its level, start of the fall; a break drops to 60 % first.
#[derive(Clone, Copy)]
struct Effort {
    onset_s: f64,
    rise_s: f64,
    peak_n: f64,
    fall_s: f64,
    breaks: bool,
    wave: f64,
}

impl Effort {
    fn make(onset_s: f64, peak_n: f64) -> Effort {
        Effort { onset_s, rise_s: 0.8, peak_n, fall_s: onset_s + 4.0, breaks: false, wave: 0.0 }
    }

    fn force(&self, t: f64) -> f64 {
        let rise = step((t - self.onset_s) / self.rise_s);
        let turn = libm::sin((t - self.onset_s - self.rise_s) * 5.0);
        let wave = 1.0 + self.wave * turn * step((t - self.onset_s - self.rise_s) / 0.3);
        let fall_s = if self.breaks { self.fall_s + 0.6 } else { self.fall_s };
        let drop = if self.breaks { 1.0 - 0.4 * step((t - self.fall_s) / 0.15) } else { 1.0 };
        self.peak_n * rise * wave * drop * (1.0 - step((t - fall_s) / 0.25))
    }
}

/// Force of efforts over a contact of `contact_n` between two times, with noise.
fn draw(rate_hz: f64, duration_s: f64, contact: Option<(f64, f64, f64)>, efforts: &[Effort]) -> Vec<Sample> {
    let mut noise = Noise(7);
    (0..(duration_s * rate_hz) as u64)
        .map(|index| {
            let time_s = index as f64 / rate_hz;
            let touch = contact.map_or(0.0, |(from, to, level)| {
                level * (step((time_s - from) / 0.25) - step((time_s - to) / 0.25))
            });
            let pull: f64 = efforts.iter().map(|effort| effort.force(time_s)).sum();
            Sample { index, time_s, force_n: touch + pull + noise.next(0.05), saturated: false }
        })
        .collect()
}

fn events(samples: &[Sample], interval_s: f64, test: Test) -> Vec<Event> {
    let mut finder = Finder::new(interval_s, Parameters::new(Profile::Standard, test));
    let mut out = Vec::new();
    finder.push(samples, &mut out);
    finder.finish(&mut out);
    out
}

fn holds(samples: &[Sample], interval_s: f64, test: Test) -> Vec<Hold> {
    let mut holds = Vec::new();
    collect(&mut events(samples, interval_s, test), &mut holds);
    holds.retain(|hold| hold.kind == Kind::Hold);
    holds
}

#[test]
fn three_pulls_with_contact_kept_between_are_three_holds() {
    for rate in [80.0, 1000.0, 10_000.0] {
        let efforts = [4.0, 11.0, 18.0].map(|onset| Effort::make(onset, 20.0));
        let found = holds(&draw(rate, 26.0, Some((1.5, 24.0, 2.0)), &efforts), 1.0 / rate, Test::Make);
        assert_eq!(found.len(), 3, "{rate} Hz");
        for (hold, effort) in found.iter().zip(&efforts) {
            assert!((hold.onset_s - effort.onset_s).abs() < 0.08, "{rate} Hz: onset {}", hold.onset_s);
            assert!((hold.contact_n - 2.0).abs() < 0.05 && hold.contact_s.is_some(), "{hold:?}");
            assert!((hold.peak_zero_n - 22.0).abs() < 0.2 && (hold.peak_n - 20.0).abs() < 0.2, "{hold:?}");
        }
    }
}

#[test]
fn break_contact_concentric_are_two_holds_and_one_break() {
    let mut broke = Effort::make(4.0, 30.0);
    broke.breaks = true;
    let mut through = Effort::make(11.0, 18.0);
    through.wave = 0.1;
    let found = holds(&draw(1000.0, 18.0, Some((1.5, 16.5, 1.5)), &[broke, through]), 0.001, Test::Break);
    assert_eq!(found.len(), 2);
    let break_s = found[0].break_s.unwrap();
    assert!((break_s - 8.0).abs() < 0.03, "{break_s}");
    assert!((found[0].break_n.unwrap() - 30.0).abs() < 0.3);
    assert_eq!(found[1].break_s, None);
}

#[test]
fn outside_a_break_test_a_yield_is_only_possible() {
    let mut broke = Effort::make(3.0, 30.0);
    broke.breaks = true;
    for test in [Test::Make, Test::Concentric, Test::Free] {
        let found = holds(&draw(1000.0, 10.0, None, &[broke]), 0.001, test);
        assert_eq!((found[0].break_s, found[0].break_n), (None, None));
        assert!(found[0].flags.contains(&Flag::PossibleYield), "{:?}", found[0].flags);
    }
}

#[test]
fn contact_of_any_length_moves_the_peak_above_zero_little() {
    for contact_n in [0.5, 1.7, 3.0] {
        for before_s in [1.0, 10.0, 30.0] {
            let onset = 1.8 + before_s;
            let samples = draw(
                1000.0,
                onset + 7.0,
                Some((1.5, onset + 6.0, contact_n)),
                &[Effort::make(onset, 12.0 + contact_n)],
            );
            let found = holds(&samples, 0.001, Test::Make);
            assert_eq!(found.len(), 1, "{contact_n} N for {before_s} s");
            let truth = 12.0 + 2.0 * contact_n;
            let error = found[0].peak_zero_n / truth - 1.0;
            assert!(error.abs() < 0.015, "{contact_n} N for {before_s} s: {error}");
        }
    }
}

#[test]
fn a_plateau_that_no_larger_effort_leaves_is_a_weak_hold() {
    let found = holds(&draw(1000.0, 9.0, None, &[Effort::make(2.0, 2.5)]), 0.001, Test::Make);
    assert_eq!(found.len(), 1);
    assert!((found[0].peak_n - 2.5).abs() < 0.1 && found[0].contact_s.is_none(), "{:?}", found[0]);
}

#[test]
fn a_known_zero_counts_from_the_tare_even_if_contact_came_first() {
    let samples = draw(1000.0, 9.0, Some((-1.0, 99.0, 1.2)), &[Effort::make(3.0, 15.0)]);
    let mut parameters = Parameters::new(Profile::Standard, Test::Make);
    let run = |parameters: &Parameters| {
        let mut finder = Finder::new(0.001, parameters.clone());
        let (mut out, mut holds) = (Vec::new(), Vec::new());
        finder.push(&samples, &mut out);
        finder.finish(&mut out);
        collect(&mut out, &mut holds);
        holds.remove(0)
    };
    assert!((run(&parameters).peak_zero_n - 15.0).abs() < 0.2);
    parameters.zero_known = true;
    let hold = run(&parameters);
    assert!((hold.peak_zero_n - 16.2).abs() < 0.2 && (hold.contact_n - 1.2).abs() < 0.05, "{hold:?}");
}

#[test]
fn a_hold_cut_by_the_end_of_the_trace_says_so() {
    let found = holds(&draw(1000.0, 5.0, None, &[Effort::make(2.0, 20.0)]), 0.001, Test::Make);
    assert_eq!(found.len(), 1);
    assert_eq!((found[0].release_s, found[0].end_s), (None, None));
    assert!(found[0].flags.contains(&Flag::Cut));
}

#[test]
fn a_hold_without_end_is_closed_and_costs_no_memory() {
    let mut effort = Effort::make(2.0, 20.0);
    effort.fall_s = 1e9;
    let mut finder = Finder::new(1.0 / 80.0, Parameters::default());
    let (mut out, mut found) = (Vec::new(), Vec::new());
    let room = finder.room();
    for samples in draw(80.0, 400.0, None, &[effort]).chunks(1000) {
        finder.push(samples, &mut out);
        collect(&mut out, &mut found);
    }
    assert_eq!(finder.room(), room);
    assert_eq!(found.len(), 1);
    assert!(found[0].flags.contains(&Flag::TooLong), "{:?}", found[0].flags);
}

#[test]
fn a_gap_in_a_hold_is_bridged_and_flagged_or_ends_it() {
    let samples = draw(1000.0, 9.0, None, &[Effort::make(2.0, 20.0)]);
    let without = |from: f64, to: f64| -> Vec<Sample> {
        samples.iter().copied().filter(|s| s.time_s < from || s.time_s >= to).collect()
    };
    let short = holds(&without(4.0, 4.05), 0.001, Test::Make);
    assert!(short.len() == 1 && short[0].flags == [Flag::Gap], "{short:?}");
    let long = holds(&without(4.0, 4.5), 0.001, Test::Make);
    assert!(long[0].flags.contains(&Flag::Cut) && long[0].peak_n > 19.0, "{long:?}");
    let near = holds(&without(2.02, 2.05), 0.001, Test::Make);
    assert!(near[0].flags.contains(&Flag::GapNearOnset), "{near:?}");
}

#[test]
fn a_double_pull_is_one_hold_and_flagged() {
    let first = Effort { rise_s: 0.2, fall_s: 2.3, ..Effort::make(2.0, 6.0) };
    let found = holds(&draw(1000.0, 9.0, None, &[first, Effort::make(2.6, 20.0)]), 0.001, Test::Make);
    assert_eq!(found.len(), 1);
    assert_eq!(found[0].flags, [Flag::DoublePull]);
    assert!((found[0].onset_s - 2.0).abs() < 0.05, "{}", found[0].onset_s);
}

#[test]
fn in_a_break_test_a_fall_to_nothing_is_a_release_or_a_slip() {
    let found = holds(&draw(1000.0, 9.0, None, &[Effort::make(2.0, 20.0)]), 0.001, Test::Break);
    assert_eq!(found[0].flags, [Flag::ReleaseOrSlip]);
}

#[test]
fn saturation_is_flagged() {
    let mut samples = draw(1000.0, 9.0, None, &[Effort::make(2.0, 20.0)]);
    samples[4000].saturated = true;
    assert!(holds(&samples, 0.001, Test::Make)[0].flags.contains(&Flag::Saturated));
}

#[test]
fn no_input_panics_or_is_a_hold_by_itself() {
    let flat = |value: f64| -> Vec<Sample> {
        (0..5000)
            .map(|k| Sample { index: k, time_s: k as f64 * 0.001, force_n: value, saturated: false })
            .collect()
    };
    for value in [f64::NAN, f64::INFINITY, f64::NEG_INFINITY, 0.0, 1e300, -1e11] {
        assert!(holds(&flat(value), 0.001, Test::Make).is_empty(), "{value}");
    }
    assert!(holds(&[], 0.001, Test::Make).is_empty());
    for interval in [f64::NAN, 0.0, -1.0, f64::INFINITY, 1e-12, 1e12, 0.001] {
        assert!(holds(&flat(1.0)[..1], interval, Test::Make).is_empty(), "{interval}");
        holds(&draw(80.0, 9.0, None, &[Effort::make(2.0, 20.0)]), interval, Test::Break);
    }
    let mut wild = draw(1000.0, 9.0, None, &[Effort::make(2.0, 20.0)]);
    wild.reverse();
    holds(&wild, 0.001, Test::Break);
    for (k, sample) in wild.iter_mut().enumerate() {
        sample.index = (k as u64).wrapping_mul(1 << 58);
        sample.time_s = if k % 3 == 0 { f64::NAN } else { -(k as f64) };
    }
    holds(&wild, 0.001, Test::Break);
}

#[test]
fn find_takes_missing_rows_and_an_unknown_interval() {
    let samples = draw(600.0, 9.0, None, &[Effort::make(2.0, 20.0)]);
    let kept: Vec<Sample> = samples.iter().copied().filter(|s| s.index % 37 != 5).collect();
    let time: Vec<f64> = kept.iter().map(|s| s.time_s).collect();
    let force: Vec<f64> = kept.iter().map(|s| s.force_n).collect();
    let found = find(&time, &force, None, &Parameters::new(Profile::Standard, Test::Make));
    assert_eq!(found.len(), 1);
    assert!((found[0].onset_s - 2.0).abs() < 0.08, "{}", found[0].onset_s);
    assert!(find(&[], &[], None, &Parameters::default()).is_empty());
    assert!(find(&[1.0], &[1.0], None, &Parameters::default()).is_empty());
}

#[test]
fn measuring_on_other_threads_gives_the_same_bits() {
    let mut broke = Effort::make(4.0, 30.0);
    broke.breaks = true;
    let samples = draw(1000.0, 18.0, Some((1.5, 16.5, 1.5)), &[broke, Effort::make(11.0, 12.0)]);
    let parameters = Parameters::new(Profile::Standard, Test::Break);
    let force: Vec<f64> = samples.iter().map(|s| s.force_n).collect();
    let time: Vec<f64> = (0..force.len()).map(|k| k as f64 * 0.001).collect();
    let mut scan = Scan::new(0.001, parameters.clone()).unwrap();
    force.chunks(777).for_each(|block| scan.push(block));
    let scanned = scan.finish();
    assert_eq!(scanned.len(), 2);
    assert_eq!(format!("{scanned:?}"), format!("{:?}", find(&time, &force, Some(0.001), &parameters)));
}

fn hostile() -> impl Strategy<Value = Vec<Sample>> {
    let force = prop_oneof![
        8 => -5.0..60.0_f64,
        1 => prop::num::f64::ANY,
    ];
    let jump = prop_oneof![20 => Just(1_u64), 2 => 0_u64..100, 1 => any::<u64>()];
    prop::collection::vec((force, jump, prop_oneof![9 => Just(true), 1 => Just(false)], 1_u8..60), 1..60)
        .prop_map(|runs| {
            let (mut index, mut samples) = (0_u64, Vec::new());
            for (force, jump, timed, length) in runs {
                for _ in 0..length {
                    let time_s = if timed { index as f64 / 80.0 } else { f64::NAN };
                    samples.push(Sample { index, time_s, force_n: force, saturated: !timed });
                    index = index.wrapping_add(1);
                }
                index = index.wrapping_add(jump);
            }
            samples
        })
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, ..ProptestConfig::default() })]

    #[test]
    fn any_input_is_survived_and_no_split_of_it_shows(
        samples in hostile(),
        cuts in prop::collection::vec(0_usize..400, 0..12),
        interval in prop_oneof![Just(1.0 / 80.0), Just(1.0 / 4000.0)],
    ) {
        let whole = events(&samples, interval, Test::Break);
        let mut finder = Finder::new(interval, Parameters::new(Profile::Standard, Test::Break));
        let mut split = Vec::new();
        let mut rest = &samples[..];
        for cut in cuts {
            let (now, later) = rest.split_at(cut.min(rest.len()));
            finder.push(now, &mut split);
            rest = later;
        }
        finder.push(rest, &mut split);
        finder.finish(&mut split);
        prop_assert_eq!(format!("{whole:?}"), format!("{split:?}"));
    }

    #[test]
    fn no_split_of_a_scan_shows_nor_does_who_measured(
        wild in hostile(),
        cuts in prop::collection::vec(1_usize..3000, 1..20),
        rate_hz in prop_oneof![Just(80.0), Just(1000.0), Just(4000.0)],
    ) {
        let interval = 1.0 / rate_hz;
        let visit = draw(rate_hz, 9.0, Some((1.5, 7.5, 1.5)), &[Effort::make(4.0, 30.0)]);
        let force: Vec<f64> = visit.iter().chain(&wild).chain(&visit).map(|s| s.force_n).collect();
        let time: Vec<f64> = (0..force.len()).map(|k| k as f64 * interval).collect();
        let parameters = Parameters::new(Profile::Standard, Test::Make);
        let whole = find(&time, &force, Some(interval), &parameters);
        prop_assert!(!whole.is_empty());
        let mut scan = Scan::new(interval, parameters).unwrap();
        let mut rest = &force[..];
        for cut in cuts.iter().cycle() {
            let (now, later) = rest.split_at((*cut).min(rest.len()));
            scan.push(now);
            rest = later;
            if rest.is_empty() {
                break;
            }
        }
        prop_assert_eq!(format!("{:?}", scan.finish()), format!("{whole:?}"));
    }

    #[test]
    fn no_split_of_a_visit_shows(cuts in prop::collection::vec(1_usize..3000, 1..20)) {
        let mut broke = Effort::make(4.0, 30.0);
        broke.breaks = true;
        let samples = draw(1000.0, 18.0, Some((1.5, 16.5, 1.5)), &[broke, Effort::make(11.0, 12.0)]);
        let whole = events(&samples, 0.001, Test::Break);
        prop_assert!(whole.len() > 4);
        let mut finder = Finder::new(0.001, Parameters::new(Profile::Standard, Test::Break));
        let mut split = Vec::new();
        let mut rest = &samples[..];
        for cut in cuts.iter().cycle() {
            if rest.is_empty() {
                break;
            }
            let (now, later) = rest.split_at((*cut).min(rest.len()));
            finder.push(now, &mut split);
            rest = later;
        }
        finder.finish(&mut split);
        prop_assert_eq!(format!("{whole:?}"), format!("{split:?}"));
    }
}
