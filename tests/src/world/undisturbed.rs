//! The trials of an undisturbed sensor, and how those of a disturbed one compare with them.
//!
//! In: the truth about a sensor's samples. Out: the holds that the daemon's core finds when it gets all of them, one after
//! the other. Wherever a recording has the samples of a hold and of some time around it, it must have the same hold.

use super::checks::{Place, Places};
use super::disguise::framed;
use super::recovered::Recovered;
use super::run::{Run, plan};
use super::script::Script;
use super::truth::{Stream, Truth};
use analysis::holds::Flag;
use analysis::recording::layout::{TareRow, TrialRow};
use daemon::core::{Core, Said};
use daemon::journal::{Record, Stamped};
use daemon::pipeline::Output;
use daemon::pipeline::setting::Setting;
use daemon::simulate::converter;
use firmware_protocol::message::{
    Channels, Condition, DeviceMessage, Identity, PROTOCOL_VERSION, Samples, Text, put_counts,
};
use std::collections::VecDeque;

/// A hold is compared where the recording has this much before it, s: the finder needs rest to know rest …
const BEFORE_S: f64 = 2.0;
/// … and this much after it, s.
const AFTER_S: f64 = 1.5;
/// A frame of the board is this long, ns, where that is a whole number of samples.
const FRAME_NS: u32 = 20_000_000;
/// A hold's 5 % crossing and its end need no model, so they agree within this, s, with whatever zeros and histories.
const CROSSING_S: f64 = 0.03;
/// Its onset is the start of a fitted curve: where a pull creeps out of a touch, a few mN of the level before it move that. It
/// agrees within this, s, and is counted as apart (see [`Figures::apart`]) …
///
/// [`Figures::apart`]: super::Figures::apart
const ONSET_S: f64 = 0.25;
/// … where it differs by more than this, s, (in one of 20,000) …
const APART_S: f64 = 0.03;
/// … and by more than so many standard deviations, as the finder says of the less certain one.
const APART_SD: f64 = 2.0;
/// Times are told from another beginning, so they are rounded otherwise: s; peaks, N.
const ROUNDING: f64 = 1e-9;
/// Where the zeros differ by more than this (N), because the seconds they come from were not intact, so may the holds.
const ZERO_N: f64 = 0.05;
/// Peaks agree within this, N: the zeros are means of different seconds.
const PEAK_N: f64 = 0.15;

/// A zero: its level, counts, and the position from which it is in force.
#[derive(Debug, Clone, Copy)]
struct Zero {
    counts: f64,
    from: i64,
}

impl Zero {
    fn n(self) -> f64 {
        self.counts * converter::Settings::default().resolution_n()
    }

    /// The zero of a hold.
    fn of(row: &TrialRow, zeros: &[Zero]) -> Option<Zero> {
        usize::try_from(row.tare).ok().and_then(|tare| zeros.get(tare)).copied()
    }
}

/// A core that is fed without a journal.
struct Fed {
    core: Core,
    now_ns: u64,
    number: u64,
    rows: Vec<TrialRow>,
    /// All zeros in the order of the sensor's table.
    zeros: Vec<Zero>,
}

impl Fed {
    fn put(&mut self, record: Record) {
        let mut queue = VecDeque::from([record]);
        let mut said = Vec::new();
        while let Some(record) = queue.pop_front() {
            let stamped = Stamped { number: self.number, monotonic_ns: self.now_ns, record };
            self.number += 1;
            self.core.step(&stamped, &mut said);
            for said in said.drain(..) {
                match said {
                    Said::Journal(record) => queue.push_back(record),
                    Said::Trial(row) => self.rows.push(*row),
                    Said::Pipeline(Output::Set(Setting::Tare(tare), from)) => {
                        self.zeros.push(Zero { counts: tare.zero_counts, from: from as i64 });
                    }
                    _ => {}
                }
            }
        }
    }

    fn hear(&mut self, message: &DeviceMessage) {
        self.put(Record::Bytes { port: 0, bytes: framed(message) });
    }
}

