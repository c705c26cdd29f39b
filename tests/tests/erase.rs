//! What leaves a data folder, and how everything of one participant goes.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test that cannot go on fails")]

use serde_json::{Value, json};
use std::fs::File;
use std::os::unix::ffi::OsStrExt;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};
use tests::terminal::Terminal;
use tests::{Place, fingerforce, fingerforced, json, run, sealed, stderr, wait_for};

/// A visit of a participant; its recording.
fn visit(place: &Place, participant: &str) -> PathBuf {
    let options = ["--seconds", "2", "--json", "--participant", participant, "--examiner", "ZK4409"];
    let told = sealed(&run(&mut place.record(&options)));
    PathBuf::from(told["recording"].as_str().unwrap())
}

fn erase(place: &Place, participant: &str, options: &[&str]) -> Output {
    let mut command = fingerforced();
    command.args(["erase", "--json", "--participant", participant]).arg("--data").arg(place.path("data"));
    run(command.args(options))
}

fn export(recordings: &[&PathBuf], options: &[&str]) -> Output {
    run(fingerforce().arg("export").args(recordings).args(options))
}

/// Files of the data folder in which a code stands, within it.
fn holding(place: &Place, code: &str) -> Vec<String> {
    let found = run(Command::new("grep").args(["-rlaw", code, "."]).current_dir(place.path("data")));
    let mut files: Vec<String> =
        String::from_utf8_lossy(&found.stdout).lines().map(|file| file.replacen("./", "", 1)).collect();
    files.sort();
    files
}

/// Runs a command whose result goes into a file, as a shell sends it there.
fn into_file(command: &mut Command, file: &Path) {
    let output = run(command.stdout(File::create(file).unwrap()));
    assert!(output.status.success(), "{}", stderr(&output));
}

fn texts(list: &Value) -> Vec<&str> {
    list.as_array().unwrap().iter().filter_map(Value::as_str).collect()
}

/// Two participants, and everything that can be made of their visits, in the data folder and in another one.
struct Made {
    place: Place,
    data: PathBuf,
    out: PathBuf,
    theirs: PathBuf,
    other: PathBuf,
}

impl Made {
    fn of_two() -> Made {
        let place = Place::default();
        let _sensor = place.sensor(&["--first", "1", "--effort", "make:25:1", "--repeat", "--forever"]);
        let (theirs, other) = (visit(&place, "QX7731"), visit(&place, "QX77310"));
        let data = place.path("data").canonicalize().unwrap();
        std::fs::create_dir(place.path("out")).unwrap();
        let out = place.path("out").canonicalize().unwrap();
        let again = visit(&place, "QX7731");
        let made = Made { place, data, out, theirs, other };
        made.reliability("QX7731,8,\n");
        made.reports();
        let plots = |recording: &PathBuf, to: PathBuf| {
            let output = run(fingerforce().arg("plot").arg(recording).arg("--out").arg(to));
            assert!(output.status.success(), "{}", stderr(&output));
        };
        plots(&made.theirs, made.data.join("plots"));
        plots(&made.theirs, made.out.join("plots"));
        plots(&made.other, made.data.join("others"));
        into_file(fingerforce().arg("compare").args([&made.theirs, &again]), &made.out.join("changes.txt"));
        made
    }

    /// As the page takes it; participants who were left out are named in it.
    fn reliability(&self, more: &str) {
        let table = self.place.path("table.csv");
        std::fs::write(&table, format!("id,a,b\nP1,1,2\nP2,4,5\nP3,8,7\n{more}")).unwrap();
        let mut command = fingerforce();
        command.args(["reliability", "--json", "--table"]).arg(&table);
        into_file(&mut command, &self.data.join("reliability.json"));
    }

    fn reports(&self) {
        let (theirs, other) = (&self.theirs, &self.other);
        for (recordings, to) in [
            (&[theirs][..], self.data.join("page.html")),
            (&[other], self.data.join("others.html")),
            (&[other, theirs], self.out.join("both.html")),
            // Written over: what is there now is nothing of theirs.
            (&[theirs], self.out.join("latest.html")),
            (&[other], self.out.join("latest.html")),
            // Of several participants in the folder of another one's visit, and of one in their own.
            (&[other, theirs], self.others_page()),
            (&[theirs], theirs.with_file_name("report.html")),
        ] {
            let output = run(fingerforce().arg("report").args(recordings).arg("--out").arg(to));
            assert!(output.status.success(), "{}", stderr(&output));
        }
        into_file(fingerforce().args(["report", "--out", "-"]).arg(theirs), &self.out.join("page.html"));
    }

