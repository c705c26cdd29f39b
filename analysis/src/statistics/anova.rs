//! Analysis of variance: what of the spread lies between subjects, between occasions, and in neither.
//!
//! Comes in: a table of values, a row a subject and a column an occasion (or rater), or groups of any length. Goes out:
//! mean squares in the square of the values' unit, with their degrees of freedom, or the reason why there are none.
//!
//! The grand mean and the margins are taken off before anything is squared, so a large mean costs no digits.
use super::moments::{Moments, rounding};
use crate::prose::counted;

/// Why a table cannot be analysed.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Refusal {
    /// Fewer subjects than the analysis needs.
    #[error("{} with every value, and at least {needed} are needed", counted(*found, "subject"))]
    TooFewSubjects {
        /// Subjects there are.
        found: usize,
        /// Subjects there must be.
        needed: usize,
    },
    /// One occasion only.
    #[error("one column of values: repeatability needs at least two occasions or raters")]
    TooFewOccasions,
    /// The rows differ in length.
    #[error("row {row} has {found} values where the first has {expected}")]
    Ragged {
        /// The row, from 1.
        row: usize,
        /// Its values.
        found: usize,
        /// The first row's.
        expected: usize,
    },
    /// A value that is none.
    #[error("row {0} holds a value that is not a finite number")]
    NotFinite(usize),
    /// Every value is the same.
    #[error("all values are equal: there is no spread to analyse")]
    NoSpread,
    /// Squares of the values cannot be told from infinity or from zero.
    #[error("the squares of the values are beyond the numbers that this program calculates with")]
    BeyondSquares,
}

impl Refusal {
    /// What to do about it.
    pub fn hint(&self) -> &'static str {
        match self {
            Refusal::TooFewSubjects { .. } => {
                "give at least 3 participants, each with a value in every column"
            }
            Refusal::TooFewOccasions => {
                "give each participant values of at least two visits, occasions or raters"
            }
            Refusal::Ragged { .. } => "give every row as many values",
            Refusal::NotFinite(_) => "leave a missing value empty, and the participant is left out",
            Refusal::NoSpread => "check that these are measured values, and not one value over and over",
            Refusal::BeyondSquares => {
                "check the values and their unit: forces are nowhere near so large or so small"
            }
        }
    }
}

/// Fewest subjects for which an analysis is given. With two, the intervals say nothing.
pub const FEWEST_SUBJECTS: usize = 3;

/// Mean squares of a complete table, two-way without replication.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TwoWay {
    /// Subjects (rows).
    pub subjects: usize,
    /// Occasions (columns).
    pub occasions: usize,
    /// Mean of all values.
    pub mean: f64,
    /// Mean square between subjects.
    pub ms_subjects: f64,
    /// Mean square between occasions.
    pub ms_occasions: f64,
    /// Residual mean square.
    pub ms_error: f64,
}

