//! Straight line by least squares.
//!
//! Comes in: pairs of values. Goes out: slope and intercept with their standard errors, and the test of the slope.
use super::moments::Moments;
use super::quantiles::t_both_tails;
use serde::{Deserialize, Serialize};

/// A fitted line, y over x.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Line {
    /// Slope.
    pub slope: f64,
    /// Its standard error.
    pub slope_se: f64,
    /// Value at x = 0.
    pub intercept: f64,
    /// Its standard error.
    pub intercept_se: f64,
    /// Standard deviation about the line (n − 2).
    pub residual_sd: f64,
    /// Degrees of freedom: n − 2.
    pub df: f64,
    /// p of the hypothesis that the slope is 0; `None` where the points lie on the line.
    pub p: Option<f64>,
}

impl Line {
    /// The line through the points; `None` with fewer than three, or where all lie at one x.
    pub fn through(x: &[f64], y: &[f64]) -> Option<Line> {
        let (across, up) = (Moments::of(x)?, Moments::of(y)?);
        if x.len() != y.len() || x.len() < 3 {
            return None;
        }
        let n = x.len() as f64;
        // Both are centred first: on the raw scale a long way from zero the slope loses digits.
        let squares: f64 = x.iter().map(|x| (x - across.mean) * (x - across.mean)).sum();
        let products: f64 = x.iter().zip(y).map(|(x, y)| (x - across.mean) * (y - up.mean)).sum();
        let slope = products / squares;
        let residual = |(x, y): (&f64, &f64)| (y - up.mean) - slope * (x - across.mean);
        let left: f64 = x.iter().zip(y).map(residual).map(|r| r * r).sum();
        let df = n - 2.0;
        let residual_sd = (left / df).sqrt();
        let slope_se = residual_sd / squares.sqrt();
        slope.is_finite().then(|| Line {
            slope,
            slope_se,
            intercept: up.mean - slope * across.mean,
            intercept_se: residual_sd * (1.0 / n + across.mean * across.mean / squares).sqrt(),
            residual_sd,
            df,
            p: if slope_se > 0.0 { t_both_tails(slope / slope_se, df) } else { None },
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_certified_line_is_met() {
        // Published: NIST/ITL StRD, linear regression, Norris: certified values.
        let text = include_str!("../../../fixtures/nist/norris.csv");
        let rows: Vec<Vec<f64>> = text
            .lines()
            .skip(1)
            .map(|line| line.split(',').map(|cell| cell.trim().parse().unwrap()).collect())
            .collect();
        let (y, x): (Vec<f64>, Vec<f64>) = rows.iter().map(|row| (row[0], row[1])).unzip();
        assert_eq!(x.len(), 36);
        let line = Line::through(&x, &y).unwrap();
        for (value, certified) in [
            (line.intercept, -0.262323073774029),
            (line.intercept_se, 0.232818234301152),
            (line.slope, 1.00211681802045),
            (line.slope_se, 0.429796848199937e-3),
            (line.residual_sd, 0.884796396144373),
        ] {
            assert!((value / certified - 1.0).abs() < 1e-11, "{value} {certified}");
        }
        assert!(line.p.unwrap() < 1e-60);
    }

    #[test]
    fn what_has_no_line_gets_none() {
        assert_eq!(Line::through(&[1.0, 1.0, 1.0], &[1.0, 2.0, 3.0]), None);
        assert_eq!(Line::through(&[1.0, 2.0], &[1.0, 2.0]), None);
        assert_eq!(Line::through(&[0.0, 1.0, 2.0], &[0.0, 1.0, 2.0]).unwrap().p, None);
    }
}
