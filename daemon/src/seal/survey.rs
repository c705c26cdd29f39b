//! The first pass over a journal: everything but the samples.
//!
//! Comes in: the journal's records. Goes out: a [`Survey`]: who, which sensors, frames, segments with their clock maps,
//! gaps, zeros, trials, events, and how many samples there are.

use super::clock_map::{Arrival, ClockMap, Exchange};
use crate::core::{Begun, Core, Said, Shown};
use crate::journal::record::Anchor;
use crate::journal::{Record, Stamped};
use crate::pipeline::device_time::{Began, Gap};
use crate::pipeline::setting::{Setting, Tare};
use crate::pipeline::{Block, LinkState, Output, SensorIdentity};
use crate::visit::plan::Plan;
use analysis::recording::layout::{
    ACTION, CALIBRATION, CLOCKS, EventRow, FINISHED, FrameRow, GapRow, ObservationRow, PORT_CLOSED,
    PORT_OPENED, PROPERTIES, SEGMENT_BEGAN, SegmentRow, TareRow, TrialRow,
};
use analysis::sensor::certificate::Certificate;
use std::collections::VecDeque;
use std::sync::Arc;

/// What a journal holds beside the samples.
#[derive(Debug, Default)]
pub struct Survey {
    /// The first record; `None` where it is lost.
    pub begun: Option<Begun>,
    /// The first clock anchor.
    pub anchor: Option<Anchor>,
    /// Sensors, in order.
    pub sensors: Vec<SensorSurvey>,
    /// Rows of `/trials`.
    pub trials: Vec<TrialRow>,
    /// Rows of `/observations`.
    pub observations: Vec<ObservationRow>,
    /// Rows of `/events`.
    pub events: Vec<EventRow>,
    /// The recording was finished properly, and why.
    pub finished: Option<String>,
    /// By port: the sensor on it.
    ports: Vec<Option<usize>>,
    latest: Anchor,
    shown: VecDeque<String>,
}

/// One sensor.
#[derive(Debug)]
pub struct SensorSurvey {
    /// Who it is.
    pub identity: SensorIdentity,
    /// The calibrations in force, at most one a channel.
    pub calibrations: Vec<Arc<Certificate>>,
    /// Samples in all.
    pub samples: u64,
    /// Rows of `frames`.
    pub frames: Vec<FrameRow>,
    /// Rows of `segments`.
    pub segments: Vec<SegmentRow>,
    /// Clock map of each segment.
    pub maps: Vec<ClockMap>,
    /// Rows of `gaps`.
    pub gaps: Vec<GapRow>,
    /// Rows of `tares`.
    pub tares: Vec<TareRow>,
    arrivals: Vec<Arrival>,
    exchanges: Vec<Exchange>,
    /// The open segment has the anchor that was written when it began; until then it has the one before.
    anchored: bool,
}

/// Collects the survey, a record at a time.
#[derive(Default)]
pub struct Surveyor {
    core: Option<Core>,
    said: Vec<Said>,
    survey: Survey,
    next_number: u64,
}

impl Surveyor {
    /// Takes one record.
    pub fn step(&mut self, stamped: &Stamped) {
        if let Record::Begun(text) = &stamped.record
            && self.survey.begun.is_none()
        {
            self.survey.begun = serde_json::from_str(text).ok();
        }
        if stamped.number > self.next_number {
            let lost = format!("{{\"first\":{},\"last\":{}}}", self.next_number, stamped.number - 1);
            let place = self.survey.here();
            self.survey.event(stamped.monotonic_ns, place, "records lost", lost);
        }
        self.next_number = self.next_number.max(stamped.number.saturating_add(1));
        let core = self.core.get_or_insert_with(|| {
            let plan = self.survey.begun.as_ref().and_then(|begun| Plan::parse(&begun.plan).ok());
            Core::new(plan)
        });
        let mut said = std::mem::take(&mut self.said);
        core.step(stamped, &mut said);
        self.survey.note(stamped);
        for said in said.drain(..) {
            self.survey.hear(said, stamped);
        }
        self.said = said;
    }

    /// The whole survey, and the wire's faults.
    pub fn finish(mut self, last: Option<&Stamped>) -> Survey {
        // A journal that a crash cut off ends here: what is open is closed, as an end would have.
        if let (Some(core), None, Some(last)) = (&mut self.core, &self.survey.finished, last) {
            let end = Stamped { record: Record::Finished("cut off".to_owned()), ..*last_place(last) };
            core.step(&end, &mut self.said);
            for said in self.said.drain(..) {
                self.survey.hear(said, &end);
            }
        }
        let faults = self.core.as_ref().map(Core::faults).unwrap_or_default();
        let detail = serde_json::to_string(&faults).unwrap_or_default();
        let at = last.map_or(0, |last| last.monotonic_ns);
        self.survey.event(at, None, "wire faults", detail);
        for sensor in &mut self.survey.sensors {
            sensor.close_segment();
        }
        self.survey
    }
}