    fn others_page(&self) -> PathBuf {
        self.other.canonicalize().unwrap().with_file_name("report.html")
    }
}

const FIGURE: [&str; 2] = ["plots/overview-sensor-1-channel-1.svg", "plots/overview-sensor-1-channel-1.png"];

#[test]
fn what_was_made_of_the_visits_goes_with_them_and_what_somebody_wrote_is_named() {
    let made = Made::of_two();
    let (place, data, out) = (&made.place, &made.data, &made.out);
    std::fs::write(data.join("notes.txt"), "QX7731 came late\n").unwrap();
    std::os::unix::fs::symlink(out.join("changes.txt"), data.join("link.html")).unwrap();

    let listed = json(&erase(place, "QX7731", &[]));
    let found = &listed["found"];
    let others_page = made.others_page();
    let others_page = others_page.strip_prefix(data).unwrap().to_str().unwrap();
    let derived = texts(&found["derived"]);
    for file in ["page.html", "reliability.json", others_page].iter().chain(&FIGURE) {
        assert!(derived.contains(file), "{file} in {derived:?}");
    }
    let exports = texts(&found["exports"]);
    for file in ["both.html", "page.html", "changes.txt"].iter().chain(&FIGURE) {
        assert!(exports.contains(&out.join(file).to_str().unwrap()), "{file} in {exports:?}");
    }
    // What is in the data folder stands in one list only, and what is in the visits goes with these.
    assert!(!exports.iter().any(|file| file.starts_with(data.to_str().unwrap())), "{exports:?}");
    assert_eq!(
        texts(&found["again"]),
        [out.join("both.html").to_str().unwrap(), "reliability.json", others_page]
    );
    assert_eq!((texts(&found["left"]), &found["unreachable"]), (vec![NOTES], &json!([])));
    let told = stderr(&erase(place, "QX7731", &[]));
    for words in
        ["make it again without this participant: ", "look at it yourself: notes.txt (holds the code)"]
    {
        assert!(told.contains(words), "{told}");
    }

    let done = json(&erase(place, "QX7731", &["--yes", listed["yes"].as_str().unwrap()]));
    assert_eq!(done["erased"], true);
    assert_eq!(holding(place, "QX7731"), ["notes.txt"]);
    let plots = |folder: &Path| std::fs::read_dir(folder.join("plots")).unwrap().count();
    assert_eq!((plots(data), plots(out)), (0, 0));
    assert!(!out.join("both.html").exists() && !out.join("page.html").exists());
    assert!(out.join("latest.html").exists(), "it is another participant's by now");
    assert!(data.join("others.html").exists() && std::fs::read_dir(data.join("others")).unwrap().count() > 1);
    // Made again as it was told, it holds the code no more, and only the notes are left.
    made.reliability("");
    let left = json(&erase(place, "QX7731", &[]));
    assert_eq!((&left["yes"], texts(&left["found"]["left"])), (&Value::Null, vec![NOTES]));
    std::fs::remove_file(data.join("notes.txt")).unwrap();
    assert_eq!(holding(place, "QX7731"), [""; 0], "no file of the data folder holds the code");
    assert!(made.other.exists() && holding(place, "QX77310").len() > 2, "another participant's files stay");
}

const NOTES: &str = "notes.txt (holds the code)";

fn report(recording: &Path, out: &Path) {
    let output = run(fingerforce().arg("report").arg(recording).arg("--out").arg(out));
    assert!(output.status.success(), "{}", stderr(&output));
}