/// What the core makes of all samples of all streams, each a segment of its own.
fn rows(script: &Script, truth: &Truth, streams: &[&Stream]) -> Result<Fed, String> {
    let plan = if script.planned { Some(plan()?) } else { None };
    let mut fed = Fed { core: Core::new(plan), now_ns: 0, number: 0, rows: Vec::new(), zeros: Vec::new() };
    for stream in streams {
        fed.put(Record::Opened { port: 0, detail: String::new() });
        fed.hear(&DeviceMessage::Identity(identity(script, stream.boot_id).ok_or("no identity")?));
        fed.hear(&DeviceMessage::Condition(condition(stream.boot_id)));
        hear_all(&mut fed, script, truth, stream)?;
        fed.put(Record::Closed { port: 0, reason: String::new() });
    }
    fed.put(Record::Finished(String::new()));
    Ok(fed)
}

fn hear_all(fed: &mut Fed, script: &Script, truth: &Truth, stream: &Stream) -> Result<(), String> {
    let per_frame = (FRAME_NS / script.interval_ns).max(1) as usize * truth.channels;
    for (sequence, counts) in (0..).zip(stream.counts.chunks(per_frame)) {
        let first_sample = u64::from(sequence) * (per_frame / truth.channels) as u64;
        let mut buffer = [0; 1024];
        let device_time_us = 1_000_000 + first_sample * u64::from(script.interval_ns) / 1000;
        fed.now_ns = 1000 * device_time_us;
        let samples = Samples {
            boot_id: stream.boot_id,
            sequence,
            first_sample,
            device_time_us,
            interval_ns: script.interval_ns,
            status: 0,
            channels: script.channels,
            samples: (counts.len() / truth.channels) as u8,
            counts_le: put_counts(counts, &mut buffer).ok_or("a frame too long")?,
        };
        fed.hear(&DeviceMessage::Samples(samples));
    }
    Ok(())
}

fn identity(script: &Script, boot_id: u32) -> Option<Identity> {
    let converter = converter::Settings::default();
    Some(Identity {
        protocol_version: PROTOCOL_VERSION,
        boot_id,
        serial: Text::new("UNDISTURBED")?,
        firmware: Text::new("simulated")?,
        interval_ns: script.interval_ns,
        group_delay_ns: (converter.group_delay_s() * 1e9) as u32,
        bandwidth_millihertz: 0,
        settling_ns: 0,
        device_time_us: 0,
        channels: Channels::new(&vec![converter.identity(); usize::from(script.channels)])?,
    })
}

fn condition(boot_id: u32) -> Condition {
    Condition {
        boot_id,
        device_time_us: 0,
        next_sample: 0,
        streaming: false,
        supply_mv: None,
        temperature_centikelvin: None,
    }
}

/// A hold of the first channel: what must agree.
#[derive(Debug, Clone)]
struct Seen {
    first: Place,
    last: Place,
    onset_s: f64,
    /// 5 % crossing on the way up.
    rise5_s: f64,
    end_s: f64,
    peak_zero_n: f64,
    /// The zero it was found with, N, and how many samples before it that was in force; NaN without one.
    zero: (f64, i64),
    row: TrialRow,
}

impl Seen {
    /// A hold of the undisturbed sensor, whose segments are its streams and begin at their first samples.
    fn of(row: TrialRow, truth: &Truth, streams: &[&Stream], zeros: &[Zero]) -> Option<Seen> {
        let boot_id = streams.get(usize::try_from(row.segment).ok()?)?.boot_id;
        // Positions count through all streams; times do not.
        let samples = row.last_sample - row.first_sample;
        let before: u64 = streams.iter().take(row.segment as usize).map(|stream| truth.samples(stream)).sum();
        let first = row.first_sample.unsigned_abs().checked_sub(before)?;
        let last = first + samples.unsigned_abs();
        Some(Seen::at((boot_id, first), (boot_id, last), 0.0, zeros, row))
    }

