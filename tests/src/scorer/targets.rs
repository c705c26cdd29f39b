//! How small the errors must be, and how small they should become.
//!
//! Comes in: scores. Goes out: each target with what was found, and whether that is enough. The targets were set before
//! the finder was written, on what published methods reach on such traces.

use super::figure::Figure;
use super::kind::Kind;
use super::{Row, Score};

/// 95 % of the absolute errors must be within `must`, and should be within `aim`.
#[derive(Debug, Clone, Copy)]
struct Target {
    figure: Figure,
    kind: Kind,
    rate_hz: u32,
    must: f64,
    aim: f64,
}

const fn within(figure: Figure, kind: Kind, rate_hz: u32, must: f64, aim: f64) -> Target {
    Target { figure, kind, rate_hz, must, aim }
}

const TARGETS: &[Target] = &[
    within(Figure::Onset, Kind::Explosive, 1000, 8.0, 4.0),
    within(Figure::Onset, Kind::Explosive, 10_000, 8.0, 4.0),
    within(Figure::Onset, Kind::Explosive, 80, 14.0, 8.0),
    within(Figure::Onset, Kind::Make, 1000, 60.0, 25.0),
    within(Figure::Onset, Kind::Slow, 1000, 25.0, 12.0),
    within(Figure::Onset, Kind::Break, 1000, 25.0, 12.0),
    within(Figure::Onset, Kind::Break, 80, 65.0, 35.0),
    within(Figure::Onset, Kind::Strange, 1000, 60.0, 30.0),
    within(Figure::Onset, Kind::Weak, 1000, 80.0, 40.0),
    within(Figure::Onset, Kind::Pretension, 1000, 160.0, 80.0),
    within(Figure::Onset, Kind::Dirty, 1000, 130.0, 70.0),
    within(Figure::Onset, Kind::Contact, 1000, 80.0, 40.0),
    within(Figure::Onset, Kind::ContactThree, 1000, 80.0, 40.0),
    within(Figure::OnsetBetweenRates, Kind::Explosive, 10_000, 10.0, 3.0),
    within(Figure::Rise5, Kind::Explosive, 1000, 6.0, 3.0),
    within(Figure::Rise5, Kind::Explosive, 80, 14.0, 8.0),
    within(Figure::Rise5, Kind::Make, 1000, 6.0, 3.0),
    within(Figure::End, Kind::Make, 1000, 4.0, 2.0),
    within(Figure::End, Kind::Make, 80, 15.0, 8.0),
    within(Figure::Release, Kind::Make, 1000, 25.0, 10.0),
    within(Figure::Release, Kind::Break, 1000, 25.0, 10.0),
    within(Figure::Break, Kind::Break, 1000, 35.0, 15.0),
    within(Figure::Break, Kind::MakeBreak, 1000, 35.0, 15.0),
    within(Figure::Break, Kind::Tremor, 1000, 100.0, 40.0),
    within(Figure::BreakForce, Kind::Break, 1000, 1.0, 0.3),
    within(Figure::BreakForce, Kind::Tremor, 1000, 5.0, 2.0),
    within(Figure::Peak, Kind::Make, 1000, 0.5, 0.2),
    within(Figure::Peak, Kind::Make, 80, 1.0, 0.4),
    within(Figure::PeakAboveZero, Kind::Contact, 1000, 1.5, 0.5),
    within(Figure::PeakAboveZero, Kind::ContactThree, 1000, 1.5, 0.5),
    within(Figure::Mean, Kind::Make, 1000, 0.5, 0.15),
    within(Figure::Rfd100, Kind::Explosive, 1000, 12.0, 5.0),
];

/// A share of something that must not be exceeded.
struct Share {
    what: &'static str,
    part: fn(&Score) -> usize,
    of: fn(&Score) -> usize,
    /// Rows that count.
    among: fn(Kind, u32) -> bool,
    /// Percent.
    must: f64,
    aim: f64,
}

