//! The machine's readiness: is there room, are the files private, is the clock set, what waits.
//!
//! Comes in: a data folder and the time. Goes out: a line a question. Nothing is changed.

use crate::data_folder;
use crate::erase;
use crate::journal::disk::Disk;
use crate::practice;
use crate::recover::{Decision, decide, look_at_journal};
use crate::seal;
use crate::sensors;
use crate::settings::{self, AfterSealing, Settings};
use analysis::prose::counted;
use analysis::sensor::certificate::Certificate;
use serde::Serialize;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// 2026-01-01T00:00:00Z (`date -u -d 2026-01-01 +%s`): a clock before that was never set.
const SET_UTC_NS: i64 = 1_767_225_600 * 1_000_000_000;
const NS_PER_DAY: i64 = 86_400 * 1_000_000_000;
/// With less room nothing is recorded.
const FREE_LEAST_BYTES: u64 = 256 << 20;
/// With less room it is worth a word: a visit of an hour at 1 kHz takes some 30 MB, sealing three times that.
const FREE_WARN_BYTES: u64 = 1 << 30;

/// How it stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum State {
    /// As it should be.
    Good,
    /// Worth a look.
    Warning,
    /// Nothing can be recorded like this.
    Failure,
}

/// A question and its answer.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Line {
    /// What was looked at.
    pub what: &'static str,
    /// How it stands.
    pub state: State,
    /// In words.
    pub told: String,
    /// What to do about it; "" nothing.
    pub hint: String,
}

fn line(what: &'static str, state: State, told: impl Into<String>, hint: impl Into<String>) -> Line {
    Line { what, state, told: told.into(), hint: hint.into() }
}

/// Looks at everything.
pub fn check(disk: &Arc<dyn Disk>, data: &Path, now_utc_ns: i64) -> Vec<Line> {
    let visits = data_folder::visits(&**disk, data).unwrap_or_default();
    let mut lines = vec![folder(data), room(disk, data), clock(&visits, now_utc_ns)];
    lines.push(private(data));
    lines.push(leftovers(disk, data, &visits, now_utc_ns));
    lines.push(erasures(disk, data));
    lines.extend(by_settings(disk, data, &visits, now_utc_ns));
    lines.push(known_sensors(disk, data));
    lines.extend(calibrations(disk, data, now_utc_ns));
    lines
}

/// Why nothing can be recorded, if so: for whoever asks often, and says nothing of whose data it is.
pub fn cannot_record(disk: &Arc<dyn Disk>, data: &Path) -> Option<&'static str> {
    let lines = [folder(data), room(disk, data)];
    lines.into_iter().find(|line| line.state == State::Failure).map(|line| line.what)
}

/// A calibration is worth a word so many days before it expires.
const EXPIRES_SOON_DAYS: i64 = 30;

/// Calibrations that have expired or soon will, and sensors whose last check failed.
fn calibrations(disk: &Arc<dyn Disk>, data: &Path, now_utc_ns: i64) -> Vec<Line> {
    const WHAT: &str = "calibration";
    let on = |utc_ns: i64| day(&crate::clock::rfc3339(utc_ns)).to_owned();
    let (today, soon) = (on(now_utc_ns), on(now_utc_ns.saturating_add(EXPIRES_SOON_DAYS * NS_PER_DAY)));
    let of = match sensors::calibrations(&**disk, data) {
        Ok(all) => all,
        Err(error) => return vec![line(WHAT, State::Warning, error.to_string(), "")],
    };
    let mut lines = Vec::new();
    for of in of {
        let name = format!("sensor {}, channel {}", of.serial, of.channel);
        let until = &of.valid_until;
        let (state, told, hint) = if of.is_expired(&today) {
            (State::Warning, format!("{name}: expired after {until}"), "fingerforced calibrate")
        } else if of.is_expired(&soon) {
            (State::Warning, format!("{name}: valid until {until} only"), "plan a calibration")
        } else {
            (State::Good, format!("{name}: valid until {until}"), "")
        };
        lines.push(line(WHAT, state, told, hint));
        let properties = sensors::properties(&**disk, data, &of).unwrap_or_default();
        if let Some(check) = properties.checks.last().filter(|check| !check.passed) {
            let told = format!("{name}: the last check ({}) failed", day(&check.when_utc));
            lines.push(line("sensor check", State::Warning, told, "check again, then calibrate"));
        }
    }
    lines
}