#[test]
fn what_only_looks_like_theirs_is_told_and_stays() {
    let place = Place::default();
    let _sensor = place.sensor(&["--first", "1", "--effort", "make:25:1", "--repeat", "--forever"]);
    let (other, number, theirs) = (visit(&place, "P015"), visit(&place, "12"), visit(&place, "QX7731"));
    let data = place.path("data").canonicalize().unwrap();
    report(&other, &data.join("others.html"));
    // The code of the examiner, who is in every report, and a number, which is in any.
    for code in ["ZK4409", "12"] {
        let found = json(&erase(&place, code, &[]))["found"].clone();
        assert_eq!(found["derived"], json!([]), "{code}: {found:#}");
    }
    let listed = json(&erase(&place, "12", &[]));
    json(&erase(&place, "12", &["--yes", listed["yes"].as_str().unwrap()]));
    assert!(!number.exists() && other.exists() && data.join("others.html").exists());

    // Another data folder writes to the same file, of which this one's register knows nothing.
    let latest = place.path("latest.html");
    report(&theirs, &latest);
    let copied = run(Command::new("cp").arg("-r").arg(&data).arg(place.path("second")));
    assert!(copied.status.success());
    let second = place.path("second").join(other.canonicalize().unwrap().strip_prefix(&data).unwrap());
    report(&second, &latest);
    // Copies that somebody made, a name that is no UTF-8, and a link among the visits.
    std::fs::copy(&theirs, data.join("for-paper.h5")).unwrap();
    let name = std::ffi::OsStr::from_bytes(b"scan-\xff.pdf");
    std::fs::write(theirs.with_file_name(name), "scan").unwrap();
    std::os::unix::fs::symlink(place.path("second"), data.join("visits/linked")).unwrap();
    let listed = json(&erase(&place, "QX7731", &[]));
    let files = std::fs::read_dir(theirs.parent().unwrap()).unwrap();
    let files = files.filter(|file| file.as_ref().unwrap().file_name() != "lock").count();
    assert_eq!(listed["found"]["files"], files, "whose lock it is does not count");
    let left = texts(&listed["found"]["left"]);
    for told in
        ["for-paper.h5 (holds the code)", "latest.html (theirs was written there", "visits/linked (a link"]
    {
        assert!(left.iter().any(|left| left.contains(told)), "{told}: {left:?}");
    }
    let done = json(&erase(&place, "QX7731", &["--yes", listed["yes"].as_str().unwrap()]));
    assert_eq!((&done["erased"], &done["kept"], &done["missed"]), (&json!(true), &json!([]), &json!([])));
    assert!(!theirs.parent().unwrap().exists() && latest.exists() && second.exists());
}

#[test]
fn a_page_of_a_sensor_is_noted_and_what_is_on_a_medium_that_is_not_there_is_told() {
    let place = Place::default();
    let _sensor = place.sensor(&["--first", "1", "--effort", "make:25:1", "--repeat", "--forever"]);
    let theirs = visit(&place, "QX7731");
    let (page, medium) = (place.path("sensor.html"), place.path("medium"));
    let output = run(fingerforce().arg("sensor").arg(&theirs).arg("--report").arg(&page));
    assert!(output.status.success(), "{}", stderr(&output));
    std::fs::create_dir(&medium).unwrap();
    report(&theirs, &medium.join("report.html"));
    std::fs::rename(&medium, place.path("unplugged")).unwrap();
    let listed = json(&erase(&place, "QX7731", &[]));
    let shown = |list: &Value| texts(list).join(", ");
    let found = &listed["found"];
    assert!(shown(&found["unreachable"]).contains("medium/report.html (not there"), "{found:#}");
    let told = shown(&found["exports"]) + &shown(&found["left"]);
    assert!(told.contains("sensor.html"), "{found:#}");
    let output = erase(&place, "QX7731", &["--yes", listed["yes"].as_str().unwrap()]);
    let tombstone = std::fs::read_to_string(json(&output)["tombstone"].as_str().unwrap()).unwrap();
    assert!(tombstone.contains("\"exports\": 0"), "{tombstone}");
    assert!(stderr(&output).contains("see to it yourself") && place.path("unplugged/report.html").exists());
}

