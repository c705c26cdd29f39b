//! What happens in a visit: who pulls how, and what goes wrong. All of it is drawn from the seed before anything happens,
//! so that it can be read, and changed by hand to find which of the faults it takes.

use super::cable;
use super::disguise::Past;
use daemon::journal::simulated_disk::Fail;
use daemon::simulate::effort::{Effort, Kind};
use daemon::simulate::faults::Faults;
use daemon::simulate::hand;
use daemon::simulate::random::Random;
use std::fmt;

/// How the recording program ends when it is cut off.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Crash {
    /// The process dies: what was appended stays.
    Killed,
    /// The power goes: what was synced stays.
    PowerLost,
}

/// What happens to the journal while nobody looks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Damage {
    /// A segment goes missing: which one, as 1/256 of their number.
    Missing(u8),
    /// A segment is cut: which one, and where, as 1/65536 of its length.
    Cut(u8, u16),
    /// A byte changes: in which segment, where, and to what.
    Changed(u8, u16, u8),
}

/// What the disk does.
#[derive(Debug, Clone, PartialEq)]
pub struct DiskFaults {
    /// Bytes of a segment.
    pub segment_bytes: u64,
    /// Time between syncs, s.
    pub sync_s: f64,
    /// Writes take part of what they are given.
    pub short_writes: bool,
    /// Calls fail, counted from this time (s) on.
    pub fails: Option<(f64, Fail)>,
    /// What the disk holds.
    pub capacity_bytes: Option<u64>,
    /// Kept free for sealing.
    pub reserve_bytes: u64,
}

/// What the host's computer does.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct HostFaults {
    /// From when (s) and for how long (s) it does nothing but read ports.
    pub stalls: Option<(f64, f64)>,
    /// What the hand-over holds, bytes.
    pub handover_bytes: usize,
    /// When (s) and how long (s) it is suspended.
    pub sleeps: Option<(f64, f64)>,
    /// When (s) and by how much (s) civil time is stepped.
    pub civil_step: Option<(f64, f64)>,
    /// When (s) it is cut off, and how.
    pub crash: Option<(f64, Crash)>,
}

/// What happens to a second sensor beside the first.
#[derive(Debug, Clone, PartialEq)]
pub struct Second {
    /// What happens to board and frames.
    pub board: Faults,
    /// What happens on the cable.
    pub cable: cable::Faults,
}

/// A visit.
#[derive(Debug, Clone, PartialEq)]
pub struct Script {
    /// Everything random is drawn from it.
    pub seed: u64,
    /// Time between samples, ns.
    pub interval_ns: u32,
    /// Channels.
    pub channels: u8,
    /// The board buffers this much, bytes.
    pub buffer_bytes: usize,
    /// What the hand does.
    pub hand: hand::Script,
    /// By a plan, or free.
    pub planned: bool,
    /// The visit is stopped after this long, s.
    pub lasts_s: f64,
    /// The board was streaming already, for somebody who is gone.
    pub was_streaming: bool,
    /// What happens to board and frames.
    pub board: Faults,
    /// When another sensor that came instead is accepted, s.
    pub accepted_s: Option<f64>,
    /// What the board's counters look like.
    pub past: Past,
    /// What happens on the cable.
    pub cable: cable::Faults,
    /// Another sensor of the same kind is recorded, too; its hand does the same in its own way.
    pub second: Option<Second>,
    /// What the host does.
    pub host: HostFaults,
    /// What the disk does.
    pub disk: DiskFaults,
    /// What happens to the journal afterwards.
    pub damage: Option<Damage>,
}

impl Script {
    /// The visit of a seed. Most visits have two or three kinds of faults; one in thirty has none.
    pub fn draw(seed: u64) -> Script {
        let mut random = Random::fork(seed, 100);
        let mut script = Script::calm(seed);
        if random.chance(0.03) {
            return script;
        }
        script.was_streaming = random.chance(0.05);
        script.board = board(&mut random, script.lasts_s);
        script.accepted_s = random.chance(0.5).then(|| random.between(4.0, script.lasts_s));
        script.past = past(&mut random, script.lasts_s);
        script.cable = on_cable(&mut random);
        script.host = host(&mut random, script.lasts_s);
        script.disk = disk(&mut random, script.lasts_s);
        // Where the journal has a hole nobody can tell a stream for somebody else from one that was asked for.
        script.damage = random.chance(0.1).then(|| damage(&mut random)).filter(|_| !script.was_streaming);
        if random.chance(0.05) {
            script.buffer_bytes = 4_200;
        }
        // Drawn apart, so that the first sensor's visit is the same with and without it.
        let mut random = Random::fork(seed, 103);
        script.second = random.chance(0.25).then(|| Second {
            board: Faults { returns_as: None, ..board(&mut random, script.lasts_s) },
            cable: on_cable(&mut random),
        });
        script
    }