/// A session begins with a check with one mass where the last one (or the calibration) is older than this: a working day.
const CHECK_LASTS_NS: i64 = 12 * 3600 * 1_000_000_000;

/// Whether a sensor is calibrated, and why a check of it is due before a session; "" none is.
pub fn due(disk: &dyn Disk, data: &Path, serial: &str, now_utc_ns: i64) -> (bool, String) {
    let since = crate::clock::rfc3339(now_utc_ns.saturating_sub(CHECK_LASTS_NS));
    let mut all = sensors::calibrations(disk, data).unwrap_or_default();
    all.retain(|of| of.serial == serial);
    let words = |of: &Certificate| {
        let checks = sensors::properties(disk, data, of).unwrap_or_default().checks;
        let name = format!("channel {}", of.channel);
        match checks.last() {
            // One that failed is told by [`check`].
            Some(check) if check.passed && check.when_utc < since => {
                Some(format!("{name}: last checked {}", day(&check.when_utc)))
            }
            None if of.when_utc < since => Some(format!("{name}: not checked since its calibration")),
            _ => None,
        }
    };
    (!all.is_empty(), all.iter().filter_map(words).collect::<Vec<_>>().join("; "))
}

fn day(utc: &str) -> &str {
    utc.get(..10).unwrap_or(utc)
}

fn folder(data: &Path) -> Line {
    use nix::unistd::{AccessFlags, access};
    const WHAT: &str = "data folder";
    let there = data.ancestors().find(|folder| folder.exists()).unwrap_or(Path::new("/"));
    let shown = data.display();
    match (access(there, AccessFlags::W_OK | AccessFlags::X_OK), there == data) {
        (Ok(()), true) => line(WHAT, State::Good, format!("{shown}"), ""),
        (Ok(()), false) => line(WHAT, State::Good, format!("{shown} (made by the first recording)"), ""),
        (Err(error), _) => {
            let told = format!("{} cannot be written: {error}", there.display());
            line(WHAT, State::Failure, told, "choose another folder with --data")
        }
    }
}

fn room(disk: &Arc<dyn Disk>, data: &Path) -> Line {
    const WHAT: &str = "disk space";
    let there = data.ancestors().find(|folder| folder.exists()).unwrap_or(Path::new("/"));
    let hint = "free some space on the disk of the data folder";
    match disk.free_bytes(there) {
        Err(error) => line(WHAT, State::Warning, format!("unknown: {error}"), ""),
        Ok(free) => {
            let told = format!("{} MiB free", free >> 20);
            match free {
                ..FREE_LEAST_BYTES => line(WHAT, State::Failure, told, hint),
                FREE_LEAST_BYTES..FREE_WARN_BYTES => line(WHAT, State::Warning, told, hint),
                _ => line(WHAT, State::Good, told, ""),
            }
        }
    }
}

fn clock(visits: &[PathBuf], now_utc_ns: i64) -> Line {
    const WHAT: &str = "clock";
    let hint = "set the machine's clock: times in files would be wrong (no measure depends on it)";
    let newest = visits.iter().filter_map(|visit| visited_utc_ns(visit)).max();
    if now_utc_ns < SET_UTC_NS {
        return line(WHAT, State::Warning, "civil time was never set", hint);
    }
    match newest.filter(|newest| *newest > now_utc_ns) {
        Some(_) => line(WHAT, State::Warning, "civil time is before the newest visit", hint),
        None => line(WHAT, State::Good, "civil time is plausible", ""),
    }
}

/// When a visit was, by its folder's name.
fn visited_utc_ns(visit: &Path) -> Option<i64> {
    let name = visit.file_name()?.to_string_lossy().into_owned();
    let time = jiff::civil::DateTime::strptime("%Y%m%dT%H%M%SZ", name.split_once('-')?.0).ok()?;
    let time = jiff::tz::TimeZone::UTC.to_timestamp(time).ok()?;
    i64::try_from(time.as_nanosecond()).ok()
}

fn private(data: &Path) -> Line {
    const WHAT: &str = "privacy";
    let mut open = Vec::new();
    open_to_others(data, &mut open);
    match open.first() {
        None => line(WHAT, State::Good, "only the owner may read", ""),
        Some(first) => {
            let told =
                format!("{} files or folders may be read by others, as {}", open.len(), first.display());
            line(WHAT, State::Warning, told, format!("chmod -R go= {}", data.display()))
        }
    }
}

