//! What is shown of what the core says: built up by hand.

use super::*;
use crate::pipeline::LinkState;
use crate::pipeline::force::NoZero;
use serde_json::Value;

const PLAN: &str = "title = \"t\"\nprocedure = \"examined\"\n[[item]]\nmuscle = \"left ring abduction\"\ntest = \"make\"\n\
    examiner_sees = \"pace only\"\nparticipant_sees = \"pace only\"\n\
    [[item]]\nmuscle = \"left index adduction\"\ntest = \"make\"\nparticipant_sees = \"all\"\n";

fn view() -> View {
    let mut view = View::default();
    view.begin(Some(Plan::parse(PLAN).unwrap()), "P014", "E01");
    view
}

fn shown(view: &View, role: Role) -> Value {
    serde_json::to_value(view.state(role)).unwrap()
}

fn row(order: i64, item: i64, peak_zero_n: f64) -> Said {
    let mut row = TrialRow::of_hold(None);
    (row.order, row.item, row.peak_zero_n) = (order, item, peak_zero_n);
    (row.kind, row.valid, row.outcome) = ("hold".to_owned(), 1, "released".to_owned());
    (row.muscle, row.test) = ("left".to_owned(), "make".to_owned());
    Said::Trial(Box::new(row))
}

#[test]
fn the_participant_is_told_no_code_no_result_and_no_word_of_the_examiners() {
    let mut view = view();
    view.hear(&Said::Say("for the examiner".to_owned()));
    view.hear(&row(1, 2, 20.0));
    let text = shown(&view, Role::Participant).to_string();
    for part in ["P014", "E01", "for the examiner", "20.0"] {
        assert!(!text.contains(part), "{part}: {text}");
    }
    assert!(shown(&view, Role::Examiner).to_string().contains("for the examiner"));
}

#[test]
fn what_a_plan_hides_from_the_examiner_is_hidden_during_and_after_it() {
    let mut view = view();
    view.hear(&row(1, 1, 20.0));
    view.hear(&row(2, 2, 30.0));
    let examiner = shown(&view, Role::Examiner);
    assert_eq!(examiner["trials"][0]["peak_zero_n"], Value::Null);
    assert_eq!(examiner["trials"][1]["peak_zero_n"], 30.0);
    assert_eq!(examiner["results"][0]["mean_of_peaks_n"], Value::Null);
    view.stage = Some(Stage::Ready { item: 1 });
    assert_eq!((view.sees(Role::Examiner), view.sees(Role::Participant)), (Sees::PaceOnly, Sees::PaceOnly));
    view.stage = Some(Stage::Ready { item: 2 });
    assert_eq!((view.sees(Role::Examiner), view.sees(Role::Participant)), (Sees::All, Sees::All));
}

#[test]
fn a_guided_session_is_the_examiners_alone() {
    let mut view = View::default();
    view.begin_guided(false, 2);
    let examiner = shown(&view, Role::Examiner);
    assert_eq!((examiner["phase"].as_str(), &examiner["bench"]["channel"]), (Some("bench"), &Value::from(2)));
    assert_eq!(shown(&view, Role::Participant)["bench"], Value::Null);
    assert_eq!(view.sees(Role::Participant), Sees::Nothing);
}

