//! Pages in memory: what each is told, and when one can warn. No network.

use super::*;
use crate::core::Said;
use crate::pipeline::device_time::Placed;
use crate::visit::engine::Cue;
use serde_json::Value;

#[derive(Default)]
struct HandClock(AtomicU64);

impl Clock for HandClock {
    fn monotonic_ns(&self) -> u64 {
        self.0.load(Ordering::Relaxed)
    }
    fn boottime_ns(&self) -> u64 {
        self.monotonic_ns()
    }
    fn utc_ns(&self) -> i64 {
        0
    }
    fn host_boot_id(&self) -> String {
        String::new()
    }
    fn sleep_until_ns(&self, _: u64) {}
}

fn block(segment: u64, from_s: f64, forces_n: &[f32], arrival_ns: u64) -> Block {
    let times_s: Vec<f64> = (0..forces_n.len()).map(|i| from_s + i as f64 * 0.001).collect();
    Block {
        sensor: 1,
        placed: Placed { segment, skip: 0, index: 0, position: 0 },
        samples: forces_n.len() as u64,
        sequence: 0,
        counter: 0,
        device_time_us: 0,
        arrival_ns,
        status: 0,
        saturated: false,
        counts: vec![0; forces_n.len()],
        force_n: forces_n.to_vec(),
        device_time_s: times_s,
    }
}

fn told(page: &mut Page, live: &Live) -> Value {
    serde_json::from_str(&page.message(live)).unwrap()
}

fn bins(message: &Value) -> Vec<(f64, f64, f64)> {
    serde_json::from_value(message["bins"].clone()).unwrap()
}

fn world() -> (Arc<HandClock>, Arc<Live>) {
    let clock = Arc::new(HandClock::default());
    let live = Live::new(clock.clone());
    live.show(&View::default());
    (clock, live)
}

#[test]
fn a_page_puts_the_trace_together_from_messages_and_a_late_one_gets_it_whole() {
    let (_, live) = world();
    let (mut early, mut trace) = (Page::new(Role::Examiner), Vec::new());
    for round in 0..50_u16 {
        let from_s = f64::from(round) * 0.014;
        let force_n = f32::from(round);
        live.samples(&block(0, from_s, &[force_n; 14], 1), (1, 1));
        if round % 3 == 0 {
            let message = told(&mut early, &live);
            trace.truncate(message["first"].as_u64().unwrap() as usize);
            trace.extend(bins(&message));
        }
    }
    let message = told(&mut early, &live);
    trace.truncate(message["first"].as_u64().unwrap() as usize);
    trace.extend(bins(&message));
    let whole = bins(&told(&mut Page::new(Role::Examiner), &live));
    assert_eq!(trace, whole);
    assert_eq!(whole.len(), 70);
    assert!(whole.iter().all(|(_, least, greatest)| least <= greatest));
}

#[test]
fn a_page_that_was_away_for_long_gets_the_last_half_minute() {
    let (_, live) = world();
    let mut page = Page::new(Role::Examiner);
    live.samples(&block(0, 0.0, &[0.0], 1), (1, 1));
    told(&mut page, &live);
    for second in 0..100_u16 {
        for tenth in 0..10_u16 {
            live.samples(&block(0, f64::from(second) + f64::from(tenth) * 0.1, &[1.0; 100], 1), (1, 1));
        }
    }
    let message = told(&mut page, &live);
    assert_eq!(bins(&message).len(), BINS);
    assert!(message["first"].as_u64().unwrap() > 6000);
}

#[test]
fn a_new_segment_goes_on_after_a_hole_and_never_back_in_time() {
    let (_, live) = world();
    live.samples(&block(0, 0.0, &[1.0; 30], 1), (1, 1));
    live.samples(&block(1, 0.0, &[2.0; 30], 2), (1, 1));
    let whole = bins(&told(&mut Page::new(Role::Examiner), &live));
    let steps: Vec<f64> = whole.windows(2).map(|pair| pair[1].0 - pair[0].0).collect();
    assert!(steps.iter().all(|step_s| *step_s > 0.005), "{steps:?}");
    assert_eq!(steps.iter().filter(|step_s| **step_s > 0.05).count(), 1, "{steps:?}");
}

#[test]
fn who_may_not_see_the_force_is_not_sent_it() {
    let (_, live) = world();
    live.samples(&block(0, 0.0, &[7.5; 30], 1), (1, 1));
    let message = told(&mut Page::new(Role::Participant), &live);
    assert_eq!(
        (bins(&message).len(), &message["force_n"], &message["peak_n"]),
        (0, &Value::Null, &Value::Null)
    );
    assert_eq!(told(&mut Page::new(Role::Examiner), &live)["force_n"], 7.5);
}

