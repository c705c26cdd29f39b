//! The invariants: what must hold after every visit, whatever went wrong.

use super::recovered::{self, Recovered, recover};
use super::run::{FOLDER, Run};
use super::script::{Crash, Script};
use super::truth::{Stream, Truth};
use super::{Figures, undisturbed};
use analysis::recording::layout::SegmentRow;
use daemon::core::Said;
use daemon::journal::{JournalError, Record, Stamped, read};
use daemon::pipeline::Block;
use daemon::seal::survey::SensorSurvey;
use firmware_protocol::frame::Accumulator;
use firmware_protocol::message::{DeviceMessage, HostMessage};
use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

/// A sample: its boot and its number in the stream.
pub type Place = (u32, u64);

/// The boot of samples that were streamed for somebody else before the visit. Where the start for us may be in a hole of the
/// journal, nobody can tell those from ours, and they are recorded; the first of ours begin a segment.
const FOR_OTHERS: u32 = 0;

/// Every recorded sample's place, by sensor (from 0) and position.
pub type Places = Vec<Vec<Place>>;

/// Checks a run.
///
/// # Errors
/// The first invariant that is broken.
pub fn check(script: &Script, run: &Run) -> Result<Figures, String> {
    everything_taken_was_appended(run)?;
    what_was_promised_is_there(run)?;
    if let Some(damage) = script.damage {
        recovered::damage(run, damage);
    }
    let truth = Truth::of_all(&run.truths);
    let produced = truth.streams.iter().map(|stream| truth.samples(stream)).sum();
    let cut_off = !run.finished;
    let Some(recovered) = recover(run)? else {
        nothing_was_promised(script, run)?;
        return Ok(Figures { produced, cut_off, nothing_left: true, ..Figures::default() });
    };
    let places = every_sample_is_a_true_one(&recovered, &truth)?;
    each_sensor_has_its_own(&recovered, run)?;
    what_the_journal_holds_is_recorded(&recovered, &places)?;
    nothing_is_missing_without_a_gap(&recovered, &places, &truth, &run.truths)?;
    times_increase(&recovered)?;
    sealing_again_gives_the_same(script, run, &recovered)?;
    what_was_shown_is_sealed(run, &recovered)?;
    let compared = undisturbed::compare(script, run, &recovered, &places)?;
    let sensors = &recovered.survey.sensors;
    Ok(Figures {
        produced,
        recorded: places.iter().map(|places| places.len() as u64).sum(),
        gaps: sensors.iter().map(|sensor| sensor.gaps.len() as u64).sum(),
        segments: sensors.iter().map(|sensor| sensor.segments.len() as u64).sum(),
        trials: recovered.survey.trials.len() as u64,
        compared: compared.holds,
        borderline: compared.borderline,
        apart: compared.apart,
        exact: compared.exact,
        cut_off,
        nothing_left: false,
    })
}

fn everything_taken_was_appended(run: &Run) -> Result<(), String> {
    let there = Recovered::bytes(&run.appended);
    let whole = if run.refused.is_some() { run.taken.starts_with(&there) } else { run.taken == there };
    if whole {
        return Ok(());
    }
    Err(format!(
        "{} bytes were taken from the port, the journal has {} of them",
        run.taken.len(),
        there.len()
    ))
}

fn what_was_promised_is_there(run: &Run) -> Result<(), String> {
    let numbered = run.appended.iter().zip(0..).all(|(stamped, number)| stamped.number == number);
    if !numbered || (run.appended.len() as u64) < run.appended_count {
        return Err(format!(
            "{} records were acknowledged, {} are there",
            run.appended_count,
            run.appended.len()
        ));
    }
    let promised = match run.crashed {
        Some(Crash::PowerLost) => run.synced_count,
        _ => run.appended_count,
    };
    if promised == 0 {
        return Ok(());
    }
    let (left, damage) = read::read_all(run.disk.shared(), Path::new(FOLDER))
        .map_err(|error: JournalError| error.to_string())?;
    let promised = promised as usize;
    let kept = left.get(..promised) == run.appended.get(..promised);
    let invented = left.iter().find(|stamped| run.appended.get(stamped.number as usize) != Some(stamped));
    match (kept, invented) {
        (true, None) => Ok(()),
        (false, _) => Err(format!("of {promised} promised records {} are left: {damage:?}", left.len())),
        (_, Some(other)) => Err(format!("record {} was never appended like this", other.number)),
    }
}

