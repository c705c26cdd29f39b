//! An examination at a real terminal: the foot switch's key, the participant's key, what is shown and what is not.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, reason = "a test that cannot go on fails")]

use analysis::recording::read::Recording;
use std::time::Duration;
use tests::follow::Hand;
use tests::terminal::Terminal;
use tests::{Place, wait_for};

fn plan(keys: &str) -> String {
    format!(
        "title = \"One muscle\"\nprocedure = \"examined\"\nsides = [\"right\"]\ntests = [\"active-motion\", \"make\", \"break\"]\n\
         [defaults]\ntrials = 1\nrest_s = 1.0\nhold_s = 1.0\ncount = 3\n{keys}\
         [[muscle]]\nmuscle = \"index abduction\"\npalm = \"down\"\n"
    )
}

/// The key of the foot switch, held for a second, as a keyboard types it: these times are what is tested.
fn hold_the_key(terminal: &mut Terminal) {
    terminal.keys("\r");
    std::thread::sleep(Duration::from_millis(500));
    for _ in 0..12 {
        terminal.keys("\r");
        std::thread::sleep(Duration::from_millis(40));
    }
}

#[test]
fn one_switch_and_one_key_run_a_visit_at_a_terminal() {
    let place = Place::default();
    let mut hand = Hand::start(&place);
    let file = place.path("plan.toml");
    std::fs::write(&file, plan("")).unwrap();
    let mut record =
        place.record(&["--plan", file.to_str().unwrap(), "--participant", "P001", "--examiner", "E01"]);
    let mut terminal = Terminal::run(record.args(["--allow", "right break pain 0"]));
    let (mut makes, mut heard) = (0, Vec::new());
    while let Some(line) = terminal.line() {
        match line.as_str() {
            _ if line.starts_with("look, ") => {
                assert!(!terminal.is_as_it_was(), "each key is read as it is pressed");
                hold_the_key(&mut terminal);
            }
            // The key was up for a while.
            "active motion: part of the range? Press takes it" => {
                std::thread::sleep(Duration::from_millis(600));
                terminal.keys(" ");
            }
            // The first make is stopped by the participant, the second by the examiner's foot, the third is done.
            _ if line.starts_with("go: right index abduction, make") => {
                makes += 1;
                hand.hear(&line);
                if makes < 3 {
                    std::thread::sleep(Duration::from_millis(600));
                    terminal.keys(if makes == 1 { "\x1b" } else { "\r" });
                }
            }
            "stopped: Enter to go on" => {
                std::thread::sleep(Duration::from_millis(800));
                terminal.keys("\r");
            }
            _ if line.starts_with("how much does the right hand hurt now") => terminal.keys("p 3\r"),
            _ => hand.hear(&line),
        }
        heard.push(line);
    }
    let (screen, told) = (terminal.screen(), heard.join("\n"));
    // For eyes.
    std::fs::write(concat!(env!("CARGO_TARGET_TMPDIR"), "/terminal.txt"), &screen).unwrap();
    let ended = wait_for("the end", || terminal.ended());
    assert!(ended.success(), "{told}");
    assert!(terminal.is_as_it_was(), "the terminal is given back as it was");
    for part in [
        "practice: none on file: due",
        "noted: active motion of right index abduction active-motion: part of the range",
        "STOP: let go slowly",
        "noted: pain after of right index abduction break: 3",
        "    #####",
        "enough: let go slowly",
    ] {
        assert!(told.contains(part), "{part}:\n{told}");
    }
    assert!(screen.contains("\x07") && screen.contains(" N  peak ") && screen.contains("[="), "{screen}");
    let rows = Recording::open(&place.visit().join("recording-1.h5")).unwrap().trials().unwrap();
    let rows: Vec<_> = rows.iter().filter(|row| row.item > 0).collect();
    let outcomes: Vec<_> = rows.iter().map(|row| (row.test.as_str(), row.outcome.as_str())).collect();
    assert_eq!(
        outcomes,
        [("make", "stopped"), ("make", "stopped"), ("make", "released"), ("break", "broke")],
        "{told}"
    );
    assert!(rows[0].why_not.contains("participant's key") && rows[1].why_not.contains("foot switch"));
}

#[test]
fn what_the_plan_hides_is_not_on_the_screen() {
    for (keys, screen_of, hidden, counted) in [
        ("examiner_sees = \"pace only\"\n", "examiner", true, true),
        ("participant_sees = \"nothing\"\n", "both", true, false),
        ("examiner_sees = \"pace only\"\nparticipant_sees = \"all\"\n", "participant", false, true),
    ] {
        let place = Place::default();
        let mut hand = Hand::start(&place);
        let file = place.path("plan.toml");
        let text = plan(keys).replace("\"active-motion\", \"make\", \"break\"", "\"make\"");
        std::fs::write(&file, text).unwrap();
        let mut record =
            place.record(&["--plan", file.to_str().unwrap(), "--screen", screen_of, "--no-seal"]);
        let mut terminal = Terminal::run(record.args(["--allow", "right make pain 0"]));
        let mut result = String::new();
        while let Some(line) = terminal.line() {
            if line.starts_with("how much does") {
                terminal.keys("\r");
            }
            if line.starts_with("right index abduction: ") {
                result.clone_from(&line);
            }
            hand.hear(&line);
        }
        let screen = terminal.screen();
        let pull = screen.split("go: right index abduction").nth(1).unwrap_or_else(|| panic!("{screen}"));
        assert_eq!(!pull.contains(" N"), hidden, "{screen_of}, {keys}:\n{screen}");
        assert_eq!(pull.contains("#####"), counted, "{screen_of}, {keys}: the count");
        assert_eq!(result.starts_with("right index abduction: recorded"), hidden, "{result}");
    }
}

#[test]
fn what_looks_like_a_name_is_asked_about_and_taken_when_it_is_typed_again() {
    let place = Place::default();
    let _hand = Hand::start(&place);
    let file = place.path("plan.toml");
    std::fs::write(&file, plan("")).unwrap();
    let mut terminal = Terminal::run(&mut place.record(&["--plan", file.to_str().unwrap(), "--no-seal"]));
    let shown = |terminal: &Terminal, words: &str| {
        wait_for(words, || terminal.screen().contains(words).then_some(()));
    };
    shown(&terminal, "Before the first load");
    terminal.keys("o note: Mrs Anna Smith cried\r");
    shown(&terminal, "not entered: does `Mrs Anna` say who somebody is?");
    assert!(!terminal.screen().contains("noted: "), "{}", terminal.screen());
    terminal.keys("o note: Mrs Anna Smith cried\r");
    shown(&terminal, "noted: note");
}
