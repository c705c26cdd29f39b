//! Simulation: on data with known variance components, 95 % intervals cover 95 %, and of visits without a change at most
//! 5 % are said to have one. Seeds are fixed; LONG=1 draws ten times as many.
#![allow(clippy::unwrap_used)] // what goes wrong in a test ends it
mod sample;

use analysis::holds::{Parameters, Profile};
use analysis::statistics::agreement::{cv_within_percent, limits};
use analysis::statistics::anova::TwoWay;
use analysis::statistics::change::Verdict;
use analysis::statistics::intervals::welch;
use analysis::statistics::sem::{self, Estimate};
use analysis::statistics::{icc, planning};
use analysis::study::comparison::{Basis, Rules, compare};
use analysis::study::conditions::Conditions;
use analysis::study::reliability::{self, Document, KIND, MeanSquares, Reliability, VERSION};
use analysis::study::table::Table;
use analysis::study::visit::Visit;
use analysis::trial::Test;
use sample::study::{self, Numbers, Planned};

/// Standard deviations between subjects, between occasions, and of the rest.
const SUBJECTS_SD: f64 = 5.0;
const OCCASIONS_SD: f64 = 1.0;
const REST_SD: f64 = 2.0;

fn draws() -> usize {
    if std::env::var_os("LONG").is_some() { 20_000 } else { 2_000 }
}

/// A table of `n` subjects and `k` occasions, whose shifts are drawn with this standard deviation.
fn table(numbers: &mut Numbers, n: usize, k: usize, shift: f64) -> Vec<Vec<f64>> {
    let shifts: Vec<f64> = (0..k).map(|_| shift * numbers.normal()).collect();
    let row = |numbers: &mut Numbers| {
        let subject = 30.0 + SUBJECTS_SD * numbers.normal();
        shifts.iter().map(|shift| subject + shift + REST_SD * numbers.normal()).collect()
    };
    (0..n).map(|_| row(numbers)).collect()
}

/// Counts how often intervals hold the true value.
struct Coverage {
    name: &'static str,
    held: usize,
    of: usize,
}

impl Coverage {
    fn new(name: &'static str) -> Coverage {
        Coverage { name, held: 0, of: 0 }
    }

    fn add(&mut self, low: f64, high: f64, truth: f64) {
        self.of += 1;
        self.held += usize::from(low <= truth && truth <= high);
    }

    fn estimate(&mut self, of: &Estimate, truth: f64) {
        self.add(of.low.unwrap(), of.high.unwrap(), truth);
    }

    fn told(&self) -> f64 {
        let share = self.held as f64 / self.of as f64;
        println!("{}: {:.2} % of {} intervals hold the true value", self.name, 100.0 * share, self.of);
        share
    }

    /// 95 %, within four standard errors of the simulation and what the method itself is known to miss.
    fn check(&self, allowed: f64) {
        let share = self.told();
        let chance = 4.0 * (0.95_f64 * 0.05 / self.of as f64).sqrt();
        assert!((share - 0.95).abs() <= chance + allowed, "{}: {share}", self.name);
    }
}

#[test]
fn intervals_of_icc_and_sem_cover() {
    let mut numbers = Numbers(1);
    let (n, k) = (20, 3);
    let (subjects, occasions, rest) =
        (SUBJECTS_SD * SUBJECTS_SD, OCCASIONS_SD * OCCASIONS_SD, REST_SD * REST_SD);
    let (mut one, mut two, mut three) =
        (Coverage::new("ICC(1,1)"), Coverage::new("ICC(2,1)"), Coverage::new("ICC(3,1)"));
    let (mut one_mean, mut two_mean, mut three_mean) =
        (Coverage::new("ICC(1,k)"), Coverage::new("ICC(2,k)"), Coverage::new("ICC(3,k)"));
    let (mut consistent, mut mdc) = (Coverage::new("SEM consistency"), Coverage::new("MDC95 consistency"));
    let factor = sem::change_factor(0.05).unwrap();
    for _ in 0..draws() {
        let of = TwoWay::of(&table(&mut numbers, n, k, OCCASIONS_SD)).unwrap();
        let forms = icc::forms(&of, 0.95);
        let end = |at: usize| (forms[at].low.unwrap(), forms[at].high.unwrap());
        let average = |single: f64| 3.0 * single / (1.0 + 2.0 * single);
        let (agreement, consistency) =
            (subjects / (subjects + occasions + rest), subjects / (subjects + rest));
        two.add(end(1).0, end(1).1, agreement);
        three.add(end(2).0, end(2).1, consistency);
        two_mean.add(end(4).0, end(4).1, average(agreement));
        three_mean.add(end(5).0, end(5).1, average(consistency));
        let sem = sem::consistency(&of).unwrap();
        consistent.estimate(&sem.sem, REST_SD);
        mdc.estimate(&sem.mdc95, factor * REST_SD);
        // One-way: every value has an occasion of its own.
        let forms = icc::forms(&TwoWay::of(&table(&mut numbers, n, k, 0.0)).unwrap(), 0.95);
        one.add(forms[0].low.unwrap(), forms[0].high.unwrap(), consistency);
        one_mean.add(forms[3].low.unwrap(), forms[3].high.unwrap(), average(consistency));
    }
    for of in [&one, &one_mean, &three, &three_mean, &consistent, &mdc] {
        of.check(0.0);
    }
    // Approximate degrees of freedom: McGraw & Wong's interval is not exact.
    two.check(0.02);
    two_mean.check(0.02);
}