const SHARES: &[Share] = &[
    Share {
        what: "efforts missed",
        part: |score| score.missed,
        of: |score| score.efforts,
        among: |kind, _| kind != Kind::Weak,
        must: 0.1,
        aim: 0.0,
    },
    Share {
        what: "holds that are no effort",
        part: |score| score.false_holds,
        of: |score| score.efforts,
        among: |kind, _| !matches!(kind, Kind::Weak | Kind::Nobody),
        must: 0.1,
        aim: 0.0,
    },
    Share {
        what: "weak efforts missed at 1 kHz",
        part: |score| score.missed,
        of: |score| score.efforts,
        among: |kind, rate_hz| kind == Kind::Weak && rate_hz == 1000,
        must: 1.0,
        aim: 0.0,
    },
    Share {
        what: "weak efforts missed at 80 Hz",
        part: |score| score.missed,
        of: |score| score.efforts,
        among: |kind, rate_hz| kind == Kind::Weak && rate_hz == 80,
        must: 6.0,
        aim: 0.0,
    },
    Share {
        what: "breaks not found",
        part: |score| score.breaks - score.breaks_found,
        of: |score| score.breaks,
        among: |kind, _| !matches!(kind, Kind::Tremor | Kind::Dirty),
        must: 1.0,
        aim: 0.0,
    },
    Share {
        what: "breaks not found under tremor and artefacts",
        part: |score| score.breaks - score.breaks_found,
        of: |score| score.breaks,
        among: |kind, _| matches!(kind, Kind::Tremor | Kind::Dirty),
        must: 12.0,
        aim: 3.0,
    },
    Share {
        what: "efforts wrongly said to yield",
        part: |score| score.false_breaks,
        of: |score| score.unbroken,
        among: |kind, _| !matches!(kind, Kind::Concentric | Kind::Weak),
        must: 0.2,
        aim: 0.0,
    },
    Share {
        what: "concentric efforts wrongly said to yield, possibly",
        part: |score| score.false_breaks,
        of: |score| score.unbroken,
        among: |kind, _| kind == Kind::Concentric,
        must: 45.0,
        aim: 10.0,
    },
];

/// Holds found where nobody pulls: at most one in so many minutes.
const NOBODY_MINUTES: (f64, f64) = (60.0, 600.0);

/// A target beside what was found.
#[derive(Debug, Clone, PartialEq)]
pub struct Verdict {
    /// What is judged.
    pub what: String,
    /// What must be reached, with its unit.
    pub must: String,
    /// What should be.
    pub aim: String,
    /// What was.
    pub found: String,
    /// Whether what must be reached was.
    pub met: bool,
    /// Whether what should be was.
    pub aim_met: bool,
}

/// Judges scores by every target whose rate was run.
pub fn judge(rows: &[Row]) -> Vec<Verdict> {
    let run = |target: &&Target| rows.iter().any(|row| row.rate_hz == target.rate_hz);
    let times = TARGETS.iter().filter(run).map(|target| error(target, rows));
    let shares = SHARES.iter().filter_map(|wanted| share(wanted, rows));
    times.chain(shares).chain(nobody(rows)).collect()
}

/// What falls short of what must be reached.
pub fn shortfalls(rows: &[Row]) -> Vec<Verdict> {
    judge(rows).into_iter().filter(|verdict| !verdict.met).collect()
}

fn error(target: &Target, rows: &[Row]) -> Verdict {
    let row = rows.iter().find(|row| row.kind == target.kind && row.rate_hz == target.rate_hz);
    let found = row.and_then(|row| row.score.figure(target.figure)).map(|(_, within)| within);
    let unit = target.figure.unit();
    Verdict {
        what: format!("{}, {} at {} Hz", target.figure.name(), target.kind.name(), target.rate_hz),
        must: format!("≤ {} {unit}", target.must),
        aim: format!("≤ {} {unit}", target.aim),
        found: found.map_or("nothing".to_owned(), |within| format!("{within:.2} {unit}")),
        // (Nothing found is not enough.)
        met: found.is_some_and(|within| within <= target.must),
        aim_met: found.is_some_and(|within| within <= target.aim),
    }
}

fn share(wanted: &Share, rows: &[Row]) -> Option<Verdict> {
    let among = || rows.iter().filter(|row| (wanted.among)(row.kind, row.rate_hz)).map(|row| &row.score);
    let (part, of) = (among().map(wanted.part).sum::<usize>(), among().map(wanted.of).sum::<usize>());
    let percent = 100.0 * part as f64 / of as f64;
    (of > 0).then(|| Verdict {
        what: wanted.what.to_owned(),
        must: format!("≤ {} %", wanted.must),
        aim: format!("≤ {} %", wanted.aim),
        found: format!("{part} of {of}"),
        met: percent <= wanted.must,
        aim_met: percent <= wanted.aim,
    })
}

fn nobody(rows: &[Row]) -> Option<Verdict> {
    let among = || rows.iter().filter(|row| row.kind == Kind::Nobody).map(|row| &row.score);
    let minutes = among().map(|score| score.seconds).sum::<f64>() / 60.0;
    let holds = among().map(|score| score.false_holds).sum::<usize>();
    let (must, aim) = NOBODY_MINUTES;
    (minutes > 0.0).then(|| Verdict {
        what: "holds where nobody pulls".to_owned(),
        must: format!("≤ 1 in {must} min"),
        aim: format!("≤ 1 in {aim} min"),
        found: format!("{holds} in {minutes:.0} min"),
        met: holds as f64 * must <= minutes,
        aim_met: holds as f64 * aim <= minutes,
    })
}