/// Neither a page that comes later nor the item after it gives away what was pulled while nobody was to see it.
#[test]
fn what_was_hidden_when_it_was_pulled_stays_hidden() {
    let (_, live) = world();
    let item = |of: &str, sees: &str| {
        format!("[[item]]\nmuscle = \"left {of} abduction\"\ntest = \"make\"\nexaminer_sees = \"{sees}\"\n")
    };
    let plan = format!("title = \"t\"\n{}{}", item("index", "pace only"), item("ring", "all"));
    let plan = crate::visit::plan::Plan::parse(&plan).unwrap();
    let mut view = View::default();
    view.begin(Some(plan.clone()), "", "");
    let mut visit = crate::visit::engine::Visit::new(Some(plan));
    visit.step(&crate::visit::engine::Input::Zeroed, &mut Vec::new());
    view.look(&visit, true);
    assert_eq!(view.sees(Role::Examiner), Sees::PaceOnly);
    live.show(&view);
    let mut page = Page::new(Role::Examiner);
    live.begin_trial();
    live.samples(&block(0, 0.0, &[30.0; 300], 1), (1, 1));
    assert_eq!((bins(&told(&mut page, &live)).len(), &told(&mut page, &live)["peak_n"]), (0, &Value::Null));
    view.seal();
    live.show(&view);
    assert_eq!(view.sees(Role::Examiner), Sees::All);
    live.samples(&block(0, 0.3, &[1.0; 300], 2), (1, 1));
    for page in [&mut page, &mut Page::new(Role::Examiner)] {
        let message = told(page, &live);
        assert!(bins(&message).iter().all(|bin| bin.2 < 2.0), "{message}");
        assert_eq!((bins(&message).len(), &message["peak_n"]), (30, &Value::from(1.0)));
    }
}

#[test]
fn a_page_can_warn_while_it_says_so_of_what_is_fresh() {
    const MS: u64 = 1_000_000;
    let (clock, live) = world();
    let mut page = Page::new(Role::Examiner);
    clock.0.store(10_000 * MS, Ordering::Relaxed);
    assert!(!live.can_warn());
    let word = |number: &Value, warns: bool| format!(r#"{{"now":1.0,"drawn":{number},"warns":{warns}}}"#);
    let first = told(&mut page, &live)["number"].clone();
    page.hear(&word(&first, false), &live);
    assert!(!live.can_warn(), "nobody hears or sees it");
    page.hear(&word(&first, true), &live);
    assert!(live.can_warn());
    clock.0.store(10_500 * MS, Ordering::Relaxed);
    assert!(live.can_warn());
    page.hear(&word(&first, true), &live);
    clock.0.store(10_700 * MS, Ordering::Relaxed);
    assert!(!live.can_warn(), "a word about an old message is none");
    let next = told(&mut page, &live)["number"].clone();
    let mut participant = Page::new(Role::Participant);
    let theirs = told(&mut participant, &live)["number"].clone();
    participant.hear(&word(&theirs, true), &live);
    assert!(!live.can_warn(), "the participant's page does not warn the examiner");
    page.hear("nonsense", &live);
    page.hear(&word(&next, true), &live);
    assert!(live.can_warn());
}

#[test]
fn the_way_to_the_screen_is_counted_once_a_sample() {
    let (clock, live) = world();
    let mut page = Page::new(Role::Examiner);
    live.samples(&block(0, 0.0, &[1.0; 20], 1_000), (1, 1));
    clock.0.store(5_000_000, Ordering::Relaxed);
    let number = told(&mut page, &live)["number"].clone();
    told(&mut page, &live);
    let word = format!(r#"{{"now":1.0,"drawn":{number},"warns":true}}"#);
    page.hear(&word, &live);
    page.hear(&word, &live);
    let text = crate::server::metrics::text(&crate::health::Health::default(), 0, &live.served, &live.drawn);
    assert!(text.contains("served_seconds_count 1\n") && text.contains("drawn_seconds_count 1\n"), "{text}");
}

#[test]
fn the_pace_of_a_break_is_the_slope() {
    let (_, live) = world();
    let plan = "title = \"t\"\n[[item]]\nmuscle = \"left index abduction\"\ntest = \"make\"\n";
    let mut view = View::default();
    view.begin(Some(crate::visit::plan::Plan::parse(plan).unwrap()), "", "");
    view.hear(&Said::Cue(Cue {
        item: (1, 1),
        trial: (1, 1),
        familiarisation: false,
        muscle: "left index abduction".parse().unwrap(),
        test: analysis::trial::Test::Break,
        hold_s: 1.0,
        cap_n: None,
        band_n: None,
        expected_n: Some(20.0),
        pace_n_per_s: Some((5.0, 8.0)),
    }));
    live.show(&view);
    let ramp: Vec<f32> = (0..1000_u16).map(|i| f32::from(i) * 0.006).collect();
    live.samples(&block(0, 0.0, &ramp, 1), (1, 1));
    let pace = told(&mut Page::new(Role::Examiner), &live)["pace_n_per_s"].as_f64().unwrap();
    assert!((pace - 6.0).abs() < 0.05, "{pace}");
}

#[test]
fn what_is_beside_is_told_where_the_force_is_and_while_it_is_fresh() {
    let (clock, live) = world();
    let mut page = Page::new(Role::Examiner);
    let mut participant = Page::new(Role::Participant);
    live.samples(&block(0, 0.0, &[1.0; 30], 1), (1, 1));
    assert_eq!(told(&mut page, &live)["beside"], Value::Null);
    // Two channels, sample by sample; and a second sensor that falls silent.
    let two = Block { samples: 2, ..block(0, 0.1, &[3.0, 0.5, 4.0, 0.75], 2) };
    live.samples(&Block { sensor: 2, ..block(0, 0.0, &[9.0], 2) }, (1, 1));
    live.samples(&two, (1, 1));
    assert_eq!(told(&mut page, &live)["beside"], serde_json::json!([[1, 2, 0.75], [2, 1, 9.0]]));
    assert_eq!(told(&mut participant, &live)["beside"], Value::Null);
    clock.0.store(400_000_000, Ordering::Relaxed);
    live.samples(&Block { arrival_ns: 400_000_000, ..two }, (1, 2));
    assert_eq!(told(&mut page, &live)["beside"], serde_json::json!([[1, 1, 4.0], [2, 1, null]]));
}
