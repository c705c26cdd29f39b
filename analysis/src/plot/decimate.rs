//! Decimation that never hides a peak.
//!
//! Comes in: samples in rising time (s, N), as many as there are. Goes out: for each pixel column the first, lowest,
//! highest and last sample, in order of time, which draws the same picture as all of them; the line broken where samples
//! are missing, and those gaps.

/// A trace reduced to what a figure of some width can show.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Reduced {
    /// Unbroken pieces of the line: time (s) and force (N).
    pub pieces: Vec<Vec<(f64, f64)>>,
    /// Where samples are missing: last time before and first time after, s.
    pub gaps: Vec<(f64, f64)>,
}

impl Reduced {
    /// Lowest and highest force (N); `None` without samples.
    pub fn range_n(&self) -> Option<(f64, f64)> {
        let forces = || self.pieces.iter().flatten().map(|(_, force_n)| *force_n);
        let low = forces().fold(f64::INFINITY, f64::min);
        let high = forces().fold(f64::NEG_INFINITY, f64::max);
        (low <= high).then_some((low, high))
    }

    /// The whole of `time_s` and `force_n`, shifted so that `zero_s` is time zero.
    pub fn of(time_s: &[f64], force_n: &[f64], zero_s: f64, columns: u32) -> Reduced {
        let (Some(first), Some(last)) = (time_s.first(), time_s.last()) else {
            return Reduced::default();
        };
        let mut reducer = Reducer::new(first - zero_s, last - zero_s, columns, usual_interval_s(time_s));
        for (time_s, force_n) in time_s.iter().zip(force_n) {
            reducer.push(time_s - zero_s, *force_n);
        }
        reducer.finish()
    }
}

/// The median distance of neighbouring times, s; what lies half as far again apart is a gap.
pub fn usual_interval_s(time_s: &[f64]) -> f64 {
    let mut steps: Vec<f64> = time_s.windows(2).map(|pair| pair[1] - pair[0]).collect();
    steps.sort_by(f64::total_cmp);
    steps.get(steps.len() / 2).copied().unwrap_or(f64::INFINITY)
}

/// What is kept of one pixel column.
#[derive(Debug, Clone, Copy)]
struct Column {
    number: u32,
    first: (f64, f64),
    low: (f64, f64),
    high: (f64, f64),
    last: (f64, f64),
}

impl Column {
    fn new(number: u32, point: (f64, f64)) -> Column {
        Column { number, first: point, low: point, high: point, last: point }
    }

    fn push(&mut self, point: (f64, f64)) {
        if point.1 < self.low.1 {
            self.low = point;
        }
        if point.1 > self.high.1 {
            self.high = point;
        }
        self.last = point;
    }

    fn empty_into(self, piece: &mut Vec<(f64, f64)>) {
        let (early, late) =
            if self.low.0 <= self.high.0 { (self.low, self.high) } else { (self.high, self.low) };
        for point in [self.first, early, late, self.last] {
            if piece.last() != Some(&point) {
                piece.push(point);
            }
        }
    }
}

/// Takes samples in rising time and keeps what a figure can show of them: memory grows with the figure's width and the
/// number of gaps, not with the number of samples.
#[derive(Debug, Clone)]
pub struct Reducer {
    from_s: f64,
    columns_per_s: f64,
    columns: u32,
    gap_s: f64,
    column: Option<Column>,
    piece: Vec<(f64, f64)>,
    reduced: Reduced,
}

impl Reducer {
    /// For a figure `columns` pixels wide from `from_s` to `to_s`, of samples that are usually `interval_s` apart.
    pub fn new(from_s: f64, to_s: f64, columns: u32, interval_s: f64) -> Reducer {
        let columns_per_s = f64::from(columns.max(1)) / (to_s - from_s).max(f64::MIN_POSITIVE);
        Reducer {
            from_s,
            columns_per_s,
            columns,
            gap_s: 1.5 * interval_s,
            column: None,
            piece: Vec::new(),
            reduced: Reduced::default(),
        }
    }