/// Erases at a terminal with these answers; what was shown.
fn at_a_terminal(place: &Place, answers: &[(&str, &str)]) -> String {
    let mut command = fingerforced();
    let mut terminal =
        Terminal::run(command.args(["erase", "--participant", "QX7731", "--data"]).arg(place.path("data")));
    for (question, answer) in answers {
        wait_for(question, || terminal.screen().contains(question).then_some(()));
        terminal.keys(&format!("{answer}\r"));
    }
    let ended = wait_for("its end", || terminal.ended());
    assert!(ended.success(), "{}", terminal.screen());
    wait_for("its last word", || {
        let shown = terminal.screen();
        ["nothing is erased\r\n", "erased; tombstone: "]
            .iter()
            .any(|word| shown.contains(word))
            .then_some(shown)
    })
}

#[test]
fn at_a_terminal_the_code_and_then_the_word_are_asked_for_and_anything_else_erases_nothing() {
    const CODE: &str = "Type the participant's code to go on: ";
    const WORD: &str = "Type `erase` to erase all of it: ";
    let place = Place::default();
    let _sensor = place.sensor(&["--first", "1", "--effort", "make:25:1", "--repeat", "--forever"]);
    let theirs = visit(&place, "QX7731");
    for wrong in ["QX77310", "qx7731", "", "erase", "y"] {
        let shown = at_a_terminal(&place, &[(CODE, wrong)]);
        assert!(!shown.contains(WORD) && shown.contains("nothing is erased"), "{wrong}: {shown}");
        assert!(theirs.exists(), "{wrong}");
    }
    for wrong in ["no", "", "QX7731", "yes", "ERASE"] {
        let shown = at_a_terminal(&place, &[(CODE, "QX7731"), (WORD, wrong)]);
        assert!(shown.contains("nothing is erased"), "{wrong}: {shown}");
        assert!(theirs.exists(), "{wrong}");
    }
    let shown = at_a_terminal(&place, &[(CODE, "QX7731"), (WORD, "erase")]);
    assert!(shown.contains("erased; tombstone: "), "{shown}");
    assert!(!theirs.parent().unwrap().exists());
}

#[test]
fn everything_of_a_participant_goes_after_two_confirmations_and_nothing_of_anybody_else() {
    let place = Place::default();
    let _sensor = place.sensor(&["--first", "1", "--effort", "make:25:1", "--repeat", "--forever"]);
    let (theirs, other) = (visit(&place, "QX7731"), visit(&place, "P015"));
    let (table, both) = (place.path("table.csv"), place.path("both.json"));
    for (recordings, format, out) in [(&[&theirs][..], "csv", &table), (&[&theirs, &other], "json", &both)] {
        let output = export(recordings, &["--to", format, "--out", out.to_str().unwrap()]);
        assert!(output.status.success(), "{}", stderr(&output));
    }
    assert!(export(&[&theirs], &["--to", "csv"]).status.success());

    let listed = json(&erase(&place, "QX7731", &[]));
    assert_eq!(listed["erased"], false);
    assert_eq!(listed["found"]["visits"].as_array().unwrap().len(), 1, "{listed:#}");
    let exports: Vec<&str> =
        listed["found"]["exports"].as_array().unwrap().iter().filter_map(Value::as_str).collect();
    assert_eq!(
        exports,
        [both.canonicalize().unwrap().to_str().unwrap(), table.canonicalize().unwrap().to_str().unwrap()]
    );
    assert_eq!(listed["found"]["unreachable"], json!(["standard output"]));
    let wrong = erase(&place, "QX7731", &["--yes", "00000000"]);
    assert_eq!(wrong.status.code(), Some(1));
    assert!(theirs.exists() && table.exists(), "nothing goes without both confirmations");

    let done = json(&erase(&place, "QX7731", &["--yes", listed["yes"].as_str().unwrap()]));
    assert_eq!(done["erased"], true);
    assert!(!theirs.parent().unwrap().exists() && !table.exists() && !both.exists());
    assert!(other.exists(), "another participant's visit stays");
    let tombstone = std::fs::read_to_string(done["tombstone"].as_str().unwrap()).unwrap();
    assert!(tombstone.contains("done") && !tombstone.contains("QX7731"), "{tombstone}");
    assert_eq!(holding(&place, "QX7731"), [""; 0], "no file of the data folder holds the code");
    assert_eq!(json(&erase(&place, "QX7731", &[]))["found"]["visits"], json!([]));
}

