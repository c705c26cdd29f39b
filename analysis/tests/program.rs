//! The program `fingerforce` from outside: exit codes, where its words go, what others may read.
#![allow(clippy::unwrap_used, clippy::panic)] // what goes wrong in a test ends it
mod sample;

use std::fs;
use std::os::unix::fs::{OpenOptionsExt, PermissionsExt};
use std::path::Path;
use std::process::{Command, Output};

fn fingerforce(arguments: &[&str]) -> Output {
    Command::new(env!("CARGO_BIN_EXE_fingerforce")).args(arguments).output().unwrap()
}

fn words(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).unwrap()
}

fn sha256(bytes: &[u8]) -> String {
    use sha2::{Digest, Sha256};
    Sha256::digest(bytes).iter().map(|byte| format!("{byte:02x}")).collect()
}

#[test]
fn a_whole_recording_is_said_to_be_whole() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("recording-1.h5");
    let finished = sample::write(&path, 1000).unwrap();
    let output = fingerforce(&["info", "--verify", path.to_str().unwrap()]);
    assert_eq!(output.status.code(), Some(0), "{output:?}");
    let told = words(&output.stdout);
    for part in [
        "participant   P-014",
        "sensor 1      SIM-0001",
        "1000 Hz, 2 channels",
        "12, 12 of them valid",
        "whole         yes",
    ] {
        assert!(told.contains(part), "{part}: {told}");
    }
    let output = fingerforce(&["info", "--json", path.to_str().unwrap()]);
    let json: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(json["content_sha256"], finished.content_sha256);
    assert_eq!(json["whole"], true);
    assert_eq!(json["sensors"][0]["samples"], sample::SAMPLES);
}

#[test]
fn what_cannot_be_done_is_1_and_wrong_usage_is_2() {
    let folder = tempfile::tempdir().unwrap();
    let csv = folder.path().join("trace.csv");
    fs::write(&csv, "time_s,force_n\n0,1\n").unwrap();
    for (arguments, code, expected) in [
        (&["info", "/nowhere/r.h5"][..], 1, "error: cannot read /nowhere/r.h5: No such file"),
        (&["info", csv.to_str().unwrap()], 1, "is not an HDF5 file\nhint: "),
        (&["info", folder.path().to_str().unwrap()], 1, " is a folder\nhint: give a recording"),
        (&["info"], 2, "error: "),
        (&["info", "--no-such-option", "r.h5"], 2, "error: "),
        (&["no-such-command"], 2, "error: "),
    ] {
        let output = fingerforce(arguments);
        assert_eq!(output.status.code(), Some(code), "{arguments:?}: {output:?}");
        assert!(words(&output.stderr).contains(expected), "{arguments:?}: {output:?}");
        assert!(output.stdout.is_empty(), "{arguments:?}: {output:?}");
    }
}

/// A folder and its files as others may read and write them.
fn open_to_others(folder: &Path) -> Vec<String> {
    let mut open = Vec::new();
    for entry in fs::read_dir(folder).unwrap() {
        let entry = entry.unwrap();
        let metadata = entry.metadata().unwrap();
        if metadata.permissions().mode() & 0o077 != 0 {
            open.push(entry.path().display().to_string());
        }
        if metadata.is_dir() {
            open.extend(open_to_others(&entry.path()));
        }
    }
    open
}

#[test]
fn nobody_else_may_read_what_it_writes() {
    let folder = tempfile::tempdir().unwrap();
    let place = folder.path().join("place");
    fs::create_dir(&place).unwrap();
    sample::write(&place.join("recording-1.h5"), 1000).unwrap();
    let mut command = Command::new("sh");
    command.args(["-c", "umask 000; exec \"$0\" plot place/recording-1.h5 --out place/plots"]);
    let output = command.arg(env!("CARGO_BIN_EXE_fingerforce")).current_dir(folder.path()).output().unwrap();
    assert!(output.status.success(), "{output:?}");
    assert!(fs::read_dir(place.join("plots")).unwrap().count() > 0);
    assert_eq!(open_to_others(&place), [""; 0]);
}