    /// With the same samples before it, it is the same hold: no history of another kind is left to excuse a difference.
    fn is(&self, other: &Seen) -> Result<(), String> {
        let times =
            |seen: &Seen| [seen.onset_s, seen.rise5_s, seen.end_s, seen.row.onset_sd_s, seen.peak_zero_n];
        let same = times(self).iter().zip(times(other)).all(|(a, b)| agree(*a, b, ROUNDING));
        let judged = |seen: &Seen| {
            let row = seen.row.clone();
            (row.item, row.number, row.valid, row.outcome, row.why_not, row.flags)
        };
        if same && judged(self) == judged(other) {
            return Ok(());
        }
        let (ours, theirs) = (judged(self), judged(other));
        Err(format!(
            "after the same samples a hold {} {ours:?} is found {} {theirs:?}",
            self.told(),
            other.told()
        ))
    }

    /// In words.
    fn told(&self) -> String {
        format!(
            "at {:.3} s, 5 % at {:.3} s, over at {:.3} s ({:.2} N, flags `{}`)",
            self.onset_s, self.rise5_s, self.end_s, self.peak_zero_n, self.row.flags
        )
    }

    /// A hold between two samples, whose times are told `since_s` after the boot's first sample.
    fn at(first: Place, last: Place, since_s: f64, zeros: &[Zero], row: TrialRow) -> Seen {
        let zero = Zero::of(&row, zeros);
        Seen {
            first,
            last,
            onset_s: row.onset_s + since_s,
            rise5_s: row.rise5_s + since_s,
            end_s: row.end_s + since_s,
            peak_zero_n: row.peak_zero_n,
            zero: zero.map_or((f64::NAN, 0), |zero| (zero.n(), row.first_sample - zero.from)),
            row,
        }
    }
}

fn is_hold(row: &TrialRow) -> bool {
    row.sensor == 1 && row.channel == 1 && row.kind == "hold" && row.first_sample >= 0
}

/// What came of comparing holds.
#[derive(Debug, Clone, Copy, Default)]
pub struct Compared {
    /// Holds compared.
    pub holds: u64,
    /// Of these, those whose rest was judged otherwise (see [`Figures::borderline`]).
    ///
    /// [`Figures::borderline`]: super::Figures::borderline
    pub borderline: u64,
    /// Of these, those whose onsets are far apart (see [`Figures::apart`]).
    ///
    /// [`Figures::apart`]: super::Figures::apart
    pub apart: u64,
    /// Of these, those that are the same to the last digit, because all before them is intact, too.
    pub exact: u64,
}