impl TwoWay {
    /// The mean squares of a table, a row a subject.
    pub fn of(rows: &[Vec<f64>]) -> Result<TwoWay, Refusal> {
        check(rows)?;
        let (origin, rows) = &shifted(rows);
        let (n, k) = (rows.len(), rows[0].len());
        let (count, width) = (n as f64, k as f64);
        let all: Vec<f64> = rows.iter().flatten().copied().collect();
        let mean = mean_of(&all);
        if !mean.is_finite() {
            return Err(Refusal::BeyondSquares);
        }
        let subjects: Vec<f64> = rows.iter().map(|row| mean_of(row) - mean).collect();
        let occasions: Vec<f64> = (0..k)
            .map(|column| mean_of(&rows.iter().map(|row| row[column]).collect::<Vec<_>>()) - mean)
            .collect();
        let residuals = rows.iter().zip(&subjects).flat_map(|(row, subject)| {
            row.iter().zip(&occasions).map(move |(value, occasion)| (value - mean) - subject - occasion)
        });
        let residuals: Vec<f64> = residuals.collect();
        // What reading decimals into numbers leaves is no spread: columns that differ by 0.3 everywhere have no residual.
        let greatest = all.iter().fold(0.0_f64, |most, value| most.max((origin + value).abs()));
        let rounding = rounding(greatest);
        let are_spread = |deviations: &[f64]| deviations.iter().any(|d| d.abs() > rounding);
        if ![&subjects, &occasions, &residuals].into_iter().any(|of| are_spread(of)) {
            return Err(Refusal::NoSpread);
        }
        let squares = |deviations: &[f64]| {
            if are_spread(deviations) { deviations.iter().map(|d| d * d).sum::<f64>() } else { 0.0 }
        };
        let of = TwoWay {
            subjects: n,
            occasions: k,
            mean: origin + mean,
            ms_subjects: width * squares(&subjects) / (count - 1.0),
            ms_occasions: count * squares(&occasions) / (width - 1.0),
            ms_error: squares(&residuals) / ((count - 1.0) * (width - 1.0)),
        };
        let squares = [of.ms_subjects, of.ms_occasions, of.ms_error];
        let are_lost = squares.iter().all(|square| *square == 0.0);
        if are_lost || !squares.iter().all(|square| square.is_finite()) {
            return Err(Refusal::BeyondSquares);
        }
        Ok(of)
    }

    /// Mean square within subjects: occasions and residual together.
    pub fn ms_within(&self) -> f64 {
        let n = self.subjects as f64;
        (self.ms_occasions + (n - 1.0) * self.ms_error) / n
    }

    /// Degrees of freedom between subjects.
    pub fn df_subjects(&self) -> f64 {
        self.subjects as f64 - 1.0
    }

    /// Degrees of freedom between occasions.
    pub fn df_occasions(&self) -> f64 {
        self.occasions as f64 - 1.0
    }

    /// Degrees of freedom of the residual.
    pub fn df_error(&self) -> f64 {
        self.df_subjects() * self.df_occasions()
    }

    /// Degrees of freedom within subjects.
    pub fn df_within(&self) -> f64 {
        self.subjects as f64 * self.df_occasions()
    }
}

fn check(rows: &[Vec<f64>]) -> Result<(), Refusal> {
    if rows.len() < FEWEST_SUBJECTS {
        return Err(Refusal::TooFewSubjects { found: rows.len(), needed: FEWEST_SUBJECTS });
    }
    let expected = rows[0].len();
    if expected < 2 {
        return Err(Refusal::TooFewOccasions);
    }
    for (row, values) in (1..).zip(rows) {
        if values.len() != expected {
            return Err(Refusal::Ragged { row, found: values.len(), expected });
        }
        if values.iter().any(|value| !value.is_finite()) {
            return Err(Refusal::NotFinite(row));
        }
    }
    let first = rows[0][0];
    if rows.iter().flatten().all(|value| *value == first) {
        return Err(Refusal::NoSpread);
    }
    Ok(())
}

/// Mean squares of groups that may differ in size, one-way.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OneWay {
    /// Groups (subjects).
    pub groups: usize,
    /// Values in all of them.
    pub values: usize,
    /// Mean of all values.
    pub mean: f64,
    /// Mean square between groups.
    pub ms_between: f64,
    /// Mean square within groups.
    pub ms_within: f64,
}