#[test]
fn a_file_that_may_not_be_read_is_not_called_damaged() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("r.h5");
    fs::OpenOptions::new().write(true).create_new(true).mode(0o000).open(&path).unwrap();
    if fs::File::open(&path).is_ok() {
        // Permissions do not bind root, so an ordinary user asks, with a copy that can be reached from everywhere.
        let program = folder.path().join("fingerforce");
        fs::copy(env!("CARGO_BIN_EXE_fingerforce"), &program).unwrap();
        fs::set_permissions(folder.path(), fs::Permissions::from_mode(0o755)).unwrap();
        let mut command = Command::new("setpriv");
        command
            .args(["--reuid=65534", "--regid=65534", "--clear-groups"])
            .arg(&program)
            .arg("info")
            .arg(&path);
        let output = command.output().unwrap();
        refused(&output);
    } else {
        refused(&fingerforce(&["info", path.to_str().unwrap()]));
    }
}

fn refused(output: &Output) {
    assert_eq!(output.status.code(), Some(1), "{output:?}");
    let error = words(&output.stderr);
    assert!(
        error.contains("Permission denied") && error.contains("hint: check that you may read"),
        "{error}"
    );
}

#[test]
fn superseded_recordings_below_a_folder_are_whole_and_a_broken_chain_is_named() {
    use analysis::recording::write::Root;
    let folder = tempfile::tempdir().unwrap();
    let visit = folder.path().join("visits/20260304T091500Z-7a1d7e5c");
    fs::create_dir_all(&visit).unwrap();
    let write = |revision: i64, supersedes: &str, journal: &[u8]| {
        let root = Root {
            revision,
            supersedes: supersedes.to_owned(),
            journal_sha256: sha256(journal),
            ..sample::root()
        };
        sample::write_as(&visit.join(format!("recording-{revision}.h5")), &root).unwrap().content_sha256
    };
    let verify = || {
        let output = fingerforce(&["info", "--verify", "--json", folder.path().to_str().unwrap()]);
        let json: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
        let journals: Vec<String> =
            json["recordings"].as_array().unwrap().iter().map(|of| of["journal"].to_string()).collect();
        (output.status.code(), json, journals.join(" "))
    };
    // The first was made before the journal was whole; the second from all of it; a correction made the third.
    let first = write(1, "", b"the beginning");
    let second = write(2, &first, b"the beginning and the end");
    write(3, &second, b"the beginning and the end");
    fs::write(visit.join("journal-000"), "the beginning and").unwrap();
    fs::write(visit.join("journal-001"), " the end").unwrap();
    let (code, json, journals) = verify();
    assert_eq!((code, &json["whole"], &json["failed"]), (Some(0), &3.into(), &0.into()), "{json:#}");
    assert_eq!(journals, "\"earlier\" \"agrees\" \"agrees\"");
    // Named by its file, as where the one before was damaged: nothing to hold against it.
    fs::remove_file(visit.join("recording-2.h5")).unwrap();
    write(2, "recording-1.h5", b"the beginning and the end");
    let (code, json, _) = verify();
    // The third still names the second one by the digest that it had.
    assert_eq!((code, &json["failed"]), (Some(1), &1.into()), "{json:#}");
    let third = &json["recordings"][2];
    assert!(third["why_not"].to_string().contains("not the recording before it"), "{third}");
    assert_eq!(json["recordings"][1]["whole"], true);
}

#[test]
fn all_recordings_below_a_folder_are_looked_at_and_a_bad_one_is_named() {
    let folder = tempfile::tempdir().unwrap();
    let visit = |name: &str| {
        let visit = folder.path().join("visits").join(name);
        fs::create_dir_all(&visit).unwrap();
        sample::write(&visit.join("recording-1.h5"), 1000).unwrap();
        visit.join("recording-1.h5")
    };
    let (first, bad, last) = (visit("a"), visit("b"), visit("c"));
    let verify = || {
        let output = fingerforce(&["info", "--verify", "--json", folder.path().to_str().unwrap()]);
        let json: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
        (output.status.code(), words(&output.stderr), json)
    };
    let (code, told, json) = verify();
    assert_eq!((code, &json["whole"], &json["failed"]), (Some(0), &3.into(), &0.into()), "{told}{json}");
    assert_eq!(json["recordings"][0]["journal"], "absent");

    // One byte of the samples in the middle of the second; a journal beside the third that is none of its own.
    let mut bytes = fs::read(&bad).unwrap();
    let middle = bytes.len() / 2;
    bytes[middle] ^= 0x40;
    fs::write(&bad, &bytes).unwrap();
    fs::write(last.with_file_name("journal-000"), "another journal").unwrap();
    fs::write(folder.path().join("foreign.h5"), "no HDF5").unwrap();
    let (code, told, json) = verify();
    assert_eq!((code, &json["whole"], &json["failed"]), (Some(1), &1.into(), &3.into()), "{told}{json}");
    assert!(told.contains(&format!("NOT WHOLE {}", bad.display())) && told.contains("foreign.h5"), "{told}");
    assert!(!told.contains(&first.display().to_string()), "{told}");
    let of_last = json["recordings"].as_array().unwrap().last().unwrap();
    assert_eq!(of_last["journal"], "differs", "{of_last}");
    let nothing = tempfile::tempdir().unwrap();
    let output = fingerforce(&["info", "--verify", nothing.path().to_str().unwrap()]);
    assert!(output.status.code() == Some(1) && words(&output.stderr).contains("no recording"), "{output:?}");
}