    /// The next sample. One that is not a number breaks the line.
    pub fn push(&mut self, time_s: f64, force_n: f64) {
        if !time_s.is_finite() || !force_n.is_finite() {
            return;
        }
        if let Some(column) = self.column
            && time_s - column.last.0 > self.gap_s
        {
            self.reduced.gaps.push((column.last.0, time_s));
            self.end_piece();
        }
        let place = (time_s - self.from_s) * self.columns_per_s;
        let number = (place.max(0.0) as u32).min(self.columns.saturating_sub(1));
        match &mut self.column {
            Some(column) if column.number == number => column.push((time_s, force_n)),
            column => {
                if let Some(full) = column.replace(Column::new(number, (time_s, force_n))) {
                    full.empty_into(&mut self.piece);
                }
            }
        }
    }

    /// Everything kept.
    pub fn finish(mut self) -> Reduced {
        self.end_piece();
        self.reduced
    }

    fn end_piece(&mut self) {
        if let Some(column) = self.column.take() {
            column.empty_into(&mut self.piece);
        }
        if !self.piece.is_empty() {
            self.reduced.pieces.push(std::mem::take(&mut self.piece));
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn uniform(force_n: &[f64]) -> Vec<f64> {
        (0..force_n.len()).map(|n| n as f64 * 0.001).collect()
    }

    #[test]
    fn a_single_sample_between_thousands_stays_visible() {
        let mut force_n = vec![1.0; 100_000];
        force_n[77_777] = 40.0;
        let reduced = Reduced::of(&uniform(&force_n), &force_n, 0.0, 500);
        assert_eq!(reduced.range_n(), Some((1.0, 40.0)));
        assert!(reduced.pieces[0].len() <= 4 * 500);
    }

    #[test]
    fn a_gap_breaks_the_line_and_is_told() {
        let time_s = [0.0, 0.1, 0.2, 0.9, 1.0];
        let reduced = Reduced::of(&time_s, &[1.0, 2.0, 3.0, 4.0, 5.0], 0.2, 100);
        assert_eq!(reduced.pieces.len(), 2);
        assert_eq!(reduced.gaps.len(), 1);
        assert!((reduced.gaps[0].0).abs() < 1e-12 && (reduced.gaps[0].1 - 0.7).abs() < 1e-12);
        assert_eq!(Reduced::of(&[], &[], 0.0, 10), Reduced::default());
        let broken = Reduced::of(&[0.0, 0.1, 0.2, 0.3], &[1.0, f64::NAN, 2.0, 2.0], 0.0, 10);
        assert_eq!((broken.pieces.len(), broken.gaps.len()), (2, 1));
    }

    proptest! {
        #[test]
        fn every_column_keeps_its_extremes_and_nothing_is_invented(
            force_n in prop::collection::vec(-50.0..50.0_f64, 1..2000),
            columns in 1..300_u32,
            missing in prop::collection::vec(0..2000_usize, 0..20),
        ) {
            let all: Vec<(f64, f64)> = uniform(&force_n).into_iter().zip(force_n).collect();
            let kept: Vec<(f64, f64)> =
                all.iter().enumerate().filter(|(n, _)| !missing.contains(n)).map(|(_, point)| *point).collect();
            let (Some(first), Some(last)) = (kept.first(), kept.last()) else { return Ok(()) };
            let mut reducer = Reducer::new(first.0, last.0, columns, 0.001);
            kept.iter().for_each(|(time_s, force_n)| reducer.push(*time_s, *force_n));
            let reduced = reducer.finish();
            let drawn: Vec<(f64, f64)> = reduced.pieces.concat();
            prop_assert!(drawn.windows(2).all(|pair| pair[0].0 < pair[1].0));
            prop_assert!(drawn.iter().all(|point| kept.contains(point)));
            prop_assert!(drawn.len() <= 4 * (columns as usize + reduced.gaps.len()));
            prop_assert_eq!(reduced.pieces.len(), reduced.gaps.len() + 1);
            let column = |time_s: f64| {
                let per_s = f64::from(columns) / (last.0 - first.0).max(f64::MIN_POSITIVE);
                (((time_s - first.0) * per_s) as u32).min(columns - 1)
            };
            let extremes = |points: &[(f64, f64)], number: u32| {
                let forces = || points.iter().filter(|point| column(point.0) == number).map(|point| point.1);
                (forces().fold(f64::INFINITY, f64::min), forces().fold(f64::NEG_INFINITY, f64::max))
            };
            for number in 0..columns {
                prop_assert_eq!(extremes(&kept, number), extremes(&drawn, number));
            }
        }
    }
}