fn last_place(last: &Stamped) -> Box<Stamped> {
    Box::new(Stamped { number: last.number + 1, monotonic_ns: last.monotonic_ns, record: Record::Tick })
}

impl Survey {
    /// Sensor number and position at which something of the journal takes effect.
    fn here(&self) -> Option<(usize, u64)> {
        self.sensors.first().map(|sensor| (1, sensor.samples))
    }

    /// The same for something of a port: among several, at its own sensor.
    fn at_port(&self, port: u8) -> Option<(usize, u64)> {
        if self.ports.len() < 2 {
            return self.here();
        }
        let sensor = self.ports.get(usize::from(port)).copied().flatten()?;
        Some((sensor, self.sensors.get(sensor.checked_sub(1)?)?.samples))
    }

    fn port_mut(&mut self, port: u8) -> &mut Option<usize> {
        let at = usize::from(port);
        self.ports.resize(self.ports.len().max(at + 1), None);
        &mut self.ports[at]
    }

    /// Civil time by the latest anchor, ns.
    fn utc_ns(&self, monotonic_ns: u64) -> i64 {
        let since_ns = as_i64(monotonic_ns).saturating_sub(as_i64(self.latest.monotonic_ns));
        self.latest.utc_ns.saturating_add(since_ns)
    }

    fn event(&mut self, monotonic_ns: u64, place: Option<(usize, u64)>, kind: &str, detail: String) {
        self.events.push(EventRow {
            monotonic_ns: as_i64(monotonic_ns),
            sensor: place.map_or(-1, |(sensor, _)| sensor as i64),
            sample: place.map_or(-1, |(_, sample)| as_i64(sample)),
            kind: kind.to_owned(),
            detail,
        });
    }

    /// Every record but the bytes and the ticks is an event.
    fn note(&mut self, stamped: &Stamped) {
        let mut of_port = None;
        if let Record::Sent { port, .. }
        | Record::Opened { port, .. }
        | Record::Closed { port, .. }
        | Record::Dropped { port, .. } = &stamped.record
        {
            self.port_mut(*port);
            of_port = Some(*port);
        }
        let (kind, detail) = match &stamped.record {
            Record::Bytes { .. } | Record::Tick | Record::Parameters(_) => return,
            Record::Sent { bytes, .. } => ("sent", hex(bytes)),
            Record::Begun(text) => ("begun", text.clone()),
            Record::Anchor(anchor) => {
                self.latest = anchor.clone();
                self.anchor.get_or_insert_with(|| anchor.clone());
                self.anchor_segments(anchor);
                let detail = format!(
                    "{{\"boottime_ns\":{},\"utc_ns\":{},\"host_boot_id\":{:?}}}",
                    anchor.boottime_ns, anchor.utc_ns, anchor.host_boot_id
                );
                (CLOCKS, detail)
            }
            Record::Opened { detail, .. } => (PORT_OPENED, detail.clone()),
            Record::Closed { reason, .. } => (PORT_CLOSED, reason.clone()),
            Record::Dropped { bytes, .. } => ("bytes dropped by the host", bytes.to_string()),
            Record::Action(text) => (ACTION, text.clone()),
            Record::Shown(text) => {
                self.compare(stamped.monotonic_ns, text);
                ("hold shown", text.clone())
            }
            Record::Finished(reason) => {
                self.finished = Some(reason.clone());
                (FINISHED, reason.clone())
            }
        };
        let place = of_port.map_or_else(|| self.here(), |port| self.at_port(port));
        self.event(stamped.monotonic_ns, place, kind, detail);
    }

    /// A hold recomputed now must be the one that was shown then. One whose record the disk refused comes without it.
    fn compare(&mut self, monotonic_ns: u64, shown: &str) {
        let read = |text: &str| serde_json::from_str::<Shown>(text).ok();
        let (then, place) = (read(shown), self.here());
        let Some(at) = self.shown.iter().position(|now| read(now) == then) else {
            let recomputed = self.shown.pop_front().unwrap_or_default();
            return self.event(monotonic_ns, place, "hold differs from what was shown", recomputed);
        };
        let unwritten: Vec<String> = self.shown.drain(..=at).take(at).collect();
        for hold in unwritten {
            self.event(monotonic_ns, place, "hold shown was not written down", hold);
        }
    }

    fn anchor_segments(&mut self, anchor: &Anchor) {
        for sensor in self.sensors.iter_mut().filter(|sensor| !sensor.anchored) {
            sensor.anchored = true;
            if let Some(segment) = sensor.segments.last_mut() {
                segment.anchor(anchor);
            }
        }
    }

