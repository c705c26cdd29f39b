//! Trend of one person's results over several visits.
//!
//! Comes in: visits of one participant in the order of time. Goes out: for each item a straight line by least squares (N a
//! day since the first visit) with the 95 % interval of its slope (Student's t) and the test that it is 0. All visits are
//! analysed with the last one's settings. The line treats visits as independent and says nothing of what lies beyond them.
use super::visit::{Measured, Visit};
use crate::measures::repeats::Spread;
use crate::statistics::line::Line;
use crate::statistics::quantiles::student_t;
use crate::statistics::sem::Estimate;
use serde::Serialize;
use std::collections::BTreeSet;

/// Visits that a trend needs: two points always lie on a line.
pub const FEWEST: usize = 3;
/// Days that they must span: minutes give slopes a day that mean nothing.
pub const SHORTEST_DAYS: f64 = 1.0;

/// The trend of one item.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct VisitTrend {
    /// Muscle key: side, digit, direction.
    pub muscle: String,
    /// Kind of test.
    pub test: String,
    /// Visits behind it: days since the first one, and result (N).
    pub points: Vec<(f64, f64)>,
    /// Slope, N a day, with its 95 % interval.
    pub slope_n_per_day: Estimate,
    /// Force of the line at day 0, N.
    pub start_n: f64,
    /// p of the hypothesis that the slope is 0; `None` where the results lie on the line.
    pub p: Option<f64>,
    /// Who measured: what one examiner has more than another is in the slope.
    pub examiners: Vec<String>,
}

/// The trends of the items that at least [`FEWEST`] visits have; `days` are the visits' days since the first.
pub fn trends(visits: &[Visit], days: &[Option<f64>]) -> Vec<VisitTrend> {
    let Some((last, first)) = visits.last().zip(visits.first()) else { return Vec::new() };
    let of = |item: &Measured| {
        let (muscle, test) = (&item.item.muscle, &item.item.test);
        let latest = last.find(muscle, test)?;
        let points: Vec<(f64, f64)> = visits
            .iter()
            .zip(days)
            .filter_map(|(visit, day)| Some(((*day)?, result_n(visit, muscle, test, (last, latest))?)))
            .collect();
        let mut of = trend(muscle, test, points)?;
        let behind = visits.iter().filter(|visit| visit.find(muscle, test).is_some());
        of.examiners =
            behind.map(|visit| visit.examiner.clone()).collect::<BTreeSet<_>>().into_iter().collect();
        Some(of)
    };
    if visits.len() < FEWEST { Vec::new() } else { first.items.iter().filter_map(of).collect() }
}

/// A visit's result, N, with the settings of the last visit; `None` where it has none.
fn result_n(visit: &Visit, muscle: &str, test: &str, (last, latest): (&Visit, &Measured)) -> Option<f64> {
    let measured = visit.find(muscle, test)?;
    match &latest.parameters {
        Some(parameters) if measured.settings() != latest.settings() || visit.software != last.software => {
            let again = measured.measured_again(&visit.file, parameters).ok()?;
            Spread::of(&again).mean_of_peaks_n
        }
        _ => measured.item.spread.mean_of_peaks_n,
    }
}

fn trend(muscle: &str, test: &str, points: Vec<(f64, f64)>) -> Option<VisitTrend> {
    let (x, y): (Vec<f64>, Vec<f64>) = points.iter().copied().unzip();
    let (from, to) = x.iter().fold((f64::MAX, f64::MIN), |(from, to), day| (from.min(*day), to.max(*day)));
    if to - from < SHORTEST_DAYS {
        return None;
    }
    let line = Line::through(&x, &y)?;
    let margin = student_t(0.975, line.df).map(|t| t * line.slope_se);
    Some(VisitTrend {
        muscle: muscle.to_owned(),
        test: test.to_owned(),
        points,
        slope_n_per_day: Estimate {
            value: line.slope,
            low: margin.map(|margin| line.slope - margin),
            high: margin.map(|margin| line.slope + margin),
        },
        start_n: line.intercept,
        p: line.p,
        examiners: Vec::new(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_slope_and_its_interval_are_those_of_the_line() {
        // By hand: y = 10, 11, 13, 13 at 0, 7, 14, 21 days: Sxx 245, Sxy 38.5.
        let of = trend("m", "make", vec![(0.0, 10.0), (7.0, 11.0), (14.0, 13.0), (21.0, 13.0)]).unwrap();
        assert!((of.slope_n_per_day.value - 38.5 / 245.0).abs() < 1e-12);
        // Residual SS 0.7 over 2: SE = √(0.35 / 245) = 0.0377964; t(2) = 4.30265.
        let margin = of.slope_n_per_day.high.unwrap() - of.slope_n_per_day.value;
        assert!((margin - 4.302_652_73 * (0.35_f64 / 245.0).sqrt()).abs() < 1e-7, "{margin}");
        assert!((of.start_n - (11.75 - 10.5 * 38.5 / 245.0)).abs() < 1e-12);
        assert_eq!(trend("m", "make", vec![(0.0, 10.0), (7.0, 11.0)]), None);
        assert_eq!(trend("m", "make", vec![(0.0, 10.0), (0.0, 11.0), (0.0, 12.0)]), None);
        assert_eq!(trend("m", "make", vec![(0.0, 10.0), (0.2, 11.0), (0.9, 12.0)]), None, "all on one day");
    }
}