#[test]
fn a_row_of_csv_says_who_measured_at_which_visit() {
    let folder = tempfile::tempdir().unwrap();
    let files = sample::study::write(folder.path(), 7);
    let files: Vec<&str> = files.iter().take(4).map(|file| file.to_str().unwrap()).collect();
    for table in ["trials", "observations"] {
        let head = fingerforce(&["export", "--to", "csv", "--table", table, files[0]]).stdout;
        let expected = "recording,participant,examiner,visit_id,revision,started_utc,";
        assert!(words(&head).starts_with(expected), "{table}: {}", words(&head));
    }
    let rows = |more: &[&str]| {
        let output = fingerforce(&[&["export", "--to", "csv"], &files[..], more].concat());
        assert!(output.status.success(), "{output:?}");
        let mut reader = csv::Reader::from_reader(&output.stdout[..]);
        reader.records().map(Result::unwrap).collect::<Vec<_>>()
    };
    let distinct = |rows: &[csv::StringRecord], column: usize| {
        let cells: std::collections::BTreeSet<String> =
            rows.iter().map(|row| row[column].to_owned()).collect();
        cells
    };
    let told = rows(&[]);
    assert_eq!(distinct(&told, 2), ["E1".to_owned(), "E2".to_owned()].into());
    assert_eq!((distinct(&told, 3).len(), distinct(&told, 4)), (4, ["1".to_owned()].into()));
    let hidden = rows(&["--deidentify", "--seed", "s"]);
    assert_eq!(
        (distinct(&hidden, 2), distinct(&hidden, 3)),
        ([String::new()].into(), [String::new()].into())
    );
    assert_eq!(hidden.len(), told.len());
    assert!(distinct(&hidden, 5).is_disjoint(&distinct(&told, 5)), "dates move");
}

#[test]
fn the_same_recording_is_not_exported_twice() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("recording-1.h5");
    sample::write(&path, 1000).unwrap();
    let copy = folder.path().join("copy.h5");
    fs::copy(&path, &copy).unwrap();
    for to in ["csv", "json", "fhir"] {
        let output =
            fingerforce(&["export", "--to", to, "--sure", path.to_str().unwrap(), copy.to_str().unwrap()]);
        let told = words(&output.stderr);
        assert_eq!(output.status.code(), Some(1), "{to}: {told}");
        assert!(
            told.contains("copy.h5 are one recording: visit ")
                && told.contains(", revision 1\nhint: give each"),
            "{to}: {told}"
        );
        assert!(output.stdout.is_empty(), "{to}");
    }
}

#[test]
fn an_error_of_several_lines_is_printed_in_lines() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("recording-1.h5");
    sample::write(&path, 1000).unwrap();
    let protocol = folder.path().join("p.toml");
    fs::write(&protocol, "title = \"t\"\nfoo=1\n").unwrap();
    let output = fingerforce(&["study", "--protocol", protocol.to_str().unwrap(), path.to_str().unwrap()]);
    let told = words(&output.stderr);
    assert_eq!(output.status.code(), Some(1), "{told}");
    assert!(told.contains("line 2, column 1\n    |\n  2 | foo=1\n") && !told.contains('\u{fffd}'), "{told}");
    assert!(told.contains("\nhint: "), "{told}");
}