fn nothing_was_promised(script: &Script, run: &Run) -> Result<(), String> {
    let promised = if run.crashed == Some(Crash::PowerLost) { run.synced_count } else { run.appended_count };
    if promised > 0 && script.damage.is_none() {
        return Err(format!("{promised} records were promised, recovery finds none"));
    }
    Ok(())
}

/// The boot of a block.
fn boot_of(sensor: &SensorSurvey, block: &Block) -> Option<u32> {
    let segment = sensor.segments.get(usize::try_from(block.placed.segment).ok()?)?;
    u32::try_from(segment.boot_id).ok()
}

/// Every recorded sample has the value that the sensor sent, and none is there twice.
fn every_sample_is_a_true_one(recovered: &Recovered, truth: &Truth) -> Result<Places, String> {
    let by_boot = truth.by_boot();
    let mut places: Places = vec![Vec::new(); recovered.survey.sensors.len()];
    let mut seen = BTreeMap::<u32, u64>::new();
    for (block, _) in &recovered.blocks {
        let at = block.sensor - 1;
        let sensor = recovered.survey.sensors.get(at).ok_or("a block of an unknown sensor")?;
        let boot_id = boot_of(sensor, block).ok_or("a block without a segment")?;
        let from = block.counter as usize * truth.channels;
        let is_of =
            |stream: &Stream| stream.counts.get(from..from + block.counts.len()) == Some(&block.counts[..]);
        let others = truth.streams.iter().take(truth.for_others).filter(|stream| stream.boot_id == boot_id);
        let ours = by_boot.get(&boot_id);
        let boot_id = match ours {
            Some(stream) if is_of(stream) => boot_id,
            _ if recovered.has_holes() && others.into_iter().any(is_of) => FOR_OTHERS,
            Some(_) => {
                return Err(format!("samples {} of boot {boot_id:#x} have other values", block.counter));
            }
            None => return Err(format!("a block of boot {boot_id:#x}, which sent nothing")),
        };
        let next = seen.entry(boot_id).or_default();
        if block.counter < *next {
            return Err(format!("sample {} of boot {boot_id:#x} is there twice", block.counter));
        }
        *next = block.counter + block.samples;
        let position = places[at].len() as u64;
        if block.placed.position != position {
            return Err(format!("a block at position {} stands at {position}", block.placed.position));
        }
        places[at].extend((block.counter..*next).map(|counter| (boot_id, counter)));
    }
    Ok(places)
}

/// No sensor of the recording has samples of two boards.
fn each_sensor_has_its_own(recovered: &Recovered, run: &Run) -> Result<(), String> {
    for (number, sensor) in (1..).zip(&recovered.survey.sensors) {
        let boards = sensor.segments.iter().map(|segment| {
            let sent =
                |truth: &Truth| truth.streams.iter().any(|it| i64::from(it.boot_id) == segment.boot_id);
            run.truths.iter().position(sent)
        });
        let boards: BTreeSet<Option<usize>> = boards.collect();
        if boards.len() > 1 {
            return Err(format!("sensor {number} has samples of boards {boards:?}"));
        }
    }
    Ok(())
}

/// Samples in whole frames of the journal, decoded without the daemon's pipeline, from the first start on.
fn samples_in(records: &[Stamped]) -> BTreeSet<Place> {
    let mut found = BTreeSet::new();
    let mut ports = [(); 2].map(|()| (Accumulator::new(), false));
    let mut next_number = 0;
    for stamped in records {
        if stamped.number != next_number {
            ports.iter_mut().for_each(|(accumulator, _)| accumulator.reset());
        }
        next_number = stamped.number + 1;
        match &stamped.record {
            Record::Opened { port, .. } | Record::Closed { port, .. } => ports[usize::from(*port)].0.reset(),
            Record::Sent { port, bytes } => {
                let (mut ears, mut rest) = (Accumulator::new(), bytes.as_slice());
                let heard = ears.push(&mut rest).and_then(Result::ok).map(HostMessage::decode);
                ports[usize::from(*port)].1 |= matches!(heard, Some(Ok(HostMessage::Start)));
            }
            Record::Bytes { port, bytes } => {
                let (accumulator, started) = &mut ports[usize::from(*port)];
                let mut rest = bytes.as_slice();
                while let Some(frame) = accumulator.push(&mut rest) {
                    let Ok(Ok(DeviceMessage::Samples(samples))) = frame.map(DeviceMessage::decode) else {
                        continue;
                    };
                    if *started {
                        let counters = samples.first_sample..samples.next_sample();
                        found.extend(counters.map(|counter| (samples.boot_id, counter)));
                    }
                }
            }
            _ => {}
        }
    }
    found
}

