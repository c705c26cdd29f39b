//! What an examination looks like in a terminal: what is on, the count in large figures, the force against target and cap.

use super::{Terminal, judged};
use crate::stderr::Stderr;
use crate::visit::engine::{Cue, Observation, Stage};
use crate::visit::gate::ASK_ABOUT;
use crate::visit::plan::Sees;
use analysis::recording::layout::TrialRow;
use std::io::Write;

/// Cells of the bar.
const CELLS: usize = 30;
/// Least force of a full bar that nothing else sets, N.
const LEAST_SCALE_N: f64 = 10.0;

impl Terminal {
    /// A tone, where somebody sits at a terminal.
    fn bell(&self, times: usize) {
        if self.live {
            let _ = Stderr.write_all("\x07".repeat(times).as_bytes());
        }
    }

    pub(super) fn stage(&mut self, stage: &Stage) {
        if let Some(item) = stage.item() {
            self.at_item(item);
        }
        (self.rest_s, self.rest_ends_ns) = (None, None);
        match stage {
            Stage::Zero => self.state = "no zero yet",
            Stage::Gate(missing) => {
                self.state = "what is allowed?";
                self.line(ASK_ABOUT);
                let missing: Vec<String> =
                    missing.iter().map(|(side, digit)| format!("{side} {digit}")).collect();
                self.line(&format!(
                    "Before the first load, for {}: type what is allowed and the pain at rest, as in `allow left break pain 0` \
                     or `allow left index make pain 2 since 2026-01-03 cleared surgeon`.",
                    missing.join(", ")
                ));
            }
            Stage::Rest { seconds, .. } => {
                self.state = "rest";
                self.rest_s = Some(*seconds);
                if *seconds >= 1.0 {
                    self.line(&format!("rest: {seconds:.0} s"));
                }
            }
            Stage::Turn { .. } => {
                self.state = "turn the hand";
                self.line("turn or change the hand as said, and let go of the sensor for its new zero (Enter: take it as it is)");
                self.bell(1);
            }
            Stage::Ready { .. } => {
                self.state = "touch lightly and keep still";
                self.line("touch lightly and keep still for a second (or Enter)");
            }
            Stage::Pull { .. } => self.bell(2),
            Stage::Look { .. } => {
                self.state = "look";
                self.line("look, for 6 s or as long as something is entered: Enter as expected; hold it for other answers; or `o active motion: VALUE`, `o length: VALUE`, `g GRADE`, `p PAIN`");
            }
            Stage::Pain { side } => {
                self.state = "pain now?";
                self.line(&format!(
                    "how much does the {side} hand hurt now? Enter: no more than before; or `p 0` to `p 10`"
                ));
                self.bell(1);
            }
            Stage::Halted { .. } => {
                self.state = "STOPPED";
                self.line("stopped: Enter to go on");
                self.bell(1);
            }
            Stage::Done => self.state = "done",
        }
    }

    pub(super) fn count(&mut self, count: u32) {
        if self.live && self.now_sees != Sees::Nothing {
            for row in large(count) {
                self.line(&row);
            }
        }
        self.bell(1);
        if count == 0 {
            self.line("enough: let go slowly");
        }
    }

    pub(super) fn cap(&mut self, reached: bool, force_n: f64, cap_n: f64) {
        self.bell(if reached { 5 } else { 2 });
        // Who is not to see the force is warned all the same.
        let seen = self.now_sees == Sees::All;
        let told = |words: String| if seen { words } else { String::new() };
        if reached {
            self.state = "STOP: LIMIT";
            let numbers = told(format!(" {force_n:.1} N, the limit is {cap_n:.1} N."));
            self.line(&format!("STOP:{numbers} Let go slowly."));
        } else {
            self.line(&format!("near the limit{}", told(format!(": {force_n:.1} of {cap_n:.1} N"))));
        }
    }

    pub(super) fn amended(&mut self, row: &TrialRow) {
        let told = judged(row);
        if self.told_of.insert(row.order, told.clone()).as_ref() != Some(&told) {
            self.line(&format!("trial-{} is now {told}", row.order));
        }
    }

