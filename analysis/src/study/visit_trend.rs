//! Trend of one person's results over several visits.
//!
//! Comes in: visits of one participant in the order of time. Goes out: for each item a straight line by least squares (N a
//! day since the first visit) with the 95 % interval of its slope (Student's t) and the test that it is 0, or why there is
//! none. Only visits whose conditions match the first one's are in it; the others are named. All are analysed with the last
//! one's settings. The line treats visits as independent and says nothing of what lies beyond them.
use super::conditions::Vouched;
use super::visit::{CONCENTRIC, Measured, Peaks, Visit, unlike_visits};
use crate::statistics::line::Line;
use crate::statistics::quantiles::student_t;
use crate::statistics::sem::Estimate;
use serde::Serialize;
use std::collections::BTreeSet;

/// Visits that a trend needs: two points always lie on a line.
pub const FEWEST: usize = 3;
/// Days that they must span: minutes give slopes a day that mean nothing.
pub const SHORTEST_DAYS: f64 = 1.0;
/// p below which a slope is taken for one: the share of level trends that chance gives such a p.
pub const CHANCE: f64 = 0.05;

/// The trend of one item.
#[derive(Debug, Clone, PartialEq, Default, Serialize)]
pub struct VisitTrend {
    /// Muscle key: side, digit, direction.
    pub muscle: String,
    /// Kind of test.
    pub test: String,
    /// Visits behind it: days since the first one, and result (N).
    pub points: Vec<(f64, f64)>,
    /// Their numbers, from 1.
    pub visits: Vec<usize>,
    /// Slope, N a day, with its 95 % interval; `None` where it cannot be said.
    pub slope_n_per_day: Option<Estimate>,
    /// Force of the line at day 0, N.
    pub start_n: Option<f64>,
    /// p of the hypothesis that the slope is 0; `None` where the results lie on the line.
    pub p: Option<f64>,
    /// Who measured: what one examiner has more than another is in the slope.
    pub examiners: Vec<String>,
    /// Visits with the item that are not behind it, each with the reason.
    pub left_out: Vec<String>,
    /// Why there is no slope.
    pub cannot_say: Vec<String>,
    /// The peaks of visits that were measured again, by the visits' numbers.
    #[serde(skip)]
    pub again: Vec<(usize, Peaks)>,
}

/// The trends of the items that the first visit and at least two more have; `days` are the visits' days since the first.
pub fn trends(visits: &[Visit], days: &[Option<f64>], vouched: &Vouched) -> Vec<VisitTrend> {
    let Some(first) = visits.first() else { return Vec::new() };
    first.items.iter().filter_map(|then| of_item((first, then), visits, days, vouched)).collect()
}

/// How many trends have a p, and how many of those chance alone would set below [`CHANCE`].
pub fn by_chance(trends: &[VisitTrend]) -> Option<(usize, f64)> {
    let tested = trends.iter().filter(|trend| trend.p.is_some()).count();
    (tested > 0).then_some((tested, CHANCE * tested as f64))
}

fn of_item(
    (first, then): (&Visit, &Measured),
    visits: &[Visit],
    days: &[Option<f64>],
    vouched: &Vouched,
) -> Option<VisitTrend> {
    let (muscle, test) = (&then.item.muscle, &then.item.test);
    let own = (1..)
        .zip(visits.iter().zip(days))
        .filter_map(|(number, (visit, day))| Some((number, visit, visit.find(muscle, test)?, (*day)?)));
    let own: Vec<(usize, &Visit, &Measured, f64)> = own.collect();
    if own.len() < FEWEST {
        return None;
    }
    let mut of = VisitTrend { muscle: muscle.clone(), test: test.clone(), ..VisitTrend::default() };
    if then.is_concentric() {
        of.cannot_say.push(CONCENTRIC.to_owned());
        return Some(of);
    }
    let mut kept = Vec::new();
    for (number, visit, measured, day) in own {
        let mut why = unlike_visits((first, then), (visit, measured), vouched);
        why.extend(measured.too_few_trials());
        if why.is_empty() {
            kept.push((number, visit, measured, day));
        } else {
            of.left_out.push(format!("visit {number}: {}", why.join("; ")));
        }
    }
    let latest = kept.last().map(|(_, visit, measured, _)| (*visit, *measured));
    for (number, visit, measured, day) in kept {
        match latest.map_or(Ok(None), |latest| peaks_again((visit, measured), latest)) {
            Err(why) => {
                of.left_out
                    .push(format!("visit {number}: measuring it with the last one's settings failed: {why}"));
            }
            Ok(again) => {
                let mean_n = again.as_ref().map_or(measured.item.spread.mean_of_peaks_n, Peaks::mean_n);
                of.points.extend(mean_n.map(|mean_n| (day, mean_n)));
                of.visits.push(number);
                of.again.extend(again.map(|again| (number, again)));
            }
        }
    }
    let examiners = of.visits.iter().map(|number| visits[number - 1].examiner.clone());
    of.examiners = examiners.collect::<BTreeSet<_>>().into_iter().collect();
    Some(with_line(of))
}