    /// The same hand on a sensor, a port, a host and a disk without faults.
    pub fn calm(seed: u64) -> Script {
        let mut random = Random::fork(seed, 99);
        let hand = hand_script(&mut random);
        let efforts = hand.efforts.len() as f64;
        Script {
            seed,
            interval_ns: [1_000_000, 2_000_000, 5_000_000, 12_500_000][random.below(4)],
            channels: if random.chance(0.1) { 2 } else { 1 },
            buffer_bytes: 32 * 1024,
            planned: random.chance(0.5),
            lasts_s: hand.lead_s + efforts * hand.period_s + random.between(0.5, 2.0),
            hand,
            was_streaming: false,
            board: Faults::default(),
            accepted_s: None,
            past: Past::default(),
            cable: cable::Faults::default(),
            second: None,
            host: HostFaults { handover_bytes: 16 << 20, ..HostFaults::default() },
            disk: DiskFaults {
                segment_bytes: 64 << 20,
                sync_s: 0.25,
                short_writes: false,
                fails: None,
                capacity_bytes: None,
                reserve_bytes: 0,
            },
            damage: None,
        }
    }
}

fn hand_script(random: &mut Random) -> hand::Script {
    let kinds = [Kind::Make, Kind::Explosive, Kind::Break];
    let efforts = (0..1 + random.below(3)).map(|_| {
        let (kind, peak_n, hold_s) =
            (kinds[random.below(3)], random.between(4.0, 60.0), random.between(0.6, 1.6));
        Effort { kind, peak_n, hold_s: if kind == Kind::Break { 0.3 } else { hold_s } }
    });
    hand::Script {
        efforts: efforts.collect(),
        lead_s: random.between(2.5, 4.0),
        // The longest pull that gives way takes 6 s.
        period_s: random.between(6.2, 6.8),
        contact_n: if random.chance(0.2) { random.between(0.5, 2.0) } else { 0.0 },
        variation: 0.03,
        unsteadiness: if random.chance(0.3) { 1.0 } else { 0.0 },
        repeat: false,
    }
}

fn board(random: &mut Random, lasts_s: f64) -> Faults {
    let mut rate = |most: f64| if random.chance(0.2) { random.unit() * most } else { 0.0 };
    let (drop, flip, duplicate) = (rate(0.1), rate(0.1), rate(0.2));
    let unplugs = random.chance(0.25);
    let resets = random.chance(0.2);
    let again = random.chance(0.3);
    Faults {
        drop,
        flip,
        duplicate,
        unplug_after_s: unplugs.then(|| random.between(0.0, lasts_s)),
        return_after_s: random.chance(0.85).then(|| random.between(0.01, 2.5)),
        returns_as: (unplugs && random.chance(0.1)).then(|| "SIM-0002".to_owned()),
        reset_after_s: resets.then(|| random.between(0.0, lasts_s)),
        reset_abruptly: random.chance(0.5),
        every_s: again.then(|| random.between(2.6, 8.0)),
        unplug_resets: random.chance(0.4),
        clock_drift_ppm: if random.chance(0.2) { random.between(-150.0, 150.0) } else { 0.0 },
        ..Faults::default()
    }
}

fn past(random: &mut Random, lasts_s: f64) -> Past {
    let wraps_after = random.chance(0.1).then(|| 1 + random.below(300) as u32);
    let at_us = (random.between(2.5, lasts_s) * 1e6) as u64;
    let step_us = random.chance(0.1).then(|| (at_us, random.between(-2e6, 1e8) as i64));
    let wraps_at_us = random.chance(0.1).then_some(at_us);
    Past { wraps_after, step_us, wraps_at_us: wraps_at_us.filter(|_| step_us.is_none()) }
}