#[test]
fn the_files_that_were_written_are_listed_as_json() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("recording-1.h5");
    sample::write(&path, 1000).unwrap();
    let (recording, out) =
        (path.to_str().unwrap(), |name: &str| folder.path().join(name).display().to_string());
    let (plots, bids) = (out("plots"), out("bids"));
    let (page, table) = (out("report.html"), out("trials.csv"));
    for (arguments, beside) in [
        (&["plot", "--format", "svg", "--out", &plots, "--json", recording][..], Some(&plots)),
        (&["report", "--no-figures", "--out", &page, "--json", recording], None),
        (&["export", "--sure", "--to", "csv", "--out", &table, "--json", recording], None),
        (&["export", "--sure", "--to", "bids", "--out", &bids, "--json", recording], Some(&bids)),
    ] {
        let output = fingerforce(arguments);
        let document: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
        assert_eq!(document["kind"], "finger-force files", "{arguments:?}");
        let undocumented = sample::documents::undocumented(&document);
        assert!(undocumented.is_empty(), "{undocumented:?}");
        let mut listed: Vec<&str> =
            document["files"].as_array().unwrap().iter().map(|file| file.as_str().unwrap()).collect();
        let mut there =
            beside.map_or_else(|| vec![arguments[arguments.len() - 3].to_owned()], |folder| below(folder));
        listed.sort_unstable();
        there.sort_unstable();
        assert_eq!(listed, there, "{arguments:?}");
    }
    for arguments in
        [&["report", "--out", "-", "--json", recording][..], &["export", "--to", "csv", "--json", recording]]
    {
        let refused = fingerforce(arguments);
        assert!(refused.status.code() == Some(2) && refused.stdout.is_empty(), "{arguments:?}: {refused:?}");
    }
}

/// The files below a folder.
fn below(folder: &str) -> Vec<String> {
    let entries = fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path());
    let files = entries.flat_map(|path| {
        if path.is_dir() { below(path.to_str().unwrap()) } else { vec![path.display().to_string()] }
    });
    files.collect()
}

#[test]
fn changes_are_told_in_units_and_in_percent_with_their_intervals() {
    let folder = tempfile::tempdir().unwrap();
    let table = folder.path().join("table.csv");
    fs::write(&table, "id,a,b\nP1,10,11\nP2,20,19\nP3,30,31\nP4,25,25\n").unwrap();
    let told = words(&fingerforce(&["reliability", "--table", table.to_str().unwrap()]).stdout);
    let json = fingerforce(&["reliability", "--json", "--table", table.to_str().unwrap()]);
    let json: serde_json::Value = serde_json::from_slice(&json.stdout).unwrap();
    let analysis = &json["analyses"][0];
    let mean = analysis["mean"].as_f64().unwrap();
    for form in ["consistency", "agreement"] {
        for (name, level) in [("MDC90", "mdc90"), ("MDC95", "mdc95")] {
            let line = told.lines().find(|line| line.contains(form) && line.contains(name)).unwrap();
            let cells: Vec<&str> = line.split('┆').map(|cell| cell.trim_matches([' ', '│'])).collect();
            let (own, percent) = (&analysis[form][level], &analysis[format!("{form}_percent")][level]);
            let of = |of: &serde_json::Value, end: &str| of[end].as_f64().unwrap();
            for end in ["value", "low", "high"] {
                assert!((of(own, end) / mean * 100.0 - of(percent, end)).abs() < 1e-9, "{analysis:#}");
            }
            let expected = [
                format!("{:.3}", of(own, "value")),
                format!("{:.3} to {:.3}", of(own, "low"), of(own, "high")),
                format!("{:.1}", of(percent, "value")),
                format!("{:.1} to {:.1}", of(percent, "low"), of(percent, "high")),
            ];
            assert_eq!(cells[2..], expected, "{line}");
        }
    }
    let undocumented = sample::documents::undocumented(&json);
    assert!(undocumented.is_empty(), "{undocumented:?}");
}

/// Before the zero the trace is at another level, which is no force.
#[test]
fn the_figure_of_a_recording_says_when_the_zero_was_taken() {
    let recording = concat!(env!("CARGO_MANIFEST_DIR"), "/../fixtures/recordings/layout-1/recording-2.h5");
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().to_str().unwrap();
    let output = fingerforce(&["plot", recording, "--format", "svg", "--out", out]);
    assert!(output.status.success(), "{}", words(&output.stderr));
    let svg = fs::read_to_string(folder.path().join("overview-sensor-1-channel-1.svg")).unwrap();
    let told = svg.replace('\n', " ").replace("&apos;", "'");
    // The first second is the zero.
    assert!(told.contains("zero taken at 1.0 s, force before it by the sensor's own zero"), "{told}");
}