/// Compares.
///
/// # Errors
/// A hold that is another one than the undisturbed sensor's.
pub fn compare(
    script: &Script,
    run: &Run,
    recovered: &Recovered,
    places: &Places,
) -> Result<Compared, String> {
    let truth = run.truths.first().ok_or("no sensor")?;
    let named = recovered.survey.sensors.first().filter(|sensor| !sensor.identity.serial.is_empty());
    // A sensor whose scale was lost with the beginning of the journal has no force, so nothing can be found in it.
    let Some((sensor, places)) = named.zip(places.first()) else { return Ok(Compared::default()) };
    if parameters_are_lost(&recovered.records) {
        return Ok(Compared::default());
    }
    let zero = |tare: &TareRow| Zero { counts: tare.zero_counts, from: tare.from_sample };
    let zeros: Vec<Zero> = sensor.tares.iter().map(zero).collect();
    let found: Vec<Seen> = recovered
        .survey
        .trials
        .iter()
        .filter(|row| is_hold(row))
        .filter_map(|row| {
            let place = |position: i64| places.get(usize::try_from(position).ok()?).copied();
            let segment = sensor.segments.get(usize::try_from(row.segment).ok()?)?;
            let since_s = segment.first_counter as f64 * segment.interval_ns as f64 * 1e-9;
            let (first, last) = (place(row.first_sample)?, place(row.last_sample)?);
            Some(Seen::at(first, last, since_s, &zeros, row.clone()))
        })
        .collect();
    let by_boot = truth.by_boot();
    let interval_s = f64::from(script.interval_ns) * 1e-9;
    let intact: Vec<Intact> =
        by_boot.keys().map(|boot_id| Intact::of(recovered, *boot_id, interval_s)).collect();
    if !intact.iter().any(Intact::is_worth_a_look) {
        return Ok(Compared::default());
    }
    let seen =
        |stream: &&Stream| by_boot.get(&stream.boot_id).is_some_and(|last| std::ptr::eq(*last, *stream));
    let streams: Vec<&Stream> = truth.streams.iter().filter(seen).collect();
    let Fed { rows, zeros: true_zeros, .. } = rows(script, truth, &streams)?;
    let expected: Vec<Seen> = rows
        .into_iter()
        .filter(is_hold)
        .filter_map(|row| Seen::of(row, truth, &streams, &true_zeros))
        .collect();
    let (expected, found): (Vec<&Seen>, Vec<&Seen>) = (expected.iter().collect(), found.iter().collect());
    let is_intact = |hold: &&&Seen| intact.iter().any(|intact| intact.around(hold));
    let same_zero =
        |hold: &Seen, zeros: &[Zero]| zeros.iter().any(|zero| (zero.n() - hold.zero.0).abs() <= ZERO_N);
    for hold in found.iter().filter(is_intact).filter(|hold| same_zero(hold, &true_zeros)) {
        same_as_one_of(hold, &expected).map_err(|why| format!("a hold of the recording {why}"))?;
    }
    let mut compared = Compared::default();
    for hold in expected.iter().filter(is_intact).filter(|hold| same_zero(hold, &zeros)) {
        let same = same_as_one_of(hold, &found);
        let other = same.map_err(|why| format!("a hold of the undisturbed sensor {why}"))?;
        compared.holds += 1;
        compared.borderline += u64::from(other.row.flags != hold.row.flags);
        compared.apart += u64::from(are_apart(hold, other));
        // What takes effect does so between frames, so these must be as long as the board's.
        let same_frames = FRAME_NS.is_multiple_of(script.interval_ns);
        if same_frames && intact.iter().any(|intact| intact.all_before(hold)) && hold.zero == other.zero {
            compared.exact += 1;
            hold.is(other)?;
        }
    }
    Ok(compared)
}

/// A zero's record is there, and the next one, which tells the finder of it, is in a hole.
fn parameters_are_lost(records: &[Stamped]) -> bool {
    let is_zero = |record: &Record| match record {
        Record::Parameters(text) => matches!(serde_json::from_str(text), Ok(Setting::Tare(_))),
        _ => false,
    };
    records.windows(2).any(|pair| is_zero(&pair[0].record) && pair[1].number != pair[0].number + 1)
}

/// A row's flags but those of which rests at the limit are no rarity (see [`Figures::borderline`]).
///
/// [`Figures::borderline`]: super::Figures::borderline
fn sure_flags(row: &TrialRow) -> impl Iterator<Item = &str> {
    let of_rest = [Flag::UnstableRest.word(), Flag::Countermovement.word(), Flag::LateArm.word()];
    row.flags.split(',').filter(move |flag| !flag.is_empty() && !of_rest.contains(flag))
}

/// The onsets of a hold and its counterpart differ by more than the finder says.
fn are_apart(hold: &Seen, other: &Seen) -> bool {
    // Unknown (NaN) says nothing, so it allows nothing more.
    let sd_s = hold.row.onset_sd_s.max(other.row.onset_sd_s);
    (other.onset_s - hold.onset_s).abs() > APART_S.max(APART_SD * sd_s)
}

/// Times agree within this, or both are unknown.
fn agree(a_s: f64, b_s: f64, within_s: f64) -> bool {
    (a_s - b_s).abs() <= within_s || (a_s.is_nan() && b_s.is_nan())
}