    fn hear(&mut self, said: Said, stamped: &Stamped) {
        match said {
            Said::Journal(Record::Shown(text)) => self.shown.push_back(text),
            Said::Trial(row) => self.trials.push(*row),
            Said::Amended(row) => {
                if let Some(old) = self.trials.iter_mut().find(|old| old.order == row.order) {
                    *old = *row;
                }
            }
            Said::Observed(seen) => self.observations.push(ObservationRow {
                item: seen.item.map_or(-1, |item| item as i64),
                kind: seen.kind,
                value: seen.value,
                scale: seen.scale,
                entered_utc: crate::clock::rfc3339(self.utc_ns(stamped.monotonic_ns)),
                by: self.begun.as_ref().map(|begun| begun.examiner.clone()).unwrap_or_default(),
            }),
            Said::Pipeline(output) => self.output(output, stamped),
            _ => {}
        }
    }

    fn sensor(&mut self, number: usize) -> Option<&mut SensorSurvey> {
        self.sensors.get_mut(number.checked_sub(1)?)
    }

    fn output(&mut self, output: Output, stamped: &Stamped) {
        match output {
            Output::Identified { port, sensor: number, identity } => {
                *self.port_mut(port) = Some(number);
                self.identified(number, identity);
            }
            Output::Began(number, began) => {
                let latest = self.latest.clone();
                if let Some(sensor) = self.sensor(number) {
                    sensor.begin(&began, &latest);
                }
                self.event(
                    stamped.monotonic_ns,
                    Some((number, began.position)),
                    SEGMENT_BEGAN,
                    began.reason.into(),
                );
            }
            Output::Block(block) => {
                if let Some(sensor) = self.sensor(block.sensor) {
                    sensor.block(&block);
                }
            }
            Output::Gap(number, gap) => {
                if let Some(sensor) = self.sensor(number) {
                    sensor.gap(&gap);
                }
            }
            Output::Calibrated(number, certificate) => {
                let position = self.sensor(number).map_or(0, |sensor| sensor.samples);
                let detail = serde_json::to_string(&*certificate).unwrap_or_default();
                self.event(stamped.monotonic_ns, Some((number, position)), CALIBRATION, detail);
                if let Some(sensor) = self.sensor(number) {
                    sensor.calibrations.retain(|other| other.channel != certificate.channel);
                    sensor.calibrations.push(certificate);
                }
            }
            Output::Properties(of) => {
                let detail = serde_json::to_string(&*of).unwrap_or_default();
                self.event(stamped.monotonic_ns, None, PROPERTIES, detail);
            }
            Output::Set(setting, position) => self.set(&setting, position, stamped),
            Output::Pong { sensor, sent_ns, arrived_ns, device_time_us, boot_id } => {
                if let Some(sensor) = self.sensor(sensor) {
                    sensor.pong(sent_ns, arrived_ns, device_time_us, boot_id);
                }
            }
            Output::Condition(sensor, condition) => {
                let detail = format!(
                    "{{\"supply_mv\":{},\"temperature_centikelvin\":{},\"next_sample\":{}}}",
                    optional(condition.supply_mv),
                    optional(condition.temperature_centikelvin),
                    condition.next_sample
                );
                let position = self.sensor(sensor).map_or(0, |sensor| sensor.samples);
                self.event(stamped.monotonic_ns, Some((sensor, position)), "condition", detail);
            }
            Output::Link(_, LinkState::Closed(_)) => {}
            Output::Link(port, state) => {
                let place = self.at_port(port);
                self.event(stamped.monotonic_ns, place, "link", format!("{state:?}"));
            }
            _ => {}
        }
    }

    fn identified(&mut self, number: usize, identity: SensorIdentity) {
        // A sensor before it that never said who it is has its place all the same.
        while self.sensors.len() + 1 < number {
            self.sensors.push(SensorSurvey::new(SensorIdentity::unknown()));
        }
        match self.sensor(number) {
            // Until now only its samples were known, or not even they.
            Some(sensor) => sensor.identity = identity,
            None => self.sensors.push(SensorSurvey::new(identity)),
        }
    }

    fn set(&mut self, setting: &Setting, position: u64, stamped: &Stamped) {
        let (kind, number) = match setting {
            Setting::Tare(tare) => {
                if let Some(sensor) = self.sensor(tare.sensor) {
                    sensor.tare(tare, position);
                }
                ("tare", tare.sensor)
            }
            Setting::Finder { sensor, .. } => ("parameters", *sensor),
            Setting::Calibration(_) | Setting::Properties(_) => return, // told when it comes into force
        };
        let detail = serde_json::to_string(setting).unwrap_or_default();
        self.event(stamped.monotonic_ns, Some((number, position)), kind, detail);
    }
}