fn open_to_others(path: &Path, open: &mut Vec<PathBuf>) {
    let Ok(about) = std::fs::symlink_metadata(path) else { return };
    if about.is_symlink() {
        return;
    }
    if about.permissions().mode() & 0o077 != 0 {
        open.push(path.to_owned());
    }
    let entries = about.is_dir().then(|| std::fs::read_dir(path).ok()).flatten();
    entries.into_iter().flatten().flatten().for_each(|entry| open_to_others(&entry.path(), open));
}

fn leftovers(disk: &Arc<dyn Disk>, data: &Path, visits: &[PathBuf], now_utc_ns: i64) -> Line {
    const WHAT: &str = "leftover journals";
    let (mut interrupted, mut unsealed, mut unreadable, mut running) = (0, 0, 0, 0);
    let (mut waits, mut lost) = (Vec::new(), Vec::new());
    for folder in visits {
        if seal::recordings(&**disk, folder).is_ok_and(|recordings| !recordings.is_empty()) {
            continue;
        }
        if data_folder::is_in_use(&**disk, folder) {
            running += 1;
            continue;
        }
        let looked = look_at_journal(disk, folder, now_utc_ns);
        match looked.map(|(look, _)| (decide(&look, false), look.removed)) {
            Ok((Decision::Interrupted, _)) => {
                interrupted += 1;
                waits.push(folder);
            }
            Ok((Decision::Seal | Decision::SealAgain, _)) => unsealed += 1,
            Ok((Decision::Lost, true)) => lost.push(folder.display().to_string()),
            Ok((Decision::Lost, false)) | Err(_) => unreadable += 1,
            Ok(_) => {}
        }
    }
    let (running, every) = match running {
        0 => (String::new(), "every visit"),
        n => (format!("{n} being recorded now; "), "every other one"),
    };
    if interrupted + unsealed + unreadable + lost.len() == 0 {
        return line(WHAT, State::Good, format!("{running}{every} is sealed"), "");
    }
    let mut told =
        format!("{running}{interrupted} interrupted, {unsealed} to be sealed, {unreadable} unreadable");
    if let Some(first) = lost.first() {
        told +=
            &format!(", {} without the recording that its journal was removed for, as {first}", lost.len());
    }
    // One that waits is sealed only where it is named.
    let named = waits.iter().map(|folder| format!("`fingerforced recover {}`", folder.display()));
    let named: Vec<String> = named.collect();
    let on = (!named.is_empty())
        .then(|| format!("go on with `fingerforced record --resume`, or seal with {}", named.join(", ")));
    let others =
        (unsealed > 0).then(|| format!("`fingerforced recover {}` seals the others", data.display()));
    let why = (unreadable > 0).then(|| {
        format!("`fingerforced recover {}` says what is wrong with what cannot be read", data.display())
    });
    let back = (!lost.is_empty()).then(|| "bring a recording that is gone back from a copy".to_owned());
    let hint: Vec<String> = on.into_iter().chain(others).chain(why).chain(back).collect();
    let hint = hint.join("; ");
    line(WHAT, State::Warning, told, hint)
}

fn erasures(disk: &Arc<dyn Disk>, data: &Path) -> Line {
    const WHAT: &str = "erasures";
    match erase::begun(disk, data) {
        Ok(begun) if begun.is_empty() => line(WHAT, State::Good, "none is incomplete", ""),
        Ok(begun) => {
            let told = format!("{} were interrupted, or could not erase everything", begun.len());
            line(
                WHAT,
                State::Warning,
                told,
                "the next `record` or `erase` tries again and names what it cannot erase",
            )
        }
        Err(error) => line(WHAT, State::Warning, error.to_string(), ""),
    }
}