impl OneWay {
    /// The mean squares of groups; those with a single value count between groups, and not within.
    pub fn of(groups: &[Vec<f64>]) -> Result<OneWay, Refusal> {
        if let Some(row) = groups.iter().position(|g| g.is_empty() || g.iter().any(|v| !v.is_finite())) {
            return Err(Refusal::NotFinite(row + 1));
        }
        let values: Vec<f64> = groups.iter().flatten().copied().collect();
        if groups.len() < 2 {
            return Err(Refusal::TooFewSubjects { found: groups.len(), needed: 2 });
        }
        if values.len() == groups.len() {
            return Err(Refusal::TooFewOccasions);
        }
        let (origin, groups) = &shifted(groups);
        let mean = mean_of(&groups.concat());
        let (mut between, mut within) = (0.0, 0.0);
        for group in groups {
            let own = mean_of(group);
            between += group.len() as f64 * (own - mean) * (own - mean);
            within += group.iter().map(|value| (value - own) * (value - own)).sum::<f64>();
        }
        if !(between.is_finite() && within.is_finite()) {
            return Err(Refusal::BeyondSquares);
        }
        Ok(OneWay {
            groups: groups.len(),
            values: values.len(),
            mean: origin + mean,
            ms_between: between / (groups.len() as f64 - 1.0),
            ms_within: within / (values.len() - groups.len()) as f64,
        })
    }

    /// Degrees of freedom between groups.
    pub fn df_between(&self) -> f64 {
        self.groups as f64 - 1.0
    }

    /// Degrees of freedom within groups.
    pub fn df_within(&self) -> f64 {
        (self.values - self.groups) as f64
    }
}

/// The first value, and how far all lie from it: close to each other, they lose nothing by that, and a mean that is far from
/// zero then costs no digits of the deviations from it.
fn shifted(rows: &[Vec<f64>]) -> (f64, Vec<Vec<f64>>) {
    let origin = rows.iter().flatten().next().copied().unwrap_or_default();
    (origin, rows.iter().map(|row| row.iter().map(|value| value - origin).collect()).collect())
}