/// Whatever can be read in the journal's bytes is in the recording, and nothing else.
fn what_the_journal_holds_is_recorded(recovered: &Recovered, places: &Places) -> Result<(), String> {
    let recorded: BTreeSet<Place> = places.iter().flatten().copied().collect();
    let mut held = samples_in(&recovered.records);
    if recovered.has_holes() {
        // The start itself may be lost: then more is recorded than this decoder believes.
        held.extend(&recorded);
    }
    match (held.difference(&recorded).next(), recorded.difference(&held).next()) {
        (Some((boot_id, counter)), _) => {
            Err(format!("sample {counter} of boot {boot_id:#x} is in the journal and not in the recording"))
        }
        (_, Some((boot_id, counter))) if !recovered.has_holes() => {
            Err(format!("sample {counter} of boot {boot_id:#x} is recorded and not in the journal"))
        }
        _ => Ok(()),
    }
}

/// Every sample that the sensor sent is recorded or in a gap, and no gap covers what is recorded.
fn nothing_is_missing_without_a_gap(
    recovered: &Recovered,
    places: &Places,
    truth: &Truth,
    by_port: &[Truth],
) -> Result<(), String> {
    let by_boot = truth.by_boot();
    let mut accounts: BTreeMap<u32, Account> =
        by_boot.iter().map(|(boot, stream)| (*boot, Account::new(truth, stream))).collect();
    for (boot_id, counter) in places.iter().flatten().filter(|(boot_id, _)| *boot_id != FOR_OTHERS) {
        accounts.get_mut(boot_id).ok_or("an unknown boot")?.recorded(*counter)?;
    }
    // Sensors of which samples are missing, and nobody knows how many.
    let mut nobody_knows = BTreeSet::new();
    for (number, (sensor, places)) in recovered.survey.sensors.iter().zip(places).enumerate() {
        let for_others = |segment: &SegmentRow| {
            let first = places.get(segment.first_sample.unsigned_abs() as usize);
            first.is_some_and(|(boot_id, _)| *boot_id == FOR_OTHERS)
        };
        for gap in &sensor.gaps {
            if gap.missing < 0 {
                nobody_knows.insert(number);
            }
            let Some(segment) = sensor.segments.get(gap.segment as usize) else { continue };
            if for_others(segment) {
                continue;
            }
            let index = (gap.start_s + sensor.identity.group_delay_s) / (segment.interval_ns as f64 * 1e-9);
            let index = libm::round(index) as i64;
            if gap.missing < 0 && index < 0 {
                continue; // of streams before this one, of which nothing came
            }
            let counter = segment.first_counter + index;
            let boot_id = u32::try_from(segment.boot_id).map_err(|error| error.to_string())?;
            accounts.get_mut(&boot_id).ok_or("a gap of an unknown boot")?.gap(
                counter,
                gap.missing,
                &gap.reason,
            )?;
        }
    }
    let excused = |boot_id: u32| {
        let sent = |truth: &Truth| truth.streams.iter().any(|stream| stream.boot_id == boot_id);
        let Some(port) = by_port.iter().position(sent) else { return false };
        // Of a sensor that the journal never names nobody knows anything.
        let sensor = recovered.survey.sensors.get(port);
        let never_named =
            sensor.is_none_or(|sensor| sensor.identity.serial.is_empty() && sensor.samples == 0);
        never_named || nobody_knows.contains(&port)
    };
    for (boot_id, account) in accounts {
        account.close(boot_id, excused(boot_id))?;
    }
    Ok(())
}

/// What became of each sample of a stream.
struct Account {
    samples: Vec<Fate>,
    seen: bool,
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Fate {
    Unknown,
    Recorded,
    Missing,
}

impl Account {
    fn new(truth: &Truth, stream: &Stream) -> Account {
        Account { samples: vec![Fate::Unknown; truth.samples(stream) as usize], seen: false }
    }

    fn recorded(&mut self, counter: u64) -> Result<(), String> {
        self.seen = true;
        let fate = self.samples.get_mut(counter as usize).ok_or("a sample that was never sent")?;
        *fate = Fate::Recorded;
        Ok(())
    }