/// Whatever a table lacks, no table of results is printed, and what to do is said.
#[test]
fn a_table_of_which_nothing_can_be_said_is_refused_with_what_to_do() {
    let folder = tempfile::tempdir().unwrap();
    let table = folder.path().join("table.csv");
    for (text, parts) in [
        ("visit,b\n1,20\n2,30\n3,25\n", ["counts the rows (1, 2, 3 …)", "hint: --subject visit"]),
        (
            "id,a,b\nP1,1e300,2e300\nP2,-3e300,1e300\nP3,5e300,2e300\n",
            ["beyond the numbers", "hint: check the values"],
        ),
        (
            "id,a\nP1,1\nP2,2\nP3,3.5\n",
            ["one column of values", "hint: give each participant values of at least two"],
        ),
        ("id,a,b\nP1,1,2\nP2,2,2\n", ["2 subjects with every value", "hint: give at least 3 participants"]),
        ("id,a,b\nP1,1,1\nP2,1,1\nP3,1,1\n", ["all values are equal", "hint: check that these are measured"]),
        ("id,a,b\nP1,1,5,2,5\n", ["line 2 holds 5 values", "hint: write decimal points"]),
        ("", ["the file is empty", "hint: give a row a subject"]),
    ] {
        fs::write(&table, text).unwrap();
        let output = fingerforce(&["reliability", "--table", table.to_str().unwrap()]);
        let told = words(&output.stderr);
        assert_eq!((output.status.code(), output.stdout.len()), (Some(1), 0), "{text}: {told}");
        assert!(parts.iter().all(|part| told.contains(part)), "{text}: {told}");
    }
    fs::write(&table, "nr\ta\tb\n1\t20.1\t20.1\n2\t31.7\t31.7\n3\t25.3\t25.3\n").unwrap();
    let told = words(&fingerforce(&["reliability", "--table", table.to_str().unwrap()]).stdout);
    assert!(told.starts_with("table · 3 subjects, 2 occasions (a, b)"), "{told}");
    // Repeats without any error: no F, no p, and no interval.
    assert!(told.contains("occasions differ: F –, p –"), "{told}");
    assert!(!told.contains("< 0.001") && !told.contains("0.000 to 0.000"), "{told}");
}

#[test]
fn what_is_given_in_place_of_another_thing_is_named() {
    let folder = tempfile::tempdir().unwrap();
    let visit = folder.path().join("visits/2026-03-02T08-00-00Z-0001");
    fs::create_dir_all(&visit).unwrap();
    let path = visit.join("recording-1.h5");
    sample::write(&path, 1000).unwrap();
    let recording = path.to_str().unwrap();
    let table = folder.path().join("table.csv");
    fs::write(&table, "id;a;b\nP1;1,5;2,5\nP2;1,7;2,9\n").unwrap();
    for (arguments, parts) in [
        (
            &["summary", folder.path().to_str().unwrap()][..],
            ["is a folder\nhint: give a file, such as", recording],
        ),
        (
            &["reliability", "--table", table.to_str().unwrap()],
            ["semicolons", "\nhint: separate columns by commas"],
        ),
        (
            &["summary", recording, "--reliability", recording],
            ["that is a recording", "`fingerforce reliability RECORDINGS --json > reliability.json`"],
        ),
    ] {
        let output = fingerforce(arguments);
        let told = words(&output.stderr);
        assert_eq!(output.status.code(), Some(1), "{arguments:?}: {told}");
        assert!(parts.iter().all(|part| told.contains(part)), "{arguments:?}: {told}");
    }
}