/// Mean of values that are there and finite.
fn mean_of(values: &[f64]) -> f64 {
    Moments::of(values).map_or(f64::NAN, |moments| moments.mean)
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;

    /// Rows of a fixture: first line names, first column the subject.
    pub fn table(text: &str) -> Vec<Vec<f64>> {
        let row = |line: &str| line.split(',').skip(1).map(|cell| cell.trim().parse().unwrap()).collect();
        text.lines().skip(1).filter(|line| !line.is_empty()).map(row).collect()
    }

    pub const SHROUT_FLEISS: &str = include_str!("../../../fixtures/reliability/shrout_fleiss_1979.csv");

    #[test]
    fn the_published_mean_squares_are_met() {
        // Published: Shrout & Fleiss 1979, Psychol. Bull. 86:420-428, table 3: BMS 11.24, WMS 6.26, JMS 32.49, EMS 1.02.
        let of = TwoWay::of(&table(SHROUT_FLEISS)).unwrap();
        for (value, published) in
            [(of.ms_subjects, 11.24), (of.ms_within(), 6.26), (of.ms_occasions, 32.49), (of.ms_error, 1.02)]
        {
            assert!((value - published).abs() <= 0.005, "{value} {published}");
        }
    }

    #[test]
    fn one_way_and_two_way_agree_on_a_complete_table() {
        let rows = table(SHROUT_FLEISS);
        let (one, two) = (OneWay::of(&rows).unwrap(), TwoWay::of(&rows).unwrap());
        assert!((one.ms_between - two.ms_subjects).abs() < 1e-12);
        assert!((one.ms_within - two.ms_within()).abs() < 1e-12);
        assert_eq!((one.df_between(), one.df_within()), (5.0, 18.0));
    }

    #[test]
    fn the_certified_analyses_of_variance_are_met() {
        // Published: NIST/ITL StRD, analysis of variance: mean squares between and within, F. How near a 64-bit float can come
        // is bounded by reading the data: the allowance is that of the nearest doubles, computed exactly, and a little more.
        let sets = [
            (
                include_str!("../../../fixtures/nist/sirstv.csv"),
                1.27865654e-2,
                1.0831828e-2,
                1.18046237440255,
                2e-13,
            ),
            (
                include_str!("../../../fixtures/nist/atmwtag.csv"),
                3.638341875e-9,
                2.28155932971014e-10,
                15.9467335677930,
                1e-10,
            ),
            (include_str!("../../../fixtures/nist/smls01.csv"), 0.21, 0.01, 21.0, 1e-13),
            (include_str!("../../../fixtures/nist/smls04.csv"), 0.21, 0.01, 21.0, 2e-10),
            (include_str!("../../../fixtures/nist/smls07.csv"), 0.21, 0.01, 21.0, 2e-4),
        ];
        for (text, between, within, f, allowed) in sets {
            let mut groups: std::collections::BTreeMap<&str, Vec<f64>> = Default::default();
            for (group, y) in text.lines().skip(1).filter_map(|line| line.split_once(',')) {
                groups.entry(group).or_default().push(y.parse().unwrap());
            }
            let of = OneWay::of(&groups.into_values().collect::<Vec<_>>()).unwrap();
            let found = [(of.ms_between, between), (of.ms_within, within), (of.ms_between / of.ms_within, f)];
            for (value, certified) in found {
                assert!((value / certified - 1.0).abs() < allowed, "{value} {certified}");
            }
        }
    }

    #[test]
    fn a_large_mean_costs_no_digits() {
        let far: Vec<Vec<f64>> =
            table(SHROUT_FLEISS).iter().map(|row| row.iter().map(|value| value + 1e9).collect()).collect();
        let (far, near) = (TwoWay::of(&far).unwrap(), TwoWay::of(&table(SHROUT_FLEISS)).unwrap());
        assert!((far.ms_error / near.ms_error - 1.0).abs() < 1e-6, "{far:?} {near:?}");
    }

    #[test]
    fn what_cannot_be_analysed_is_refused_with_the_reason() {
        let refused = |rows: &[Vec<f64>]| TwoWay::of(rows).unwrap_err();
        assert_eq!(refused(&[vec![1.0, 2.0]]), Refusal::TooFewSubjects { found: 1, needed: 3 });
        assert_eq!(refused(&[vec![1.0], vec![2.0], vec![3.0]]), Refusal::TooFewOccasions);
        let ragged = [vec![1.0, 2.0], vec![2.0], vec![3.0, 4.0]];
        assert_eq!(refused(&ragged), Refusal::Ragged { row: 2, found: 1, expected: 2 });
        let hole = [vec![1.0, 2.0], vec![2.0, f64::NAN], vec![3.0, 4.0]];
        assert_eq!(refused(&hole), Refusal::NotFinite(2));
        assert_eq!(refused(&[vec![1.0, 1.0], vec![1.0, 1.0], vec![1.0, 1.0]]), Refusal::NoSpread);
        for scale in [1e300, 1.7e308, 1e-200] {
            let rows =
                [[1.0, 0.9], [-1.0, -0.7], [0.5, 0.6]].map(|row| row.map(|value| scale * value).to_vec());
            assert_eq!(refused(&rows), Refusal::BeyondSquares, "{scale}");
        }
        assert_eq!(OneWay::of(&[vec![1e300, 2e300], vec![3e300, 5e300]]), Err(Refusal::BeyondSquares));
    }

    #[test]
    fn what_reading_decimals_leaves_is_no_residual() {
        // 20.1 + 0.3 and 31.7 + 0.3 are not as far from 20.1 and 31.7 as each other, as doubles.
        let shifted = [20.1, 31.7, 25.3, 8.9].map(|value| vec![value, value + 0.3, value + 0.6]).to_vec();
        let of = TwoWay::of(&shifted).unwrap();
        assert_eq!(of.ms_error, 0.0);
        assert!((of.ms_occasions - 4.0 * 0.18 / 2.0).abs() < 1e-12, "{of:?}");
        let twice = [20.1, 31.7, 25.3, 8.9].map(|value| vec![value; 3]).to_vec();
        let of = TwoWay::of(&twice).unwrap();
        assert_eq!((of.ms_error, of.ms_occasions), (0.0, 0.0));
    }
}