fn by_settings(disk: &Arc<dyn Disk>, data: &Path, visits: &[PathBuf], now_utc_ns: i64) -> Vec<Line> {
    let settings = match settings::read(&**disk, data) {
        Ok(settings) => settings,
        Err(error) => {
            return vec![line(
                "settings",
                State::Warning,
                error.to_string(),
                "nothing is removed until it is put right",
            )];
        }
    };
    let overdue = older_than(visits, settings.retention_days, now_utc_ns);
    let retention = match (settings.retention_days, overdue.len()) {
        (None, _) => line("retention", State::Good, "no period is set", ""),
        (Some(days), 0) => line("retention", State::Good, format!("no visit is older than {days} days"), ""),
        (Some(days), _) => {
            let names: Vec<String> = overdue.iter().map(|visit| visit.display().to_string()).collect();
            let told =
                format!("older than {days} days: {}: {}", counted(names.len(), "visit"), names.join(", "));
            line("retention", State::Warning, told, "`fingerforced erase` with their participants' codes")
        }
    };
    let removing = settings.journals.after_sealing == AfterSealing::Remove;
    let due = older_than(visits, removing.then_some(settings.journals.after_days), now_utc_ns);
    let has_journal =
        |visit: &&&PathBuf| crate::journal::segments(&**disk, visit).is_ok_and(|found| !found.is_empty());
    let due = due.iter().filter(has_journal).count();
    let hint = if due > 0 { "`fingerforced tidy` removes those whose recording is verified" } else { "" };
    vec![
        retention,
        line("journals", State::Good, format!("{due} are due for removal by the settings"), hint),
        practices(disk, data, &settings, now_utc_ns),
    ]
}

fn practices(disk: &Arc<dyn Disk>, data: &Path, settings: &Settings, now_utc_ns: i64) -> Line {
    const WHAT: &str = "practice";
    match practice::due(&**disk, data, settings, now_utc_ns) {
        Err(error) => line(WHAT, State::Warning, error.to_string(), ""),
        Ok((0, _)) => line(
            WHAT,
            State::Good,
            "nobody has practised yet",
            "`fingerforced practice --examiner CODE`, on a spring or a dummy, before an examination",
        ),
        Ok((known, due)) if due.is_empty() => {
            line(WHAT, State::Good, format!("{known} examiners have practised, none is due again"), "")
        }
        Ok((_, due)) => {
            let told = format!("due again: {}", due.join(", "));
            line(
                WHAT,
                State::Warning,
                told,
                "`fingerforced practice --examiner CODE`, on a spring or a dummy",
            )
        }
    }
}

/// Visits older than so many days.
pub fn older_than(visits: &[PathBuf], days: Option<u32>, now_utc_ns: i64) -> Vec<&PathBuf> {
    let Some(days) = days else { return Vec::new() };
    let before = now_utc_ns.saturating_sub(i64::from(days).saturating_mul(NS_PER_DAY));
    visits.iter().filter(|visit| visited_utc_ns(visit).is_some_and(|at| at < before)).collect()
}

