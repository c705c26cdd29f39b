//! Lines of numbers to samples: a sensor that speaks no protocol of ours.
//!
//! Comes in: bytes with the host's time of arrival (ns), by a profile. Goes out: who the sensor is, as far as the profile
//! says, and frames of one sample. Pure.
//!
//! Such a sensor has no counter and mostly no clock. The interval is measured once, from the arrivals of the first seconds,
//! and kept; samples are then at equal intervals. What was lost is inferred: where the lines stay late, against what the
//! earliest arrivals of the seconds before say, by more than 1.5 intervals (and more than 20 ms), so many are missing.
//! It shows only a second later, so up to a second of samples before such a gap is placed early by its length. A line with
//! digits that cannot be read counts as one sample lost. With a time column the device's own times say what is missing.

use super::force::Scale;
use super::sensor::{ChannelIdentity, SensorIdentity};
use crate::port::profile::{LINE_MAX, Profile};
use std::collections::VecDeque;

/// Reason of a gap that nobody reported.
pub const INFERRED: &str = "inferred from late lines";
/// The interval is measured over this long, ns, and at least so many lines.
const MEASURE_NS: u64 = 2_000_000_000;
const MEASURE_LINES: usize = 16;
/// Lateness is judged over this long, s.
const WINDOW_S: f64 = 1.0;
/// Less than this is never taken as loss, s: ports hold lines back for some milliseconds.
const LATE_S: f64 = 0.02;
/// Windows whose lateness is averaged: what the interval is off by shows in each of them.
const TREND: usize = 8;
/// The shortest and the longest interval that a line can have, ns.
const INTERVAL_NS: std::ops::RangeInclusive<f64> = 100_000.0..=10_000_000_000.0;

/// A sample that a line held.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TextSample {
    /// How many samples there were before it, lost ones included.
    pub counter: u64,
    /// Its time, µs since the first line.
    pub time_us: u64,
    /// Steps of the last place.
    pub counts: i32,
    /// When it arrived, ns.
    pub arrival_ns: u64,
}

/// What comes out.
#[derive(Debug, Clone, PartialEq)]
pub enum TextOut {
    /// The interval is known: the sensor can be named.
    Known(Box<SensorIdentity>),
    /// A sample.
    Sample(TextSample),
}

#[derive(Clone, Copy)]
struct Line {
    counts: i32,
    device_s: Option<f64>,
    arrival_ns: u64,
    /// Lines before it that could not be read.
    lost: u64,
}

/// Reads one port's lines.
pub struct TextDecoder {
    profile: Profile,
    partial: Vec<u8>,
    overlong: bool,
    /// The first piece after opening may be cut.
    is_first: bool,
    waiting: Vec<Line>,
    lost: u64,
    interval_ns: Option<u32>,
    counter: u64,
    start: Option<(f64, u64)>,
    lateness: Lateness,
    /// Lines that could not be read.
    pub unreadable: u64,
}

impl TextDecoder {
    /// A decoder for a port that was opened just now.
    pub fn new(profile: Profile) -> TextDecoder {
        TextDecoder {
            profile,
            partial: Vec::new(),
            overlong: false,
            is_first: true,
            waiting: Vec::new(),
            lost: 0,
            interval_ns: None,
            counter: 0,
            start: None,
            lateness: Lateness::default(),
            unreadable: 0,
        }
    }

    /// The port was opened again: the interval stays, everything else begins anew.
    pub fn reopened(&mut self) {
        self.partial.clear();
        self.waiting.clear();
        (self.overlong, self.is_first, self.lost, self.counter) = (false, true, 0, 0);
        (self.start, self.lateness) = (None, Lateness::default());
    }

    /// Bytes may be missing here: what follows may be the rest of a line.
    pub fn hole(&mut self) {
        self.partial.clear();
        self.is_first = true;
    }

