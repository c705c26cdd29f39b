//! A foot switch that types a key.
//!
//! Comes in: when the key was typed (ns), and whether a pull is on. Goes out: short, long, double, stop. Pure.
//!
//! A terminal does not say when a key is let go of: a key that is held types itself again, after a first delay of 250 to
//! 660 ms and then every 30 to 92 ms (what keyboards are usually set to; from memory). So a long press is a key that
//! repeats, a double press two that are further apart than repeats, and a short press is known once a delay has passed in
//! which nothing else came. A pull is stopped at once, whatever follows; a second press right after it says pain.

/// Presses closer than this are one key held, or a switch that bounces, ns.
const REPEATS_NS: u64 = 120_000_000;
/// Three repeats: it is held.
const HELD_REPEATS: u32 = 3;
/// A second press within this is a double one, ns.
const DOUBLE_NS: u64 = 450_000_000;
/// Nothing for this long after a press: it was a short one, ns. Longer than a keyboard's first delay.
const SHORT_NS: u64 = 700_000_000;
/// Nothing for this long after two presses: there is no third, ns.
const SETTLED_NS: u64 = 150_000_000;
/// Nothing for this long after what was understood: the key is up, ns.
const UP_NS: u64 = 300_000_000;

/// What was meant.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Gesture {
    /// Stop the pull that is on.
    Stop,
    /// Ready, as expected, next.
    Short,
    /// Repeat.
    Long,
    /// Pain.
    Double,
}

/// The switch's state.
#[derive(Debug, Default)]
pub struct FootSwitch(Option<Run>);

/// Presses that belong together.
#[derive(Debug, Clone, Copy)]
struct Run {
    first_ns: u64,
    last_ns: u64,
    /// Gaps as short as a repeat's.
    repeats: u32,
    /// Longer gaps, and the first of them.
    apart: u32,
    apart_ns: u64,
    /// It has stopped a pull.
    stopped: bool,
    /// What it means is known.
    known: bool,
}

impl FootSwitch {
    /// The key was typed.
    pub fn press(&mut self, now_ns: u64, loaded: bool) -> Option<Gesture> {
        let Some(run) = &mut self.0 else {
            let (first_ns, last_ns) = (now_ns, now_ns);
            let run =
                Run { first_ns, last_ns, repeats: 0, apart: 0, apart_ns: 0, stopped: loaded, known: false };
            self.0 = Some(run);
            return loaded.then_some(Gesture::Stop);
        };
        let gap_ns = now_ns.saturating_sub(run.last_ns);
        run.last_ns = now_ns;
        if gap_ns <= REPEATS_NS {
            run.repeats += 1;
        } else {
            run.apart += 1;
            run.apart_ns = if run.apart == 1 { gap_ns } else { run.apart_ns };
        }
        if loaded && !std::mem::replace(&mut run.stopped, true) {
            return Some(Gesture::Stop);
        }
        let gesture = match (run.repeats, run.apart) {
            _ if run.known => return None,
            (HELD_REPEATS.., _) => Some(Gesture::Long).filter(|_| !run.stopped),
            (_, 2..) => Some(Gesture::Double),
            _ => return None,
        };
        run.known = true;
        gesture
    }