#[test]
fn an_erasure_that_was_interrupted_is_completed_by_the_next_run_which_says_so() {
    let place = Place::default();
    let _sensor = place.sensor(&["--first", "1", "--effort", "make:25:1", "--repeat", "--forever"]);
    let theirs = visit(&place, "QX7731");
    let found = json(&erase(&place, "QX7731", &[]))["found"].clone();
    // As a crash leaves it: the note is written, and some of the files are gone.
    let notes = place.path("data").join("erasures");
    std::fs::create_dir(&notes).unwrap();
    let note = notes.join("20260302T090000-abcdef01.json");
    let begun = json!({ "state": "begun", "begun_utc": "2026-03-02T09:00:00Z", "found": found });
    std::fs::write(&note, begun.to_string()).unwrap();
    std::fs::remove_file(theirs.parent().unwrap().join("journal-000")).unwrap();
    let next = run(&mut place.record(&["--seconds", "1", "--json"]));
    assert!(
        next.status.success() && stderr(&next).contains("erasure had been interrupted"),
        "{}",
        stderr(&next)
    );
    assert!(!theirs.parent().unwrap().exists());
    assert!(std::fs::read_to_string(&note).unwrap().contains("\"done\""));
    let again = erase(&place, "QX7731", &[]);
    assert!(!stderr(&again).contains("interrupted"), "{}", stderr(&again));
}

#[test]
fn an_export_without_identities_holds_none() {
    let place = Place::default();
    let _sensor = place.sensor(&["--first", "1", "--effort", "make:25:1", "--repeat", "--forever"]);
    let (first, second) = (visit(&place, "QX7731"), visit(&place, "QX7731"));
    let whole = json(&export(&[&first], &["--to", "json"]));
    let whole = &whole["recordings"][0];
    let output = export(&[&first, &second], &["--to", "json", "--deidentify"]);
    assert!(output.status.success(), "{}", stderr(&output));
    let text = String::from_utf8_lossy(&output.stdout).into_owned();
    let day = whole["started_utc"].as_str().unwrap().get(..10).unwrap();
    let serial = whole["sensors"][0]["serial"].as_str().unwrap();
    for word in ["QX7731", "ZK4409", day, serial, whole["visit_id"].as_str().unwrap()] {
        assert!(!text.contains(word), "{word} in {text}");
    }
    let told = json(&output);
    let [a, b] = [&told["recordings"][0], &told["recordings"][1]];
    assert_eq!(a["participant"], b["participant"], "one participant stays one");
    assert_eq!(a["trials"][0]["peak_zero_n"], whole["trials"][0]["peak_zero_n"], "what was measured stays");
    let again = json(&export(&[&first], &["--to", "json", "--deidentify"]));
    assert_eq!(again["recordings"][0]["started_utc"], a["started_utc"], "and the same again next time");
    let copied = place.path("copy.h5");
    std::fs::copy(&first, &copied).unwrap();
    let seedless = export(&[&copied], &["--to", "json", "--deidentify"]);
    assert_eq!(seedless.status.code(), Some(2), "no secret outside a data folder");
    assert!(export(&[&copied], &["--to", "csv", "--deidentify", "--seed", "s"]).status.success());
}

#[test]
fn an_export_replaces_nothing_and_asks_about_names() {
    let place = Place::default();
    let _sensor = place.sensor(&["--first", "1", "--effort", "make:25:1", "--repeat", "--forever"]);
    let first = visit(&place, "P014");
    let out = place.path("out.csv");
    std::fs::write(&out, "mine").unwrap();
    let refused = export(&[&first], &["--to", "csv", "--out", out.to_str().unwrap()]);
    assert!(stderr(&refused).contains("not there yet") && std::fs::read(&out).unwrap() == b"mine");
    let mut command = fingerforced();
    command.arg("correct").arg(&first).args([
        "--by",
        "E01",
        "--why",
        "asked Anna Miller",
        "--sure",
        "--json",
    ]);
    let corrected = run(command.args(["observe", "--kind", "text", "--value", "swollen"]));
    let second = PathBuf::from(json(&corrected)["recording"].as_str().unwrap());
    let asked = export(&[&second], &["--to", "json"]);
    assert!(stderr(&asked).contains("Anna Miller"), "{}", stderr(&asked));
    for option in ["--sure", "--deidentify"] {
        let output = export(&[&second], &["--to", "json", option]);
        assert_eq!(output.status.code(), Some(0), "{}", stderr(&output));
        let named = String::from_utf8_lossy(&output.stdout).contains("Anna Miller");
        assert_eq!(named, option == "--sure");
    }
}