/// A visit's peaks with the settings of the last visit; none where they are its own.
fn peaks_again(
    (visit, measured): (&Visit, &Measured),
    (last, latest): (&Visit, &Measured),
) -> Result<Option<Peaks>, String> {
    match &latest.parameters {
        Some(parameters) if measured.settings() != latest.settings() || visit.software != last.software => {
            let again = measured.measured_again(&visit.file, parameters);
            again.map(Some).map_err(|why| why.to_string())
        }
        _ => Ok(None),
    }
}

/// The trend with its line, or why there is none.
fn with_line(mut of: VisitTrend) -> VisitTrend {
    let (x, y): (Vec<f64>, Vec<f64>) = of.points.iter().copied().unzip();
    let (from, to) = x.iter().fold((f64::MAX, f64::MIN), |(from, to), day| (from.min(*day), to.max(*day)));
    if x.len() < FEWEST {
        of.cannot_say.push(format!(
            "a trend needs {FEWEST} visits under the same conditions, and there are {}",
            x.len()
        ));
    } else if to - from < SHORTEST_DAYS {
        of.cannot_say.push("the visits lie within a day".to_owned());
    } else if let Some(line) = Line::through(&x, &y) {
        let margin = student_t(0.975, line.df).map(|t| t * line.slope_se);
        of.slope_n_per_day = Some(Estimate {
            value: line.slope,
            low: margin.map(|margin| line.slope - margin),
            high: margin.map(|margin| line.slope + margin),
        });
        (of.start_n, of.p) = (Some(line.intercept), line.p);
    }
    of
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_slope_and_its_interval_are_those_of_the_line() {
        let trend = |points: &[(f64, f64)]| {
            with_line(VisitTrend { points: points.to_vec(), ..VisitTrend::default() })
        };
        // By hand: y = 10, 11, 13, 13 at 0, 7, 14, 21 days: Sxx 245, Sxy 38.5.
        let of = trend(&[(0.0, 10.0), (7.0, 11.0), (14.0, 13.0), (21.0, 13.0)]);
        let slope = of.slope_n_per_day.unwrap();
        assert!((slope.value - 38.5 / 245.0).abs() < 1e-12);
        // Residual SS 0.7 over 2: SE = √(0.35 / 245) = 0.0377964; t(2) = 4.30265.
        let margin = slope.high.unwrap() - slope.value;
        assert!((margin - 4.302_652_73 * (0.35_f64 / 245.0).sqrt()).abs() < 1e-7, "{margin}");
        assert!((of.start_n.unwrap() - (11.75 - 10.5 * 38.5 / 245.0)).abs() < 1e-12);
        for (points, why) in [
            (&[(0.0, 10.0), (7.0, 11.0)][..], "needs 3 visits"),
            (&[(0.0, 10.0), (0.0, 11.0), (0.0, 12.0)], "within a day"),
            (&[(0.0, 10.0), (0.2, 11.0), (0.9, 12.0)], "within a day"),
        ] {
            let of = trend(points);
            assert_eq!((of.slope_n_per_day, of.p), (None, None));
            assert!(of.cannot_say[0].contains(why), "{:?}", of.cannot_say);
        }
    }
}
