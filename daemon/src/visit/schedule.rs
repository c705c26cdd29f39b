//! What comes next: rest is counted per muscle and filled with other muscles.
//!
//! Comes in: the plan's items, what of each is still to do, when each muscle has rested (s of the visit's clock). Goes out:
//! the next item, or how long to wait. The same rule, run ahead with usual times, gives the estimate of what is left.
//!
//! Items of one side and one direction of the palm are a block: the hand is turned only when its block is done. Within a
//! block the first item of the plan whose muscle has rested comes next; an item of the same grip waits for nothing else.

use super::plan::{Grip, Item, Plan, Procedure};
use analysis::trial::{Muscle, Test};

/// What comes next.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Next {
    /// This item, now.
    Item(usize),
    /// This item, then.
    Wait(usize, f64),
    /// Nothing: all is done.
    Nothing,
}

/// When each muscle's last pull ended, s of the visit's clock.
#[derive(Debug, Clone, Default)]
pub struct Rests {
    ended: Vec<(Muscle, f64)>,
    last_s: Option<f64>,
}

impl Rests {
    /// A pull of this muscle ended.
    pub fn ended(&mut self, muscle: Muscle, at_s: f64) {
        self.last_s = Some(self.last_s.map_or(at_s, |last_s| last_s.max(at_s)));
        match self.ended.iter_mut().find(|(known, _)| *known == muscle) {
            Some((_, ended_s)) => *ended_s = ended_s.max(at_s),
            None => self.ended.push((muscle, at_s)),
        }
    }

    /// When this muscle's last pull ended.
    pub fn of(&self, muscle: Muscle) -> Option<f64> {
        self.ended.iter().find(|(known, _)| *known == muscle).map(|(_, ended_s)| *ended_s)
    }

    /// From when on an item's next trial may begin.
    pub fn ready_s(&self, item: &Item, procedure: Procedure) -> f64 {
        if !item.is_loaded() {
            return f64::NEG_INFINITY;
        }
        // Who pulls alone needs the pause between any two pulls, whichever the muscle.
        let last_s = if procedure == Procedure::Examined { self.of(item.muscle) } else { self.last_s };
        last_s.map_or(f64::NEG_INFINITY, |last_s| last_s + item.rest_s)
    }
}

/// What comes next. `open` are the items with something to do, in order; `last` is the item done last.
pub fn next(
    items: &[Item],
    procedure: Procedure,
    open: &[usize],
    last: Option<usize>,
    rests: &Rests,
    now_s: f64,
) -> Next {
    let Some(&first) = open.first() else { return Next::Nothing };
    let ready_s = |at: usize| items.get(at).map_or(now_s, |item| rests.ready_s(item, procedure));
    let when = |at: usize| if ready_s(at) <= now_s { Next::Item(at) } else { Next::Wait(at, ready_s(at)) };
    if procedure == Procedure::SelfPaced {
        return when(first);
    }
    // The item after the last one keeps its grip, once that one is done.
    if let Some(last) = last
        && !open.contains(&last)
        && open.contains(&(last + 1))
        && items.get(last + 1).is_some_and(|item| item.grip == Grip::Same)
    {
        return when(last + 1);
    }
    let block = |at: usize| items.get(at).map(|item| (item.muscle.side, item.palm.as_str()));
    // The block that is on is finished before another one begins.
    let own = last.and_then(block).filter(|own| open.iter().any(|at| block(*at).as_ref() == Some(own)));
    let own = own.or_else(|| block(first));
    let within: Vec<usize> = open.iter().copied().filter(|at| block(*at) == own).collect();
    // What follows in the same grip is not begun before what it follows, nor a break before its make.
    let leads = |at: usize| {
        let muscle = items.get(at).map(|item| item.muscle);
        !within.iter().any(|other| *other < at && items.get(*other).map(|item| item.muscle) == muscle)
    };
    let candidates = || within.iter().copied().filter(|at| leads(*at));
    if let Some(at) = candidates().find(|at| ready_s(*at) <= now_s) {
        return Next::Item(at);
    }
    candidates().min_by(|a, b| ready_s(*a).total_cmp(&ready_s(*b))).map_or(Next::Nothing, when)
}

/// Usual times of an examination, s (assumptions; the estimate is corrected as the visit goes on).
const GRIP_S: f64 = 5.0;
const READY_S: f64 = 1.0;
const AFTER_S: f64 = 1.0;
const TURN_S: f64 = 15.0;
/// What is seen and not measured has this long before the visit goes on, s.
pub const OBSERVE_S: f64 = 6.0;

/// How long the open items will take, s. `left` is how many trials of each item are to come.
pub fn estimate_s(
    items: &[Item],
    procedure: Procedure,
    mut left: Vec<u32>,
    mut last: Option<usize>,
    mut rests: Rests,
    from_s: f64,
) -> f64 {
    let mut now_s = from_s;
    // Each round does a trial or waits once for one.
    for _ in 0..2 * left.iter().sum::<u32>() {
        let open: Vec<usize> = (0..left.len()).filter(|at| left[*at] > 0).collect();
        match next(items, procedure, &open, last, &rests, now_s) {
            Next::Nothing => break,
            Next::Wait(_, until_s) => now_s = until_s,
            Next::Item(at) => {
                let Some(item) = items.get(at) else { break };
                let before = last.and_then(|last| items.get(last));
                now_s += before_s(item, before, procedure);
                now_s += takes_s(item, procedure);
                if item.is_loaded() {
                    rests.ended(item.muscle, now_s);
                }
                left[at] -= 1;
                last = Some(at);
            }
        }
    }
    now_s - from_s
}

