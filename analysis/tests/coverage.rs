//! Simulation: on data with known variance components, 95 % intervals cover 95 %, and of visits without a change at most
//! 5 % are said to have one. Seeds are fixed; LONG=1 draws ten times as many.
#![allow(clippy::unwrap_used)] // what goes wrong in a test ends it
mod sample;

use analysis::statistics::agreement::{cv_within_percent, limits};
use analysis::statistics::anova::TwoWay;
use analysis::statistics::change::{Verdict, false_changes, limit, verdict};
use analysis::statistics::intervals::welch;
use analysis::statistics::sem::{self, Estimate};
use analysis::statistics::{icc, planning};
use sample::study::Numbers;

/// Standard deviations between subjects, between occasions, and of the rest.
const SUBJECTS_SD: f64 = 5.0;
const OCCASIONS_SD: f64 = 1.0;
const REST_SD: f64 = 2.0;

fn draws() -> usize {
    if std::env::var_os("LONG").is_some() { 20_000 } else { 2_000 }
}

/// A table of `n` subjects and `k` occasions; with `drawn`, the occasions' shifts are drawn too.
fn table(numbers: &mut Numbers, n: usize, k: usize, drawn: bool) -> Vec<Vec<f64>> {
    let shift = if drawn { OCCASIONS_SD } else { 0.0 };
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

    /// 95 %, within four standard errors of the simulation and what the method itself is known to miss.
    fn check(&self, allowed: f64) {
        let share = self.held as f64 / self.of as f64;
        println!("{}: {:.2} % of {} intervals hold the true value", self.name, 100.0 * share, self.of);
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
    let (mut two_mean, mut three_mean) = (Coverage::new("ICC(2,k)"), Coverage::new("ICC(3,k)"));
    let (mut consistent, mut mdc) = (Coverage::new("SEM consistency"), Coverage::new("MDC95 consistency"));
    let factor = sem::change_factor(0.05).unwrap();
    for _ in 0..draws() {
        let of = TwoWay::of(&table(&mut numbers, n, k, true)).unwrap();
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
        let forms = icc::forms(&TwoWay::of(&table(&mut numbers, n, k, false)).unwrap(), 0.95);
        one.add(forms[0].low.unwrap(), forms[0].high.unwrap(), subjects / (subjects + rest));
    }
    for of in [&one, &three, &three_mean, &consistent, &mdc] {
        of.check(0.0);
    }
    // Approximate degrees of freedom: McGraw & Wong's interval is not exact.
    two.check(0.02);
    two_mean.check(0.02);
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

#[test]
fn visits_without_a_change_are_rarely_said_to_have_one() {
    // 28 items, each with an error found in its own 20 participants and 2 visits; the person does not change.
    for participants in [20, 60] {
        let mut numbers = Numbers(3);
        let items = 28;
        let visits = draws() / 2;
        let mut said = 0;
        for _ in 0..visits {
            let changed = (0..items).any(|_| {
                let of = TwoWay::of(&table(&mut numbers, participants, 2, false)).unwrap();
                let limit = limit(&sem::agreement(&of).unwrap(), participants, items).unwrap();
                let change = REST_SD * (numbers.normal() - numbers.normal());
                verdict(change, &limit) != Verdict::WithinError
            });
            said += usize::from(changed);
        }
        let share = said as f64 / visits as f64;
        println!(
            "{participants} participants: a change said in {:.2} % of {visits} visits without one",
            100.0 * share
        );
        let chance = 2.0 * (0.05_f64 * 0.95 / visits as f64).sqrt();
        assert!(share <= 0.05 + chance, "{participants}: {share}");
    }
}

#[test]
fn with_primary_items_false_changes_are_not_more_than_were_foretold() {
    // Three items judged singly and 25 that share one chance: the number printed is an upper bound of the mean number.
    let mut numbers = Numbers(5);
    let (participants, singly, together) = (60, 3, 25);
    let visits = draws() / 2;
    let mut said = 0;
    for _ in 0..visits {
        for at in 0..singly + together {
            let of = TwoWay::of(&table(&mut numbers, participants, 2, false)).unwrap();
            let shared = if at < singly { 1 } else { together };
            let limit = limit(&sem::agreement(&of).unwrap(), participants, shared).unwrap();
            let change = REST_SD * (numbers.normal() - numbers.normal());
            said += usize::from(verdict(change, &limit) != Verdict::WithinError);
        }
    }
    let (mean, foretold) = (said as f64 / visits as f64, false_changes(singly, together));
    println!("{mean:.3} false changes a visit, {foretold} foretold");
    assert!(mean <= foretold + 3.0 * (foretold / visits as f64).sqrt(), "{mean} {foretold}");
    assert!(mean > 0.5 * foretold, "{mean}: the bound says nothing");
}

#[test]
fn the_participants_planned_give_the_width_wanted() {
    let mut numbers = Numbers(4);
    let (subjects, rest) = (SUBJECTS_SD * SUBJECTS_SD, REST_SD * REST_SD);
    let expected = subjects / (subjects + rest);
    let n = planning::participants(expected, 2, 0.2, 0.95).unwrap();
    let widths: f64 = (0..draws() / 4)
        .map(|_| {
            let forms = icc::forms(&TwoWay::of(&table(&mut numbers, n, 2, false)).unwrap(), 0.95);
            forms[0].high.unwrap() - forms[0].low.unwrap()
        })
        .sum();
    let width = widths / (draws() / 4) as f64;
    println!("{n} participants: mean width {width:.3}");
    assert!((width - 0.2).abs() < 0.02, "{width}");
}