/// The interval of the SEM (agreement) holds where occasions shift nothing. Where they do, two of them tell nothing of how far
/// occasions go apart, which no interval of theirs makes good: data that show it are not used for verdicts.
#[test]
fn the_interval_of_agreement_covers_where_occasions_shift_nothing() {
    let mut numbers = Numbers(5);
    for (n, k) in [(20, 2), (60, 2), (20, 3)] {
        let mut agreement = Coverage::new("SEM agreement, no shift");
        for _ in 0..draws() {
            let of = TwoWay::of(&table(&mut numbers, n, k, 0.0)).unwrap();
            agreement.estimate(&sem::agreement(&of).unwrap().sem, REST_SD);
        }
        // Satterthwaite's degrees of freedom are approximate, and a negative component is taken for 0.
        agreement.check(0.01);
    }
    for shift in [0.5, 1.0, 2.0] {
        let mut agreement = Coverage::new("SEM agreement, two occasions that shift");
        for _ in 0..draws() {
            let of = TwoWay::of(&table(&mut numbers, 60, 2, shift)).unwrap();
            agreement.estimate(&sem::agreement(&of).unwrap().sem, REST_SD.hypot(shift));
        }
        println!("shift of {shift} N beside {REST_SD} N");
        agreement.told();
    }
}

#[test]
fn intervals_of_bias_limits_cv_and_sides_cover() {
    let mut numbers = Numbers(2);
    let sd = REST_SD * std::f64::consts::SQRT_2;
    let (mut bias, mut upper) = (Coverage::new("bias"), Coverage::new("limit of agreement"));
    let (mut cv, mut sides) = (Coverage::new("CV within"), Coverage::new("Welch, 3 + 3"));
    let truth_cv = 100.0 * libm::expm1(0.06_f64 * 0.06).sqrt();
    for _ in 0..draws() {
        let differences: Vec<f64> = (0..25).map(|_| 1.0 + sd * numbers.normal()).collect();
        let of = limits(&differences).unwrap();
        bias.estimate(&of.bias, 1.0);
        upper.estimate(&of.upper, 1.0 + 1.959_963_984_540_054 * sd);
        let rows: Vec<Vec<f64>> = (0..12)
            .map(|_| {
                let own = 20.0 * libm::exp(0.2 * numbers.normal());
                (0..2).map(|_| own * libm::exp(0.06 * numbers.normal())).collect()
            })
            .collect();
        cv.estimate(&cv_within_percent(&rows).unwrap(), truth_cv);
        let mut three =
            |mean: f64, sd: f64| -> Vec<f64> { (0..3).map(|_| mean + sd * numbers.normal()).collect() };
        let (left, right) = (three(20.0, 1.0), three(23.0, 2.0));
        let (low, high) = welch(&left, &right, 0.95).unwrap();
        sides.add(low, high, 3.0);
    }
    bias.check(0.0);
    cv.check(0.0);
    // Bland & Altman's √(3 SD²/n) is an approximation.
    upper.check(0.02);
    // With three and three Welch's interval is approximate, and errs on the wide side.
    sides.check(0.025);
}

/// Two visits of one person with `items` items, and data of as many analyses that fit them; values are drawn later.
fn two_visits(items: usize) -> (Vec<Visit>, Document) {
    let folder = tempfile::tempdir().unwrap();
    let make = Parameters::new(Profile::Standard, Test::Make);
    let visits = [1, 2].map(|visit| {
        let planned =
            Planned { participant: 3, examiner: "E1", visit, factor: 1.0, condition: "invented", plan: "" };
        let mut visit = Visit::read(&study::write_visit(folder.path(), 1, &planned, &make)).unwrap();
        let measured = |at: usize| {
            // Without parameters nothing is measured again.
            let mut of = visit.items[0].clone();
            of.parameters = None;
            of.item.muscle = format!("left {at}");
            of.conditions.muscle = at.to_string();
            of.conditions.profile = "standard".to_owned();
            of
        };
        visit.items = (0..items).map(measured).collect();
        visit
    });
    let table = Table::parse(b"subject,a,b\nA,20,21\nB,30,29\nC,25,27\n", None, "any").unwrap();
    let any = reliability::of(&table, 0.2).unwrap();
    let analyses = visits[0].items.iter().map(|of| Reliability {
        name: format!("{}, make", of.item.muscle),
        conditions: Conditions { examiner: "same".to_owned(), ..of.conditions.clone() },
        pairs: Vec::new(),
        ..any.clone()
    });
    let document = Document {
        kind: KIND.to_owned(),
        version: VERSION,
        software: String::new(),
        by: None,
        analyses: analyses.collect(),
        refused: Vec::new(),
        left_out: Vec::new(),
        cautions: String::new(),
    };
    (visits.to_vec(), document)
}