#[test]
fn a_listing_of_an_earlier_day_knows_nothing_of_later_visits() {
    let folder = tempfile::tempdir().unwrap();
    let files = sample::study::write(folder.path(), 7);
    // The first participant's visits by the first examiner, a week apart.
    let files: Vec<&str> = files.iter().take(2).map(|file| file.to_str().unwrap()).collect();
    let protocol = folder.path().join("study.toml");
    fs::write(
        &protocol,
        "title = \"t\"\n[[visit]]\nname = \"test\"\nday = 0\n[[visit]]\nname = \"retest\"\nday = 7\nwithin_days = 2\n",
    )
    .unwrap();
    let at = |on: &str| -> serde_json::Value {
        let options = ["study", "--json", "--protocol", protocol.to_str().unwrap(), "--on", on];
        let output = fingerforce(&[&options[..], &files[..]].concat());
        serde_json::from_slice(&output.stdout).unwrap()
    };
    let (early, late) = (at("2026-03-05"), at("2026-03-20"));
    let count = |of: &serde_json::Value, what: &str| of[what].as_array().unwrap().len();
    assert_eq!((count(&early, "visits"), count(&early, "open"), count(&early, "notes")), (1, 1, 1));
    assert_eq!(early["open"][0]["state"], "to-come");
    assert_eq!(early["notes"][0], "1 recording of later days than 2026-03-05 left out");
    assert_eq!((count(&late, "visits"), count(&late, "open"), count(&late, "notes")), (2, 0, 0));
}

/// A visit in a folder of its own: its first recording, and the second, in which somebody left a trial out.
fn corrected_visit(folder: &Path) -> (String, String) {
    use analysis::corrections::{Change, Correction};
    use analysis::recording::read::Recording;
    use analysis::recording::revise::Revision;
    let (first, second) = (folder.join("recording-1.h5"), folder.join("recording-2.h5"));
    sample::write(&first, 1000).unwrap();
    let recording = Recording::open(&first).unwrap();
    let mut revision = Revision::of(&recording).unwrap();
    let exclude = Correction {
        number: 1,
        when_utc: "2026-03-05T08:00:00Z".to_owned(),
        who: "E-7".to_owned(),
        why: "the thumb helped".to_owned(),
        change: Change::Trial { trial: 2, to: None, valid: Some(false) },
    };
    revision.apply(&[exclude]).unwrap();
    revision.write(&second).unwrap();
    (first.display().to_string(), second.display().to_string())
}

#[test]
fn a_recording_that_a_later_one_replaces_is_not_used_without_a_word() {
    let folder = tempfile::tempdir().unwrap();
    let (first, second) = corrected_visit(folder.path());
    let other = folder.path().join("other.h5");
    let root = analysis::recording::write::Root {
        visit_id: "another".to_owned(),
        started_utc: "2026-04-04T09:15:00Z".to_owned(),
        ..sample::root()
    };
    sample::write_as(&other, &root).unwrap();
    let (other, plots) = (other.to_str().unwrap(), folder.path().join("plots"));
    let plots = plots.to_str().unwrap();
    let commands = |file| {
        [
            vec!["summary", file],
            vec!["report", file, "--no-figures", "--out", "-"],
            vec!["compare", file, other],
            vec!["plot", file, "--out", plots],
            vec!["plot", file, other, "--out", plots],
            vec!["export", file, "--to", "csv", "--sure"],
        ]
    };
    let note = "recording-1.h5: replaced by recording-2.h5 beside it, a later recording of the same visit";
    for command in commands(&first) {
        let output = fingerforce(&command);
        assert!(output.status.success(), "{command:?}: {output:?}");
        let told = words(&output.stderr).matches(note).count();
        assert_eq!(told, 1, "{command:?}: {}", words(&output.stderr));
        assert_eq!(words(&output.stdout).contains(note), command[0] == "report", "{command:?}");
    }
    for command in commands(&second) {
        let output = fingerforce(&command);
        assert!(output.status.success() && !words(&output.stderr).contains("replaced"), "{output:?}");
    }
    // Both are one visit: its trials would be there twice.
    let both = fingerforce(&["export", &first, &second, "--to", "csv", "--sure"]);
    let told = words(&both.stderr);
    assert!(both.status.code() == Some(1) && told.contains("recordings of one visit"), "{told}");
    assert!(told.contains("revisions 1 and 2\nhint: ") && both.stdout.is_empty(), "{told}");
    // A later recording of another visit replaces nothing.
    fs::rename(other, &second).unwrap();
    assert!(!words(&fingerforce(&["summary", &first]).stderr).contains("replaced"));
}