    /// Time passed.
    pub fn tick(&mut self, now_ns: u64, loaded: bool) -> Option<Gesture> {
        let run = self.0.as_mut()?;
        let quiet_ns = now_ns.saturating_sub(run.last_ns);
        // A press that was made before a pull began is no word about the pull.
        let short = Some(Gesture::Short).filter(|_| !run.stopped && !loaded);
        if run.known {
            if quiet_ns >= UP_NS {
                self.0 = None;
            }
            return None;
        }
        if run.apart > 0 && quiet_ns >= SETTLED_NS {
            run.known = true;
            return if run.apart_ns <= DOUBLE_NS { Some(Gesture::Double) } else { short };
        }
        if now_ns.saturating_sub(run.first_ns) >= SHORT_NS && run.apart == 0 {
            self.0 = None;
            return short;
        }
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const MS: u64 = 1_000_000;

    /// What comes of presses at these times (ms), with a tick every 20 ms until a second after the last; a pull is on
    /// from `loaded_from` on.
    fn meant(presses: &[u64], loaded_from: u64) -> Vec<(u64, Gesture)> {
        let mut switch = FootSwitch::default();
        let mut out = Vec::new();
        for now in 0..presses.iter().max().unwrap() + 1000 {
            let loaded = now >= loaded_from;
            if presses.contains(&now) {
                out.extend(switch.press(now * MS, loaded).map(|gesture| (now, gesture)));
            }
            if now % 20 == 0 {
                out.extend(switch.tick(now * MS, loaded).map(|gesture| (now, gesture)));
            }
        }
        out
    }

    fn gestures(presses: &[u64]) -> Vec<Gesture> {
        meant(presses, u64::MAX).into_iter().map(|(_, gesture)| gesture).collect()
    }

    /// A key held for so long (ms), on a keyboard with this first delay and period.
    fn held(from: u64, lasts: u64, delay: u64, period: u64) -> Vec<u64> {
        let repeats = (0..).map(|n| delay + n * period).take_while(|at| *at < lasts).map(|at| from + at);
        std::iter::once(from).chain(repeats).collect()
    }

    #[test]
    fn short_long_and_double_are_told_apart_on_every_usual_keyboard() {
        assert_eq!(gestures(&[10]), [Gesture::Short]);
        for gap in [150, 200, 250, 300, 400, 440] {
            assert_eq!(gestures(&[10, 10 + gap]), [Gesture::Double], "{gap} ms apart");
        }
        assert_eq!(gestures(&[10, 210, 410]), [Gesture::Double], "a third press changes nothing");
        assert_eq!(gestures(&[10, 1010]), [Gesture::Short, Gesture::Short]);
        // First delay and period: X11, GNOME, KDE, Linux console, macOS, as usually set.
        for (delay, period) in [(660, 40), (500, 30), (600, 40), (250, 92), (500, 90)] {
            for lasts in [1000, 1500, 5000] {
                assert_eq!(
                    gestures(&held(10, lasts, delay, period)),
                    [Gesture::Long],
                    "{delay} {period} {lasts}"
                );
            }
        }
    }

    #[test]
    fn a_switch_that_bounces_is_pressed_once() {
        assert_eq!(gestures(&[10, 14, 31]), [Gesture::Short]);
        assert_eq!(gestures(&[10, 14, 250, 255]), [Gesture::Double]);
    }

    #[test]
    fn during_a_pull_the_first_press_stops_at_once_and_a_second_says_pain() {
        assert_eq!(meant(&[500], 0), [(500, Gesture::Stop)]);
        let pain = meant(&[500, 700], 0);
        assert_eq!(pain.iter().map(|it| it.1).collect::<Vec<_>>(), [Gesture::Stop, Gesture::Double]);
        assert_eq!(pain[0].0, 500);
        for (delay, period) in [(660, 40), (500, 30), (250, 92)] {
            assert_eq!(
                meant(&held(500, 3000, delay, period), 0),
                [(500, Gesture::Stop)],
                "held: only stopped"
            );
        }
    }

    #[test]
    fn a_press_from_before_the_pull_does_not_stop_it_and_a_key_held_into_it_does() {
        assert_eq!(meant(&[100], 400), [], "ready was pressed, and the contact was steady by itself");
        let held = meant(&held(100, 3000, 500, 40), 400);
        assert_eq!(held, [(600, Gesture::Stop)]);
    }

    /// Whatever is pressed, and whenever: a press during a pull stops it by then, and the switch comes back to rest.
    #[test]
    fn any_presses_stop_a_pull_and_leave_the_switch_ready() {
        let mut random = crate::simulate::random::Random::new(5);
        for _ in 0..2000 {
            let mut presses: Vec<u64> =
                (0..1 + random.below(12)).map(|_| random.below(4000) as u64).collect();
            presses.sort_unstable();
            presses.dedup();
            let from = random.below(4000) as u64;
            let out = meant(&presses, from);
            let first = presses.iter().find(|at| **at >= from);
            let stops: Vec<u64> = out.iter().filter(|it| it.1 == Gesture::Stop).map(|it| it.0).collect();
            assert_eq!(stops.first(), first, "{presses:?} from {from}: {out:?}");
            let mut after: Vec<u64> = presses.clone();
            after.push(6000);
            assert!(meant(&after, u64::MAX).contains(&(6700, Gesture::Short)), "{presses:?}");
        }
    }
}