    /// The interval, once it is known, ns.
    pub fn interval_ns(&self) -> Option<u32> {
        self.interval_ns
    }

    /// Takes bytes.
    pub fn push(&mut self, bytes: &[u8], arrival_ns: u64, out: &mut Vec<TextOut>) {
        let end = self.profile.terminator.byte();
        for byte in bytes {
            if *byte != end {
                self.overlong |= self.partial.len() >= LINE_MAX;
                if !self.overlong {
                    self.partial.push(*byte);
                }
                continue;
            }
            let line = std::mem::take(&mut self.partial);
            let skipped = std::mem::take(&mut self.is_first) || std::mem::take(&mut self.overlong);
            if !skipped {
                self.line(line.trim_ascii(), arrival_ns, out);
            }
        }
    }

    fn line(&mut self, line: &[u8], arrival_ns: u64, out: &mut Vec<TextOut>) {
        let Some((counts, device_s)) = self.profile.read(line) else {
            let may_be_sample = line.iter().any(u8::is_ascii_digit) && !line.starts_with(b"#");
            self.unreadable += u64::from(may_be_sample);
            self.lost += u64::from(may_be_sample);
            return;
        };
        let line = Line { counts, device_s, arrival_ns, lost: std::mem::take(&mut self.lost) };
        if self.interval_ns.is_some() {
            return self.sample(&line, out);
        }
        self.waiting.push(line);
        self.measure(out);
    }

    /// Measures the interval as soon as there is enough to measure it from.
    fn measure(&mut self, out: &mut Vec<TextOut>) {
        let (Some(first), Some(last)) = (self.waiting.first(), self.waiting.last()) else { return };
        if self.waiting.len() < MEASURE_LINES || last.arrival_ns.saturating_sub(first.arrival_ns) < MEASURE_NS
        {
            return;
        }
        let lost = |upto: usize| self.waiting[..=upto].iter().skip(1).map(|line| line.lost).sum::<u64>();
        let x: Vec<f64> = (0..self.waiting.len()).map(|i| i as f64 + lost(i) as f64).collect();
        let times: Vec<f64> = match (first.device_s, last.device_s) {
            (Some(_), Some(_)) => {
                self.waiting.iter().map(|line| line.device_s.unwrap_or(f64::NAN) * 1e9).collect()
            }
            _ => {
                let from_ns = first.arrival_ns;
                self.waiting.iter().map(|line| (line.arrival_ns - from_ns) as f64).collect()
            }
        };
        let Some(slope) = analysis::statistics::line::Line::through(&x, &times).map(|line| line.slope) else {
            self.waiting.clear();
            return;
        };
        if !INTERVAL_NS.contains(&slope) {
            // Not what the profile says, or a burst of old lines: what comes next is measured.
            self.waiting.clear();
            return;
        }
        let interval_ns = libm::round(slope) as u32;
        self.interval_ns = Some(interval_ns);
        out.push(TextOut::Known(Box::new(self.identity(interval_ns))));
        for line in std::mem::take(&mut self.waiting) {
            self.sample(&line, out);
        }
    }

    fn identity(&self, interval_ns: u32) -> SensorIdentity {
        let n_per_count = self.profile.n_per_count();
        let rated_n = self.profile.rated_n.unwrap_or(200.0);
        let rated_counts = libm::round(rated_n / n_per_count).clamp(-2e9, 2e9) as i32;
        SensorIdentity {
            serial: format!("TEXT-{}", self.profile.name),
            firmware: "lines of text, times from their arrival".to_owned(),
            interval_ns,
            group_delay_s: 0.0,
            bandwidth_hz: f64::NAN,
            settling_s: f64::NAN,
            channels: vec![ChannelIdentity {
                scale: Scale { zero_counts: 0.0, n_per_count, rated_n },
                rated_counts,
                direction: "both".to_owned(),
            }],
        }
    }