#[test]
fn the_report_and_the_summary_say_what_was_corrected() {
    let folder = tempfile::tempdir().unwrap();
    let (first, second) = corrected_visit(folder.path());
    let report = |file: &str| words(&fingerforce(&["report", file, "--no-figures", "--out", "-"]).stdout);
    let count = |file: &str| -> u64 {
        let told = fingerforce(&["info", file, "--number", "visit-1.deviations", "--json"]);
        serde_json::from_slice::<serde_json::Value>(&told.stdout).unwrap()["value"].as_f64().unwrap() as u64
    };
    assert_eq!(count(&second), count(&first) + 1);
    let page = report(&second);
    let from = page.find("Deviations, overrides, notes").unwrap();
    for part in [
        "Corrected 2026-03-05 09:00 +01:00 by E-7: trial 2 (",
        "peak ",
        "why: the thumb helped",
        "valid: 1 → 0",
    ] {
        assert!(page[from..].contains(part), "{part}: {}", &page[from..]);
    }
    assert!(!report(&first).contains("Corrected "), "what was not corrected");
    let summary = words(&fingerforce(&["summary", &second]).stdout);
    assert!(
        summary.contains("Corrected: trial 2 (") && summary.contains(" N) does not count (E-7: the"),
        "{summary}"
    );
}

#[test]
fn deidentified_times_are_whole_minutes_at_another_time_of_day() {
    let folder = tempfile::tempdir().unwrap();
    let visit = |name: &str, started: &str| {
        let path = folder.path().join(name);
        let root = analysis::recording::write::Root {
            visit_id: name.to_owned(),
            started_utc: started.to_owned(),
            ..sample::root()
        };
        sample::write_as(&path, &root).unwrap();
        path.display().to_string()
    };
    // Two within a minute, one a week later.
    let files = [
        visit("a", "2026-03-04T09:15:01.123456789Z"),
        visit("b", "2026-03-04T09:15:02.5Z"),
        visit("c", "2026-03-11T09:15:01.2Z"),
    ];
    let files: Vec<&str> = files.iter().map(String::as_str).collect();
    let export = |more: &[&str]| {
        let output = fingerforce(&[&["export", "--deidentify", "--seed", "s"], more, &files[..]].concat());
        assert!(output.status.success(), "{output:?}");
        words(&output.stdout)
    };
    let json: serde_json::Value = serde_json::from_str(&export(&["--to", "json"])).unwrap();
    let recordings = json["recordings"].as_array().unwrap();
    let started: Vec<&str> = recordings.iter().map(|of| of["started_utc"].as_str().unwrap()).collect();
    let at = |text: &str| text.parse::<jiff::Timestamp>().unwrap().as_second();
    assert!(started.iter().all(|text| at(text) % 60 == 0 && text.ends_with(":00Z")), "{started:?}");
    let given = at("2026-03-04T09:15:00Z");
    assert!((at(started[0]) - given) % 86_400 != 0, "the time of day is another one: {started:?}");
    assert!((at(started[2]) - at(started[0]) - 7 * 86_400).abs() <= 60, "{started:?}");
    for of in recordings {
        for row in of["observations"].as_array().unwrap() {
            let entered = row["entered_utc"].as_str().unwrap();
            assert!(entered.is_empty() || at(entered) % 60 == 0, "{entered}");
        }
        for segment in
            of["sensors"].as_array().unwrap().iter().flat_map(|it| it["segments"].as_array().unwrap())
        {
            assert_eq!(segment["utc_ns"].as_i64().unwrap() % 60_000_000_000, 0, "{segment}");
            assert_eq!((&segment["monotonic_ns"], &segment["boottime_ns"]), (&(-1).into(), &(-1).into()));
        }
    }
    // Though they cannot be told apart by their time, none takes another one's place.
    let bundle: serde_json::Value = serde_json::from_str(&export(&["--to", "fhir"])).unwrap();
    let entries = bundle["entry"].as_array().unwrap();
    let urls: std::collections::BTreeSet<&str> =
        entries.iter().filter_map(|it| it["fullUrl"].as_str()).collect();
    assert_eq!(urls.len(), entries.len());
    let out = folder.path().join("bids");
    export(&["--to", "bids", "--out", out.to_str().unwrap()]);
    let subject = fs::read_dir(&out).unwrap().map(|it| it.unwrap().path()).find(|it| it.is_dir()).unwrap();
    assert_eq!(fs::read_dir(subject).unwrap().count(), 3);
}