impl SensorSurvey {
    fn new(identity: SensorIdentity) -> Self {
        SensorSurvey {
            identity,
            calibrations: Vec::new(),
            samples: 0,
            frames: Vec::new(),
            segments: Vec::new(),
            maps: Vec::new(),
            gaps: Vec::new(),
            tares: Vec::new(),
            arrivals: Vec::new(),
            exchanges: Vec::new(),
            anchored: true,
        }
    }

    fn interval_s(&self) -> f64 {
        self.segments.last().map_or(0.0, |segment| segment.interval_ns as f64 * 1e-9)
    }

    fn begin(&mut self, began: &Began, latest: &Anchor) {
        self.close_segment();
        let mut segment = SegmentRow {
            first_sample: as_i64(began.position),
            samples: 0,
            first_counter: as_i64(began.counter),
            device_start_us: as_i64(began.device_start_us),
            boot_id: i64::from(began.boot_id),
            interval_ns: i64::from(began.interval_ns),
            interval_measured_ns: f64::NAN,
            reason: began.reason.to_owned(),
            start_s: f64::NAN,
            rate: 1.0,
            bound_s: f64::NAN,
            utc_ns: 0,
            monotonic_ns: 0,
            boottime_ns: 0,
            host_boot_id: String::new(),
        };
        segment.anchor(latest);
        self.segments.push(segment);
        self.anchored = false;
    }

    fn block(&mut self, block: &Block) {
        let Some(segment) = self.segments.last_mut() else { return };
        segment.samples += as_i64(block.samples);
        let elapsed = block.counter.saturating_sub(segment.first_counter.unsigned_abs());
        if elapsed > 0 {
            let device_us = block.device_time_us.saturating_sub(segment.device_start_us.unsigned_abs());
            segment.interval_measured_ns = device_us as f64 * 1e3 / elapsed as f64;
        }
        self.samples += block.samples;
        let index_of_last = block.placed.index + block.samples.saturating_sub(1);
        let device_s = index_of_last as f64 * self.interval_s();
        self.arrivals.push(Arrival { device_s, host_s: block.arrival_ns as f64 * 1e-9 });
        self.frames.push(FrameRow {
            segment: as_i64(block.placed.segment),
            sequence: i64::from(block.sequence),
            counter: as_i64(block.counter),
            first_sample: as_i64(block.placed.position),
            samples: as_i64(block.samples),
            device_time_us: as_i64(block.device_time_us),
            arrival_ns: as_i64(block.arrival_ns),
            status: block.status,
        });
    }

    fn gap(&mut self, gap: &Gap) {
        let delay_s = self.identity.group_delay_s;
        self.gaps.push(GapRow {
            segment: as_i64(gap.segment),
            after_sample: gap.after.map_or(-1, as_i64),
            missing: gap.missing.map_or(-1, as_i64),
            start_s: gap.index as f64 * self.interval_s() - delay_s,
            reason: gap.reason.to_owned(),
        });
    }

    fn tare(&mut self, tare: &Tare, position: u64) {
        self.tares.push(TareRow {
            channel: tare.channel as i64,
            first_sample: as_i64(tare.first_sample),
            samples: as_i64(tare.samples),
            from_sample: as_i64(position),
            zero_counts: tare.zero_counts,
            sd_n: tare.sd_n,
            slope_n_per_s: tare.slope_n_per_s,
            orientation: tare.orientation.clone(),
        });
    }

    fn pong(&mut self, sent_ns: u64, arrived_ns: u64, device_time_us: u64, boot_id: u32) {
        let Some(segment) = self.segments.last().filter(|segment| segment.boot_id == i64::from(boot_id))
        else {
            return;
        };
        let device_us = device_time_us as f64 - segment.device_start_us as f64;
        self.exchanges.push(Exchange {
            device_s: device_us * 1e-6,
            sent_s: sent_ns as f64 * 1e-9,
            arrived_s: arrived_ns as f64 * 1e-9,
        });
    }

    fn close_segment(&mut self) {
        if self.maps.len() >= self.segments.len() {
            return;
        }
        self.maps.push(ClockMap::fit(&self.arrivals, &self.exchanges));
        self.arrivals.clear();
        self.exchanges.clear();
    }
}

/// Anchors as a segment's columns.
trait Anchored {
    fn anchor(&mut self, anchor: &Anchor);
}

impl Anchored for SegmentRow {
    fn anchor(&mut self, anchor: &Anchor) {
        self.utc_ns = anchor.utc_ns;
        self.monotonic_ns = as_i64(anchor.monotonic_ns);
        self.boottime_ns = as_i64(anchor.boottime_ns);
        self.host_boot_id.clone_from(&anchor.host_boot_id);
    }
}

fn as_i64(value: u64) -> i64 {
    i64::try_from(value).unwrap_or(i64::MAX)
}

fn optional(value: Option<u16>) -> String {
    value.map_or("null".to_owned(), |value| value.to_string())
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}