/// Share of visits in which a change is said, of a person who never changes: every item has an error of its own, found in
/// as many participants and two occasions; occasions shift each item by so much.
fn share_said_to_have_changed(
    seed: u64,
    participants: usize,
    (primary, others): (usize, usize),
    shift: f64,
) -> f64 {
    let mut numbers = Numbers(seed);
    let (mut visits, document) = two_visits(primary + others);
    let named = visits[0].items[..primary].iter();
    let named = named.map(|of| (of.item.muscle.clone(), of.item.test.clone())).collect();
    let basis = Basis::Own(document);
    let mut rules = Rules { basis, primary: named, vouched: Default::default(), form: Default::default() };
    let (times, mut said, mut judged) = (draws() / 2, 0, 0);
    for _ in 0..times {
        if let Basis::Own(document) = &mut rules.basis {
            for of in &mut document.analyses {
                let two_way = TwoWay::of(&table(&mut numbers, participants, 2, shift)).unwrap();
                (of.subjects, of.agreement) = (participants, sem::agreement(&two_way));
                of.mean_squares = MeanSquares::of(&two_way);
            }
        }
        for item in visits.iter_mut().flat_map(|visit| &mut visit.items) {
            item.item.spread.mean_of_peaks_n = Some(30.0 + REST_SD.hypot(shift) * numbers.normal());
        }
        let of = compare(&visits, &rules).unwrap();
        let each = (of.judged_singly, of.judged_together);
        if each == (0, 0) {
            // Data whose occasions differ by more than chance judge nothing.
            assert!(of.changes[0].cannot_say[0].contains("occasions"), "{:?}", of.changes[0].cannot_say);
            continue;
        }
        judged += 1;
        assert_eq!(each, (primary, others), "{:?}", of.changes[0].cannot_say);
        assert!((of.false_changes - 0.05).abs() < 1e-12, "{}", of.false_changes);
        let changed = |verdict: Option<Verdict>| verdict.is_some_and(|it| it != Verdict::WithinError);
        said += usize::from(of.changes.iter().any(|change| changed(change.verdict)));
    }
    println!(
        "seed {seed}, {participants} participants, {primary} primary items and {others} others, shift {shift} N: {judged} of \
         {times} visits without a change judged, a change said in {:.2} % of all",
        100.0 * said as f64 / times as f64
    );
    if shift == 0.0 {
        assert!(judged as f64 > 0.9 * times as f64, "without a shift nearly all can be judged: {judged}");
    }
    said as f64 / times as f64
}

#[test]
fn a_change_is_said_in_at_most_5_percent_of_visits_without_one() {
    // Allowed beyond it: 2.6 standard errors of the simulated share (99.5 % of such simulations lie within, one-sided).
    let chance = 2.6 * (0.05_f64 * 0.95 / (draws() / 2) as f64).sqrt();
    let mut shares = Vec::new();
    for (seed, primary, others) in
        [(31, 0, 28), (32, 1, 27), (33, 2, 26), (34, 3, 25), (35, 1, 0), (36, 3, 0)]
    {
        let share = share_said_to_have_changed(seed, 60, (primary, others), 0.0);
        assert!(share <= 0.05 + chance, "{primary} {others}: {share}");
        shares.push(share);
    }
    let mean = shares.iter().sum::<f64>() / shares.len() as f64;
    assert!(mean > 0.035, "{mean}: less is said than the chance allows");
    // With few participants the upper end of the SEM's interval decides.
    assert!(share_said_to_have_changed(37, 20, (3, 25), 0.0) <= 0.05 + chance);
}

#[test]
fn occasions_that_shift_make_no_false_changes_either() {
    let chance = 2.6 * (0.05_f64 * 0.95 / (draws() / 2) as f64).sqrt();
    for (seed, items, shift) in [
        (41, (0, 28), 0.5),
        (42, (0, 28), 2.0),
        (43, (3, 25), 1.0),
        (44, (1, 0), 0.5),
        (45, (1, 0), 1.0),
        (46, (1, 0), 2.0),
        (47, (3, 0), 1.0),
    ] {
        let share = share_said_to_have_changed(seed, 60, items, shift);
        assert!(share <= 0.05 + chance, "{items:?} {shift}: {share}");
    }
}

#[test]
fn the_participants_planned_give_the_width_wanted() {
    let mut numbers = Numbers(4);
    let (subjects, rest) = (SUBJECTS_SD * SUBJECTS_SD, REST_SD * REST_SD);
    let expected = subjects / (subjects + rest);
    let n = planning::participants(expected, 2, 0.2, 0.95).unwrap();
    let widths: f64 = (0..draws() / 4)
        .map(|_| {
            let forms = icc::forms(&TwoWay::of(&table(&mut numbers, n, 2, 0.0)).unwrap(), 0.95);
            forms[0].high.unwrap() - forms[0].low.unwrap()
        })
        .sum();
    let width = widths / (draws() / 4) as f64;
    println!("{n} participants: mean width {width:.3}");
    assert!((width - 0.2).abs() < 0.02, "{width}");
}