    fn sample(&mut self, line: &Line, out: &mut Vec<TextOut>) {
        let interval_s = f64::from(self.interval_ns.unwrap_or(1)) * 1e-9;
        let (start_s, start_ns) = *self.start.get_or_insert((line.device_s.unwrap_or(0.0), line.arrival_ns));
        self.counter += line.lost;
        if let Some(device_s) = line.device_s {
            // The device's own time says where the sample belongs.
            let place = libm::round((device_s - start_s) / interval_s).max(0.0) as u64;
            self.counter = self.counter.max(place);
        } else {
            let arrival_s = line.arrival_ns.saturating_sub(start_ns) as f64 * 1e-9;
            self.counter += self.lateness.missing(arrival_s, self.counter, interval_s);
        }
        let time_us = (self.counter as f64 * interval_s * 1e6) as u64;
        let (counter, counts, arrival_ns) = (self.counter, line.counts, line.arrival_ns);
        out.push(TextOut::Sample(TextSample { counter, time_us, counts, arrival_ns }));
        self.counter += 1;
    }
}

/// Whether lines stay late.
#[derive(Debug, Default)]
struct Lateness {
    earliest_s: f64,
    lines: u64,
    before_s: Option<f64>,
    trend_s: VecDeque<f64>,
}

impl Lateness {
    /// How many samples are missing before this one.
    fn missing(&mut self, arrival_s: f64, counter: u64, interval_s: f64) -> u64 {
        let late_s = arrival_s - counter as f64 * interval_s;
        self.earliest_s = if self.lines == 0 { late_s } else { self.earliest_s.min(late_s) };
        self.lines += 1;
        if (self.lines as f64) < (WINDOW_S / interval_s).max(8.0) {
            return 0;
        }
        self.lines = 0;
        let Some(before_s) = self.before_s.replace(self.earliest_s) else { return 0 };
        let usual_s = self.trend_s.iter().sum::<f64>() / self.trend_s.len().max(1) as f64;
        let later_s = self.earliest_s - before_s - usual_s;
        if later_s > (1.5 * interval_s).max(LATE_S) {
            let missing = libm::round(later_s / interval_s);
            self.before_s = Some(self.earliest_s - missing * interval_s);
            return missing as u64;
        }
        self.trend_s.push_back(self.earliest_s - before_s);
        if self.trend_s.len() > TREND {
            self.trend_s.pop_front();
        }
        0
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn profile(text: &str) -> Profile {
        let base = "name = \"bench\"\nterminator = \"LF\"\nunit = \"N\"\ndecimals = 2\n";
        Profile::parse(&(base.to_owned() + text)).unwrap()
    }

    /// 80 lines a second for 30 s, in pieces as a converter with a 16-ms timer delivers them; `says` gives the line, or
    /// nothing where it is lost.
    fn run(
        decoder: &mut TextDecoder,
        says: impl Fn(u64) -> Option<String>,
    ) -> (Option<u32>, Vec<TextSample>) {
        let (mut out, mut port, mut deliver_ns) = (Vec::new(), Vec::new(), 0);
        for n in 0..2_400 {
            let at_ns = n * 12_500_000;
            while deliver_ns < at_ns {
                decoder.push(&std::mem::take(&mut port), deliver_ns, &mut out);
                deliver_ns += 16_000_000;
            }
            port.extend(says(n).unwrap_or_default().bytes());
        }
        decoder.push(&port, deliver_ns, &mut out);
        let mut interval = None;
        let samples = out.into_iter().filter_map(|out| match out {
            TextOut::Known(identity) => {
                interval = Some(identity.interval_ns);
                None
            }
            TextOut::Sample(sample) => Some(sample),
        });
        let samples = samples.collect();
        (interval, samples)
    }

    fn line(n: u64) -> Option<String> {
        Some(format!("{}.25\n", n % 50))
    }

    #[test]
    fn every_line_is_a_sample_at_its_place() {
        let mut decoder = TextDecoder::new(profile("numbers = 1\nforce = 1\n"));
        let (interval, samples) = run(&mut decoder, line);
        assert!((f64::from(interval.unwrap()) / 12.5e6 - 1.0).abs() < 0.005, "{interval:?}");
        // The first line may have been cut and is left out.
        assert_eq!(samples.len(), 2_399);
        for (at, sample) in samples.iter().enumerate() {
            let value = (at as u64 + 1) % 50;
            assert_eq!((sample.counter, sample.counts), (at as u64, value as i32 * 100 + 25));
        }
    }

    #[test]
    fn what_stays_late_is_missing_and_what_is_late_once_is_not() {
        let mut decoder = TextDecoder::new(profile("numbers = 1\nforce = 1\n"));
        // Forty lines are lost at once in the middle.
        let (_, samples) = run(&mut decoder, |n| line(n).filter(|_| !(1_200..1_240).contains(&n)));
        let last = samples.last().unwrap();
        assert_eq!(samples.len(), 2_359);
        assert!((2_397..=2_399).contains(&last.counter), "{last:?}");
        let jumps: Vec<u64> =
            samples.windows(2).map(|pair| pair[1].counter - pair[0].counter - 1).filter(|j| *j > 0).collect();
        assert!(jumps.len() == 1 && (39..=41).contains(&jumps[0]), "{jumps:?}");
    }

    #[test]
    fn lines_that_cannot_be_read_are_lost_and_words_are_not() {
        let mut decoder = TextDecoder::new(profile("numbers = 1\nforce = 1\n"));
        let (_, samples) = run(&mut decoder, |n| match n {
            500 => Some("1\u{fffd}.2.5.7\n".to_owned()),
            600 => line(n).map(|line| format!("# still well\n{line}")),
            700 => Some("9".repeat(400) + "\n"),
            n => line(n),
        });
        assert_eq!(decoder.unreadable, 1);
        let value = |counter: u64| samples.iter().find(|s| s.counter == counter).map(|s| s.counts);
        assert_eq!((value(499), value(500 + 50), value(600)), (None, Some(125), Some(125)));
    }

    #[test]
    fn a_time_column_says_what_is_missing() {
        let own = "numbers = 2\nforce = 2\ntime = 1\ntime_unit_s = 0.001\n";
        let mut decoder = TextDecoder::new(profile(own));
        let says = |n: u64| Some(format!("{};{}.50\n", n * 25 / 2, n % 50)).filter(|_| n != 900);
        let (interval, samples) = run(&mut decoder, says);
        assert!((f64::from(interval.unwrap()) / 12.5e6 - 1.0).abs() < 0.001, "{interval:?}");
        let missing: Vec<u64> =
            samples.windows(2).filter(|p| p[1].counter > p[0].counter + 1).map(|p| p[0].counter).collect();
        assert_eq!(missing, [898], "the first line was left out, so that 900 is the 899th");
        assert_eq!(samples.last().unwrap().counter, 2_398);
    }

    #[test]
    fn however_the_bytes_are_split_the_same_comes_out() {
        let text: Vec<u8> = (0..400).flat_map(|n| line(n).unwrap().into_bytes()).collect();
        let whole = |pieces: usize| {
            let mut decoder = TextDecoder::new(profile("numbers = 1\nforce = 1\n"));
            let mut out = Vec::new();
            // All bytes of one line arrive at one time, in pieces.
            let mut at_ns = 0;
            for line in text.split_inclusive(|byte| *byte == b'\n') {
                at_ns += 12_500_000;
                line.chunks(pieces).for_each(|piece| decoder.push(piece, at_ns, &mut out));
            }
            out
        };
        // (The bandwidth is unknown, NaN, and equal to nothing.)
        assert_eq!(format!("{:?}", whole(1)), format!("{:?}", whole(100)));
        assert_eq!(whole(1).len(), 400, "399 samples and who it is");
    }
}