#[test]
fn a_code_that_nobody_has_is_said_to_be_one_and_is_an_error() {
    let place = Place::default();
    let _sensor = place.sensor(&["--first", "1", "--effort", "make:25:1", "--repeat", "--forever"]);
    visit(&place, "QX7731");
    for code in ["QX7732", "qx7731"] {
        let output = erase(&place, code, &[]);
        let told = stderr(&output);
        assert_eq!(output.status.code(), Some(1), "{told}");
        assert!(told.contains(&format!("nothing of a participant `{code}` is in ")), "{told}");
        assert!(told.contains("mistyped") && !told.contains("0 visits"), "{told}");
        let printed: Value = serde_json::from_slice(&output.stdout).unwrap();
        assert_eq!((&printed["erased"], &printed["yes"]), (&json!(false), &Value::Null));
    }
    let help = run(fingerforced().args(["erase", "--help"]));
    let help = String::from_utf8_lossy(&help.stdout).into_owned();
    let broken: Vec<&str> =
        help.lines().filter(|line| line.ends_with("Files that") || line.ends_with("by a")).collect();
    assert!(broken.is_empty(), "{broken:?}");
}

#[test]
fn what_nobody_can_look_into_is_named_and_no_folder_of_theirs_stays() {
    let place = Place::default();
    let _sensor = place.sensor(&["--first", "1", "--effort", "make:25:1", "--repeat", "--forever"]);
    let (theirs, other) = (visit(&place, "QX7731"), visit(&place, "QX77310"));
    let data = place.path("data").canonicalize().unwrap();
    let packed =
        run(Command::new("tar").arg("-czf").arg(data.join("archive.tgz")).arg(theirs.parent().unwrap()));
    assert!(packed.status.success(), "{}", stderr(&packed));
    // Nobody can say whose this was.
    let unknown = data.join("visits/20260101T000000Z-0badcafe");
    std::fs::create_dir(&unknown).unwrap();
    std::fs::write(unknown.join("journal-000"), "no journal").unwrap();
    let (here, there) = (data.join("bids"), place.path("bids"));
    for (recordings, to) in [(&[&theirs][..], &here), (&[&theirs, &other], &there)] {
        let output = export(recordings, &["--to", "bids", "--sure", "--out", to.to_str().unwrap()]);
        assert!(output.status.success(), "{}", stderr(&output));
    }
    std::fs::write(there.join("notes.txt"), "mine\n").unwrap();

    let output = erase(&place, "QX7731", &[]);
    let listed = json(&output);
    assert_eq!(texts(&listed["found"]["packed"]), ["archive.tgz"]);
    assert_eq!(texts(&listed["unknown"]), [unknown.to_str().unwrap()]);
    for told in ["look at it yourself: ", "nobody can say what is in it"] {
        assert!(stderr(&output).contains(told), "{}", stderr(&output));
    }
    let done = json(&erase(&place, "QX7731", &["--yes", listed["yes"].as_str().unwrap()]));
    assert_eq!((&done["erased"], &done["unknown"]), (&json!(true), &listed["unknown"]), "{done:#}");
    assert!(data.join("archive.tgz").exists() && unknown.exists());
    assert!(!here.join("sub-QX7731").exists() && !there.join("sub-QX7731").exists());
    assert_eq!(std::fs::read_to_string(there.join("notes.txt")).unwrap(), "mine\n");

    // A packed file that may be anybody's makes no known participant of a mistyped code.
    let mistyped = erase(&place, "QX7732", &[]);
    assert_eq!(mistyped.status.code(), Some(1), "{}", stderr(&mistyped));
}