    pub(super) fn observed(&mut self, seen: &Observation) {
        // Read back, so that a slip of the foot or the tongue is heard.
        let of = seen.item.and_then(|item| self.planned(item));
        let item = of.map_or(String::new(), |(name, _)| format!(" of {name}"));
        self.line(&format!("noted: {}{item}: {}", seen.kind, seen.value));
    }
}

/// The force against target and cap: `[=====##--  ]`. Full is the cap, or above the target, or a little more than the
/// greatest force so far.
pub(super) fn bar(cue: Option<&Cue>, most_n: f64, force_n: f64) -> String {
    let band_n = cue.and_then(|cue| cue.band_n);
    let set_n = cue.and_then(|cue| cue.cap_n).or(band_n.map(|(_, high_n)| 1.5 * high_n));
    let full_n = set_n.unwrap_or((1.25 * most_n).max(LEAST_SCALE_N));
    let cell = |force_n: f64| libm::round((force_n / full_n).clamp(0.0, 1.0) * CELLS as f64) as usize;
    let band = band_n.map(|(low_n, high_n)| cell(low_n)..=cell(high_n));
    let cells = (0..CELLS).map(|at| {
        match (at < cell(force_n), band.as_ref().is_some_and(|band| band.contains(&at))) {
            (true, true) => '#',
            (true, false) => '=',
            (false, true) => '-',
            (false, false) => ' ',
        }
    });
    format!("[{}] ", cells.collect::<String>())
}

/// A number in figures five rows high.
fn large(number: u32) -> Vec<String> {
    const FIGURES: [[&str; 5]; 10] = [
        ["#####", "#   #", "#   #", "#   #", "#####"],
        ["  #  ", " ##  ", "  #  ", "  #  ", " ### "],
        ["#####", "    #", "#####", "#    ", "#####"],
        ["#####", "    #", " ####", "    #", "#####"],
        ["#   #", "#   #", "#####", "    #", "    #"],
        ["#####", "#    ", "#####", "    #", "#####"],
        ["#####", "#    ", "#####", "#   #", "#####"],
        ["#####", "    #", "   # ", "  #  ", "  #  "],
        ["#####", "#   #", "#####", "#   #", "#####"],
        ["#####", "#   #", "#####", "    #", "#####"],
    ];
    let digits: Vec<usize> =
        number.to_string().chars().filter_map(|c| c.to_digit(10)).map(|d| d as usize).collect();
    let row = |row: usize| {
        let figures: Vec<&str> =
            digits.iter().filter_map(|digit| FIGURES.get(*digit)?.get(row).copied()).collect();
        format!("    {}", figures.join("  "))
    };
    (0..5).map(row).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use analysis::trial::Test;

    #[test]
    fn the_bar_shows_force_band_and_cap() {
        let cue = |cap_n, band_n| Cue {
            item: (1, 1),
            trial: (1, 1),
            familiarisation: false,
            muscle: "left index abduction".parse().unwrap(),
            test: Test::Make,
            hold_s: 3.0,
            cap_n,
            band_n,
            expected_n: None,
            pace_n_per_s: None,
        };
        let bar = |cue: &Cue, force_n: f64| bar(Some(cue), 24.0, force_n);
        assert_eq!(bar(&cue(None, None), 5.0).matches('=').count(), 5, "of 1.25 times the greatest");
        let half = bar(&cue(Some(30.0), None), 15.0);
        assert_eq!(half, format!("[{}{}] ", "=".repeat(15), " ".repeat(15)));
        let full = bar(&cue(Some(30.0), None), 99.0);
        assert_eq!(full, format!("[{}] ", "=".repeat(30)));
        let band = bar(&cue(None, Some((10.0, 20.0))), 12.0);
        assert_eq!(band.matches('#').count(), 2, "{band}");
        assert_eq!(band.matches('-').count(), 9, "{band}");
    }

    #[test]
    fn large_figures_are_five_rows_of_one_width() {
        for number in [0, 7, 10] {
            let rows = large(number);
            assert!(rows.len() == 5 && rows.iter().all(|row| row.len() == rows[0].len()));
        }
    }
}