fn on_cable(random: &mut Random) -> cable::Faults {
    let mut rate = |often: f64, most: f64| if random.chance(often) { random.unit() * most } else { 0.0 };
    cable::Faults {
        lose: rate(0.15, 0.05),
        flip: rate(0.15, 0.05),
        repeat: rate(0.15, 0.05),
        noise: rate(0.15, 0.05),
        deaf: rate(0.1, 0.5),
        refuse: rate(0.05, 0.5),
        opens_late: if random.chance(0.1) { 1 + random.below(4) as u32 } else { 0 },
    }
}

fn host(random: &mut Random, lasts_s: f64) -> HostFaults {
    let at_s = random.between(0.5, lasts_s);
    let stalls = random.chance(0.15).then(|| (random.between(0.5, lasts_s), random.between(0.05, 4.0)));
    let kinds = [Crash::Killed, Crash::PowerLost];
    HostFaults {
        stalls,
        handover_bytes: if stalls.is_some() { 1_000 + random.below(20_000) } else { 16 << 20 },
        sleeps: random.chance(0.1).then(|| (random.between(0.5, lasts_s), random.between(0.2, 30.0))),
        civil_step: random.chance(0.1).then(|| (at_s, random.between(-1e5, 1e5))),
        crash: random.chance(0.4).then(|| (random.between(0.0, lasts_s + 0.5), kinds[random.below(2)])),
    }
}

fn disk(random: &mut Random, lasts_s: f64) -> DiskFaults {
    let n = random.below(200) as u64;
    let fail = [Fail::Only(n), Fail::From(n), Fail::Every(2 + n / 10)][random.below(3)];
    DiskFaults {
        segment_bytes: if random.chance(0.5) { 2_000 + random.below(60_000) as u64 } else { 64 << 20 },
        sync_s: if random.chance(0.3) { random.between(0.05, 3.0) } else { 0.25 },
        short_writes: random.chance(0.2),
        fails: random.chance(0.2).then(|| (random.between(0.0, lasts_s), fail)),
        capacity_bytes: random.chance(0.08).then(|| 2_000 + random.below(150_000) as u64),
        reserve_bytes: if random.chance(0.5) { 1_000 } else { 0 },
    }
}

fn damage(random: &mut Random) -> Damage {
    let (which, at) = (random.bits() as u8, random.bits() as u16);
    match random.below(3) {
        0 => Damage::Missing(which),
        1 => Damage::Cut(which, at),
        _ => Damage::Changed(which, at, 1 + random.below(255) as u8),
    }
}

/// One line for each thing that is not as it should be.
impl fmt::Display for Script {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let efforts: Vec<String> = self.hand.efforts.iter().map(Effort::to_string).collect();
        writeln!(
            f,
            "  {:.1} s at {} µs, {} channel(s), {}: {} from {:.2} s every {:.2} s, touch {:.1} N",
            self.lasts_s,
            self.interval_ns / 1000,
            self.channels,
            if self.planned { "by a plan" } else { "free" },
            efforts.join(" "),
            self.hand.lead_s,
            self.hand.period_s,
            self.hand.contact_n,
        )?;
        let calm = Script::calm(self.seed);
        let mut differs = |name: &str, is: String, was: String| {
            if is == was { Ok(()) } else { writeln!(f, "  {name}: {is}") }
        };
        differs("board's buffer, bytes", self.buffer_bytes.to_string(), calm.buffer_bytes.to_string())?;
        differs("streaming before", self.was_streaming.to_string(), calm.was_streaming.to_string())?;
        differs("board", format!("{:?}", self.board), format!("{:?}", calm.board))?;
        differs(
            "other sensor accepted, s",
            format!("{:?}", self.accepted_s),
            format!("{:?}", calm.accepted_s),
        )?;
        differs("counters", format!("{:?}", self.past), format!("{:?}", calm.past))?;
        differs("cable", format!("{:?}", self.cable), format!("{:?}", calm.cable))?;
        differs("second sensor", format!("{:?}", self.second), format!("{:?}", calm.second))?;
        differs("host", format!("{:?}", self.host), format!("{:?}", calm.host))?;
        differs("disk", format!("{:?}", self.disk), format!("{:?}", calm.disk))?;
        differs("journal", format!("{:?}", self.damage), format!("{:?}", calm.damage))
    }
}