    fn gap(&mut self, counter: i64, missing: i64, reason: &str) -> Result<(), String> {
        self.seen = true;
        let from =
            usize::try_from(counter).map_err(|_| format!("a gap ({reason}) before the first sample"))?;
        if missing < 0 {
            // Up to what came next, whose number the sensor said.
            let rest = self.samples.iter_mut().skip(from).take_while(|fate| **fate != Fate::Recorded);
            rest.for_each(|fate| *fate = Fate::Missing);
            return Ok(());
        }
        let gap = self.samples.get_mut(from..from + missing as usize);
        let gap =
            gap.ok_or_else(|| format!("a gap ({reason}) of {missing} from {counter}, beyond what was sent"))?;
        if let Some(at) = gap.iter().position(|fate| *fate != Fate::Unknown) {
            return Err(format!("a gap ({reason}) of {missing} from {counter} covers sample {}", from + at));
        }
        gap.fill(Fate::Missing);
        Ok(())
    }

    fn close(&self, boot_id: u32, nobody_knows: bool) -> Result<(), String> {
        let silent = self.samples.iter().filter(|fate| **fate == Fate::Unknown).count();
        // A boot of which nothing came can only be in a gap of unknown length.
        if silent == 0 || (!self.seen && nobody_knows) {
            return Ok(());
        }
        let first = self.samples.iter().position(|fate| *fate == Fate::Unknown).unwrap_or_default();
        Err(format!(
            "{silent} of {} samples of boot {boot_id:#x}, from {first}, are neither recorded nor in a gap",
            self.samples.len()
        ))
    }
}

fn times_increase(recovered: &Recovered) -> Result<(), String> {
    let mut latest = vec![(f64::NEG_INFINITY, 0, f64::NEG_INFINITY); recovered.survey.sensors.len()];
    for (block, time_s) in &recovered.blocks {
        let (host_s, segment, device_s) = &mut latest[block.sensor - 1];
        if *segment != block.placed.segment {
            (*segment, *device_s) = (block.placed.segment, f64::NEG_INFINITY);
        }
        for (time_s, device_time_s) in time_s.iter().zip(&block.device_time_s) {
            if !(time_s > host_s && device_time_s > device_s && time_s.is_finite()) {
                return Err(format!(
                    "time does not increase at position {}: {host_s} s, {time_s} s",
                    block.placed.position
                ));
            }
            (*host_s, *device_s) = (*time_s, *device_time_s);
        }
        // Nothing is taken before it arrives; two clocks' maps meet within this.
        let arrived_s = block.arrival_ns as f64 * 1e-9;
        let base_s = recovered.survey.anchor.as_ref().map_or(0.0, |anchor| anchor.monotonic_ns as f64 * 1e-9);
        if time_s.last().is_some_and(|last_s| last_s + base_s > arrived_s + 0.02) {
            return Err(format!(
                "position {} is {:?} s, after it arrived at {:.3} s",
                block.placed.position,
                time_s.last(),
                arrived_s - base_s
            ));
        }
    }
    Ok(())
}

fn sealing_again_gives_the_same(script: &Script, run: &Run, recovered: &Recovered) -> Result<(), String> {
    // It takes as long as the rest of the checks together.
    if !script.seed.is_multiple_of(4) {
        return Ok(());
    }
    let (survey, _, blocks) = recovered::seal(&run.disk)?;
    let text = |survey: &_, blocks: &_| format!("{survey:?} {blocks:?}");
    if text(&survey, &blocks) != text(&recovered.survey, &recovered.blocks) {
        return Err("sealing again gives something else".to_owned());
    }
    Ok(())
}

/// The rows of trials that the examiner saw are those of the recording, and their holds are the same.
fn what_was_shown_is_sealed(run: &Run, recovered: &Recovered) -> Result<(), String> {
    if recovered.has_holes() {
        return Ok(());
    }
    let differs =
        recovered.survey.events.iter().find(|event| event.kind == "hold differs from what was shown");
    if let Some(event) = differs {
        return Err(format!("a hold differs from what was shown: {}", event.detail));
    }
    let shown = run.said.iter().filter_map(|said| match said {
        Said::Trial(row) => Some(format!("{row:?}")),
        _ => None,
    });
    // A journal that lost its end to the power may hold fewer, and closes what was open.
    let (shown, sealed): (Vec<_>, Vec<_>) =
        (shown.collect(), recovered.survey.trials.iter().map(|row| format!("{row:?}")).collect());
    let whole = recovered.records.len() >= run.appended_count as usize;
    let different = shown.iter().zip(&sealed).position(|(shown, sealed)| shown != sealed);
    if whole && (different.is_some() || sealed.len() < shown.len()) {
        return Err(format!(
            "{} trials were shown, {} are sealed; {different:?} differs",
            shown.len(),
            sealed.len()
        ));
    }
    Ok(())
}