#[test]
fn the_sensor_in_use_is_shown_and_what_is_the_matter_with_the_others() {
    let mut view = View::default();
    let plan = "title = \"t\"\n[[item]]\nmuscle = \"left ring abduction\"\ntest = \"make\"\n\
                [[item]]\nmuscle = \"left index adduction\"\ntest = \"make\"\nsensor = 2\n";
    view.begin(Some(Plan::parse(plan).unwrap()), "", "");
    let hear = |view: &mut View, output| view.hear(&Said::Pipeline(output));
    hear(&mut view, Output::Link(0, LinkState::Flowing));
    hear(&mut view, Output::Link(1, LinkState::Closed("unplugged".to_owned())));
    // At the beginning all are waited for.
    view.stage = Some(Stage::Zero);
    let sensor = shown(&view, Role::Examiner)["sensor"].clone();
    assert_eq!((sensor["link"].as_str(), sensor["number"].as_u64()), (Some("gone"), Some(1)));
    assert!(sensor["note"].as_str().unwrap().starts_with("sensor 2"), "{sensor}");
    hear(&mut view, Output::Link(1, LinkState::Flowing));
    hear(&mut view, Output::NoZero { sensor: 2, channel: 1, why: NoZero::Unsteady });
    let note = shown(&view, Role::Examiner)["sensor"]["note"].clone();
    assert!(note.as_str().unwrap().starts_with("sensor 2, channel 1: not steady"), "{note}");
    // Then it is the one in use that says what is to be done.
    view.stage = Some(Stage::Ready { item: 1 });
    hear(&mut view, Output::Link(1, LinkState::Closed("unplugged".to_owned())));
    let sensor = shown(&view, Role::Examiner)["sensor"].clone();
    assert_eq!((sensor["link"].as_str(), sensor["note"].as_str()), (Some("flowing"), Some("")));
    assert_eq!(sensor["others"], serde_json::json!([[2, "gone"]]));
    view.measures((2, 1));
    assert_eq!(shown(&view, Role::Examiner)["sensor"]["link"], "gone");
}

#[test]
fn a_corrected_trial_replaces_its_own_row() {
    let mut view = view();
    view.hear(&row(1, 2, 20.0));
    let Said::Trial(mut amended) = row(1, 2, 20.0) else { panic!() };
    amended.valid = 0;
    amended.why_not = "slipped".to_owned();
    view.hear(&Said::Amended(amended));
    let trials = &shown(&view, Role::Examiner)["trials"];
    assert_eq!((trials.as_array().unwrap().len(), &trials[0]["why_not"]), (1, &Value::from("slipped")));
}

/// Abduction is away from the middle finger's ray, adduction towards it (common anatomy: METHODS of the plans).
#[test]
fn the_drawing_is_told_which_way_each_muscle_moves_its_digit() {
    for (muscle, towards) in [
        ("index abduction", "radial"),
        ("index adduction", "ulnar"),
        ("middle radial-deviation", "radial"),
        ("middle ulnar-deviation", "ulnar"),
        ("ring abduction", "ulnar"),
        ("ring adduction", "radial"),
        ("little abduction", "ulnar"),
        ("little adduction", "radial"),
    ] {
        let text = format!("title = \"t\"\n[[item]]\nmuscle = \"left {muscle}\"\ntest = \"make\"\n");
        let plan = Plan::parse(&text).unwrap();
        assert_eq!(push(&plan.items[0]).word(), towards, "{muscle}");
    }
}

/// Every built-in plan says which way the examiner pulls: against the muscle.
#[test]
fn built_in_plans_pull_against_the_muscle() {
    for (name, text) in crate::visit::plan::builtin::ALL {
        for item in &Plan::parse(text).unwrap().items {
            let mut bare = item.clone();
            bare.examiner_pulls = None;
            assert_eq!(push(item), push(&bare), "{name}: {}", item.name());
        }
    }
}

#[test]
fn the_pace_of_a_pull_is_shown_where_its_force_is() {
    let mut view = view();
    view.stage = Some(Stage::Pull { item: 2 });
    let mut cue = Cue {
        item: (2, 2),
        trial: (1, 3),
        familiarisation: false,
        muscle: "left index adduction".parse().unwrap(),
        test: Test::Break,
        hold_s: 1.0,
        cap_n: Some(30.0),
        band_n: None,
        expected_n: Some(20.0),
        pace_n_per_s: Some((5.0, 8.0)),
    };
    view.hear(&Said::Cue(cue.clone()));
    assert_eq!(shown(&view, Role::Examiner)["window"]["pace_n_per_s"], serde_json::json!([5.0, 8.0]));
    view.stage = Some(Stage::Pull { item: 1 });
    cue.item = (1, 2);
    view.hear(&Said::Cue(cue));
    assert_eq!(shown(&view, Role::Examiner)["window"]["pace_n_per_s"], Value::Null);
}
