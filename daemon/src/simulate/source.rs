//! Where the force comes from: a hand, or a trace played back.
//!
//! In: time (s since the source began) or, for an exact trace, the number of the sample. Out: force (N above zero).

use super::hand::Hand;
use super::led::{Led, Order};
use analysis::trace::Trace;

/// Where the force comes from.
#[derive(Debug, Clone)]
pub enum Source {
    /// The hand model.
    Hand(Box<Hand>),
    /// A hand that is told what to do.
    Led(Box<Led>),
    /// A trace at its own times, straight lines between its samples.
    Trace(Trace),
    /// A trace whose rows are the samples, whatever their times.
    Rows(Trace),
}

impl Source {
    /// Force at `time_s`, N; `row` is the number of the sample that is being taken.
    pub fn force_n(&mut self, time_s: f64, row: u64) -> f64 {
        match self {
            Source::Hand(hand) => hand.force_n(time_s),
            Source::Led(hand) => hand.force_n(time_s),
            Source::Trace(trace) => between(trace, time_s),
            Source::Rows(trace) => row_of(trace, row).unwrap_or_default(),
        }
    }

    /// Tells a hand that can be told.
    pub fn tell(&mut self, order: Order, at_s: f64) {
        if let Source::Led(hand) = self {
            hand.tell(order, at_s);
        }
    }

    /// When it is over, s; `None` where it goes on for ever or counts rows.
    #[must_use]
    pub fn duration_s(&self) -> Option<f64> {
        match self {
            Source::Hand(hand) => hand.duration_s(),
            Source::Trace(trace) => Some(trace.time_s.last()? - trace.time_s.first()?),
            Source::Rows(_) | Source::Led(_) => None,
        }
    }

    /// How many samples it has, where its rows are the samples.
    #[must_use]
    pub fn rows(&self) -> Option<u64> {
        match self {
            Source::Rows(trace) => Some(trace.force_n.len() as u64),
            _ => None,
        }
    }
}

fn row_of(trace: &Trace, row: u64) -> Option<f64> {
    trace.force_n.get(usize::try_from(row).ok()?).copied()
}

/// `time_s` counts from the trace's first row; before it and after its last, those rows' force.
fn between(trace: &Trace, time_s: f64) -> f64 {
    let Some(first_s) = trace.time_s.first() else { return 0.0 };
    let time_s = time_s + first_s;
    let after = trace.time_s.partition_point(|row_s| *row_s <= time_s);
    if after == 0 {
        return trace.force_n.first().copied().unwrap_or_default();
    }
    let (Some(&right_s), Some(&right_n)) = (trace.time_s.get(after), trace.force_n.get(after)) else {
        return trace.force_n.last().copied().unwrap_or_default();
    };
    let (left_s, left_n) = (trace.time_s[after - 1], trace.force_n[after - 1]);
    left_n + (right_n - left_n) * (time_s - left_s) / (right_s - left_s)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn trace() -> Trace {
        Trace { time_s: vec![5.0, 6.0, 8.0], force_n: vec![1.0, 3.0, -1.0] }
    }

    #[test]
    fn a_trace_is_played_at_its_own_times() {
        let mut source = Source::Trace(trace());
        for (time_s, force_n) in
            [(-1.0, 1.0), (0.0, 1.0), (0.5, 2.0), (1.0, 3.0), (2.0, 1.0), (3.0, -1.0), (9.0, -1.0)]
        {
            assert_eq!(source.force_n(time_s, 0), force_n, "at {time_s} s");
        }
        assert_eq!(source.duration_s(), Some(3.0));
    }

    #[test]
    fn rows_are_samples_whatever_the_time() {
        let mut source = Source::Rows(trace());
        assert_eq!([0, 1, 2, 3].map(|row| source.force_n(77.0, row)), [1.0, 3.0, -1.0, 0.0]);
        assert_eq!((source.rows(), source.duration_s()), (Some(3), None));
    }
}