impl Plan {
    /// How long the whole plan takes, s, by usual times.
    pub fn estimate_s(&self) -> f64 {
        let left = self.items.iter().map(Item::pulls).collect();
        estimate_s(&self.items, self.procedure, left, None, Rests::default(), 0.0)
    }

    /// The shortest and the longest that it may take, s: an order that is still to be drawn is tried some times.
    fn range_s(&self) -> (f64, f64) {
        const DRAWN: u32 = 16;
        if self.arranged || self.randomise.is_empty() || self.seed.is_some() {
            let own_s = self.clone().arrange(0).estimate_s();
            return (own_s, own_s);
        }
        let drawn = (0..DRAWN).map(|seed| self.clone().arrange(seed).estimate_s());
        drawn.fold((f64::INFINITY, 0.0), |(least, most), own_s| (least.min(own_s), most.max(own_s)))
    }

    /// What to say before the visit begins: how long it takes, and whether that is longer than it should.
    pub fn duration(&self) -> String {
        let (least, minutes) = self.range_s();
        let (least, minutes) = (least / 60.0, minutes / 60.0);
        let about = if format!("{least:.0}") == format!("{minutes:.0}") {
            format!("about {minutes:.0} min")
        } else {
            format!("about {least:.0} to {minutes:.0} min")
        };
        let mut text = format!("{about}: {} items", self.items.len());
        if let Some(most) = self.at_most_minutes.filter(|most| minutes > *most) {
            text += &format!(
                "; longer than the {most:.0} min that it should take: fewer items, trials or shorter rests"
            );
        }
        text
    }
}

/// Turning the hand and taking the grip, s.
fn before_s(item: &Item, before: Option<&Item>, procedure: Procedure) -> f64 {
    if procedure == Procedure::SelfPaced {
        return 0.0;
    }
    match before {
        Some(before) if before.muscle == item.muscle && before.palm == item.palm => 0.0,
        Some(before) if before.muscle.side == item.muscle.side && before.palm == item.palm => GRIP_S,
        _ => TURN_S,
    }
}

fn takes_s(item: &Item, procedure: Procedure) -> f64 {
    let count_s = f64::from(item.count);
    match (procedure, item.test) {
        (Procedure::SelfPaced, _) => item.hold_s + 2.0,
        (_, Test::ActiveMotion | Test::Length) => OBSERVE_S,
        (_, Test::Make | Test::Submaximal) => READY_S + count_s.max(item.hold_s + 1.0) + AFTER_S,
        _ => READY_S + count_s + AFTER_S,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Two muscles palm down, one palm up; a make, a break and a concentric in the break's grip each.
    fn plan() -> Plan {
        let text = "title = \"t\"\nprocedure = \"examined\"\nsides = [\"left\"]\ntests = [\"make\", \"break\", \"concentric\"]\n\
            [defaults]\ntrials = 1\nrest_s = 30.0\n[test.concentric]\ngrip = \"same\"\n\
            [[muscle]]\nmuscle = \"index abduction\"\npalm = \"down\"\n\
            [[muscle]]\nmuscle = \"ring abduction\"\npalm = \"down\"\n\
            [[muscle]]\nmuscle = \"little adduction\"\npalm = \"up\"\n";
        Plan::parse(text).unwrap()
    }

    #[test]
    fn rest_is_filled_with_the_other_muscle_and_a_grip_is_kept() {
        let plan = plan();
        let mut left = vec![1_u32; plan.items.len()];
        let (mut rests, mut now_s, mut last, mut order) = (Rests::default(), 0.0, None, Vec::new());
        loop {
            let open: Vec<usize> = (0..left.len()).filter(|at| left[*at] > 0).collect();
            match next(&plan.items, plan.procedure, &open, last, &rests, now_s) {
                Next::Nothing => break,
                Next::Wait(_, until_s) => now_s = until_s,
                Next::Item(at) => {
                    let muscle = plan.items[at].muscle;
                    assert!(rests.of(muscle).is_none_or(|ended_s| now_s - ended_s >= 30.0));
                    now_s += 10.0;
                    rests.ended(muscle, now_s);
                    left[at] -= 1;
                    last = Some(at);
                    order.push(at);
                }
            }
        }
        assert_eq!(order, [0, 3, 1, 2, 4, 5, 6, 7, 8]);
    }

    #[test]
    fn who_pulls_alone_pulls_in_the_plans_order_with_a_pause_before_each() {
        let of = |muscle| format!("[[item]]\nmuscle = \"{muscle}\"\ntest = \"make\"\nrest_s = 5.0\n");
        let text = format!("title = \"t\"\n{}{}", of("left index abduction"), of("left little abduction"));
        let plan = Plan::parse(&text).unwrap();
        let mut rests = Rests::default();
        rests.ended(plan.items[0].muscle, 100.0);
        let next = |now_s| next(&plan.items, plan.procedure, &[1], Some(0), &rests, now_s);
        assert_eq!((next(101.0), next(105.0)), (Next::Wait(1, 105.0), Next::Item(1)));
    }

    #[test]
    fn the_estimate_waits_as_the_visit_does() {
        let plan = plan();
        let all = vec![1; plan.items.len()];
        let estimate =
            |left: Vec<u32>| estimate_s(&plan.items, plan.procedure, left, None, Rests::default(), 0.0);
        assert_eq!(estimate(vec![0; 9]), 0.0);
        assert_eq!(estimate(vec![1, 0, 0, 0, 0, 0, 0, 0, 0]), TURN_S + 7.0);
        // The last muscle is alone: two rests of 30 s stand between its three pulls.
        let alone = estimate(vec![0, 0, 0, 0, 0, 0, 1, 1, 1]);
        assert_eq!(alone, TURN_S + 3.0 * 7.0 + 2.0 * 30.0);
        assert!(estimate(all) > alone);
    }
}