fn same_as_one_of<'a>(hold: &Seen, others: &[&'a Seen]) -> Result<&'a Seen, String> {
    let same_boot = others.iter().filter(|other| other.first.0 == hold.first.0);
    let nearest =
        same_boot.min_by(|a, b| (a.end_s - hold.end_s).abs().total_cmp(&(b.end_s - hold.end_s).abs()));
    let told = hold.told();
    let Some(other) = nearest else { return Err(format!("{told} has no counterpart")) };
    // A pull that was armed late is one with what went before it, so far as it is there.
    let late = [hold, *other].iter().any(|it| it.row.is_flagged(Flag::LateArm.word()));
    let same = (late || agree(hold.rise5_s, other.rise5_s, CROSSING_S))
        && agree(hold.end_s, other.end_s, CROSSING_S)
        && agree(hold.onset_s, other.onset_s, ONSET_S)
        && (other.peak_zero_n - hold.peak_zero_n).abs() <= PEAK_N
        && sure_flags(&other.row).eq(sure_flags(&hold.row));
    if same {
        return Ok(other);
    }
    Err(format!("{told} has as its nearest one that {}", other.told()))
}

/// Runs of a boot's samples without a gap, each within one segment and with a zero that is not changed in it.
struct Intact {
    boot_id: u32,
    interval_s: f64,
    runs: Vec<(u64, u64)>,
    /// Up to here every sample is there, from the boot's first one on.
    from_first: u64,
}

impl Intact {
    fn of(recovered: &Recovered, boot_id: u32, interval_s: f64) -> Intact {
        let Some(sensor) = recovered.survey.sensors.first() else {
            return Intact { boot_id, interval_s, runs: Vec::new(), from_first: 0 };
        };
        let zeros: Vec<u64> = sensor
            .tares
            .iter()
            .filter(|tare| tare.channel == 1)
            .map(|tare| tare.from_sample.unsigned_abs())
            .collect();
        let first_zero = zeros.iter().copied().min().unwrap_or(u64::MAX);
        let mut runs: Vec<(u64, u64)> = Vec::new();
        let (mut segment, mut from_first) = (u64::MAX, 0);
        for (block, _) in recovered.blocks.iter().filter(|(block, _)| block.sensor == 1) {
            let row = sensor.segments.get(block.placed.segment as usize);
            // Before a sensor whose name was lost has said it again, its samples have no force, and nothing is found in them.
            let has_force = block.force_n.iter().all(|force_n| !force_n.is_nan());
            if !has_force || row.is_none_or(|row| row.boot_id != i64::from(boot_id)) {
                continue;
            }
            if block.counter == from_first && row.is_some_and(|row| row.first_counter == 0) {
                from_first += block.samples;
            }
            if block.placed.position < first_zero {
                continue;
            }
            let new_zero = zeros.contains(&block.placed.position);
            match runs.last_mut() {
                Some((_, end)) if *end == block.counter && segment == block.placed.segment && !new_zero => {
                    *end += block.samples
                }
                _ => runs.push((block.counter, block.counter + block.samples)),
            }
            segment = block.placed.segment;
        }
        Intact { boot_id, interval_s, runs, from_first }
    }

    fn is_worth_a_look(&self) -> bool {
        self.runs.iter().any(|(from, to)| (to - from) as f64 * self.interval_s > BEFORE_S + AFTER_S)
    }

    /// The hold, some time after it and all before it.
    fn all_before(&self, hold: &Seen) -> bool {
        hold.first.0 == self.boot_id && hold.last.1 + (AFTER_S / self.interval_s) as u64 <= self.from_first
    }

    /// The hold and the time around it.
    fn around(&self, hold: &Seen) -> bool {
        let samples = |seconds: f64| (seconds / self.interval_s) as u64;
        let Some(from) = hold.first.1.checked_sub(samples(BEFORE_S)) else { return false };
        let to = hold.last.1 + samples(AFTER_S);
        hold.first.0 == self.boot_id && self.runs.iter().any(|(first, end)| *first <= from && to < *end)
    }
}