fn known_sensors(disk: &Arc<dyn Disk>, data: &Path) -> Line {
    let known = sensors::all(&**disk, data).unwrap_or_default();
    let ports = crate::port::find::find().unwrap_or_default();
    let present = sensors::present(&known, &ports);
    line(
        "sensors",
        State::Good,
        format!("{} seen before, {} of them plugged in", known.len(), present.len()),
        "",
    )
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::journal::SystemDisk;
    use analysis::sensor::check::Check;

    const NOW_UTC_NS: i64 = SET_UTC_NS + 100 * NS_PER_DAY;

    fn state(lines: &[Line], what: &str) -> State {
        lines.iter().find(|line| line.what == what).unwrap().state
    }

    #[test]
    fn a_check_is_due_half_a_day_after_the_last_one_or_the_calibration() {
        let place = tempfile::tempdir().unwrap();
        let (disk, data) = (SystemDisk::shared(), place.path());
        let at = |hours: i64| NOW_UTC_NS + hours * 3600 * 1_000_000_000;
        let due = |serial: &str, hours| due(&*disk, data, serial, at(hours));
        assert_eq!(due("A", 0), (false, String::new()));
        let of = sensors::tests::certificate("A", &crate::clock::rfc3339(at(0)), 400.0);
        sensors::keep_calibration(&*disk, data, &of).unwrap();
        assert_eq!(due("A", 11), (true, String::new()));
        assert_eq!(due("A", 13), (true, "channel 1: not checked since its calibration".to_owned()));
        assert_eq!(due("B", 13), (false, String::new()));
        let check = Check {
            when_utc: crate::clock::rfc3339(at(14)),
            serial: "A".to_owned(),
            channel: 1,
            reference_n: 5.0,
            read_n: 5.0,
            expanded_n: 0.01,
            limit_n: 0.2,
            passed: true,
            visit_id: String::new(),
        };
        sensors::keep_check(&*disk, data, &check).unwrap();
        assert_eq!(due("A", 15), (true, String::new()));
        let told = due("A", 40).1;
        assert!(told.starts_with("channel 1: last checked 2026-04-11"), "{told}");
    }

    #[test]
    fn calibrations_are_told_by_their_last_day_and_failed_checks_beside_them() {
        let place = tempfile::tempdir().unwrap();
        let disk = SystemDisk::shared();
        let data = place.path();
        let none = check(&disk, data, NOW_UTC_NS);
        assert!(none.iter().all(|line| line.what != "calibration"), "{none:?}");
        let of = sensors::tests::certificate("A-1", "2026-01-05T09:00:00Z", 400.0);
        sensors::keep_calibration(&*disk, data, &of).unwrap();
        let at = |day: &str| {
            let at: jiff::Timestamp = format!("{day}T12:00:00Z").parse().unwrap();
            calibrations(&disk, data, i64::try_from(at.as_nanosecond()).unwrap())
        };
        // Valid until 2027-01-01: a word of warning from 30 days before.
        for (day, state, told) in [
            ("2026-12-02", State::Good, "valid until 2027-01-01"),
            ("2026-12-03", State::Warning, "valid until 2027-01-01 only"),
            ("2027-01-01", State::Warning, "valid until 2027-01-01 only"),
            ("2027-01-02", State::Warning, "expired after 2027-01-01"),
        ] {
            let lines = at(day);
            assert_eq!((lines.len(), lines[0].state), (1, state), "{day}: {lines:?}");
            assert_eq!(lines[0].told, format!("sensor A-1, channel 1: {told}"));
        }
        let keep = |when_utc: &str, passed| {
            let check = Check {
                when_utc: when_utc.to_owned(),
                serial: "A-1".to_owned(),
                channel: 1,
                reference_n: 9.8,
                read_n: 9.8,
                expanded_n: 0.1,
                limit_n: 0.2,
                passed,
                visit_id: String::new(),
            };
            sensors::keep_check(&*disk, data, &check).unwrap();
        };
        keep("2026-03-01T09:00:00Z", false);
        let failed = at("2026-03-02");
        assert_eq!((failed.len(), state(&failed, "sensor check")), (2, State::Warning), "{failed:?}");
        keep("2026-03-02T09:00:00Z", true);
        assert_eq!(at("2026-03-02").len(), 1, "the last check counts");
    }

    #[test]
    fn a_fresh_folder_is_good_and_each_trouble_is_told() {
        let place = tempfile::tempdir().unwrap();
        let data = place.path().join("data");
        let disk = SystemDisk::shared();
        disk.create_folder(&data.join("visits/20260401T090000Z-abcdef01")).unwrap();
        let good = check(&disk, &data, NOW_UTC_NS);
        for what in [
            "data folder",
            "clock",
            "privacy",
            "leftover journals",
            "erasures",
            "retention",
            "journals",
            "practice",
        ] {
            assert_eq!(state(&good, what), State::Good, "{good:?}");
        }
        let visit = data.join("visits/20260401T090000Z-abcdef01");
        let leftover =
            |lines: Vec<Line>| lines.into_iter().find(|line| line.what == "leftover journals").unwrap();
        let lock = data_folder::lock_visit(&*disk, &visit).unwrap();
        let running = leftover(check(&disk, &data, NOW_UTC_NS));
        assert_eq!(
            (running.state, &running.told[..]),
            (State::Good, "1 being recorded now; every other one is sealed")
        );
        drop(lock);
        assert_eq!(leftover(check(&disk, &data, NOW_UTC_NS)).told, "every visit is sealed");
        let early = check(&disk, &data, SET_UTC_NS + NS_PER_DAY);
        assert_eq!(state(&early, "clock"), State::Warning, "before the newest visit");
        assert_eq!(
            state(&check(&disk, &data, 0), "clock"),
            State::Warning,
            "a visit is recorded all the same"
        );
        std::fs::set_permissions(&data, std::fs::Permissions::from_mode(0o755)).unwrap();
        assert_eq!(state(&check(&disk, &data, NOW_UTC_NS), "privacy"), State::Warning);
        std::fs::write(data.join("settings.toml"), "retention_days = 5\n").unwrap();
        let overdue = check(&disk, &data, NOW_UTC_NS);
        let retention = overdue.iter().find(|line| line.what == "retention").unwrap();
        assert!(retention.state == State::Warning && retention.told.contains("abcdef01"), "{retention:?}");
        std::fs::write(data.join("settings.toml"), "retention = 5\n").unwrap();
        assert_eq!(state(&check(&disk, &data, NOW_UTC_NS), "settings"), State::Warning);
    }
}
