//! Intraclass correlations: how well subjects can be told apart, in the six usual forms, each with F, p and interval.
//!
//! Comes in: mean squares of a complete table. Goes out: ratios, with both schools' names.
//!
//! Shrout & Fleiss 1979 (Psychol. Bull. 86:420–428) for the forms and the intervals of (1,·) and (3,·); McGraw & Wong 1996
//! (Psychol. Methods 1:30–46, with the correction 1:390) for those of (2,·): the degrees of freedom of their interval
//! are built with F = MS occasions / MS error, and not with the F of the subjects.
//!
//! ```
//! use analysis::statistics::{anova::TwoWay, icc};
//!
//! // Shrout & Fleiss's six targets, each seen by four judges.
//! let rows: Vec<Vec<f64>> = [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]]
//!     .map(|row| row.map(f64::from).to_vec())
//!     .to_vec();
//! let forms = icc::forms(&TwoWay::of(&rows)?, 0.95);
//! let printed: Vec<String> = forms.iter().map(|form| format!("{} {:.2}", form.shrout_fleiss, form.icc)).collect();
//! assert_eq!(printed[..3], ["ICC(1,1) 0.17", "ICC(2,1) 0.29", "ICC(3,1) 0.71"]);
//! # Ok::<(), analysis::statistics::anova::Refusal>(())
//! ```
use super::anova::TwoWay;
use super::quantiles::{f, f_tail};
use serde::{Deserialize, Serialize};

/// One form of the intraclass correlation.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Icc {
    /// Name after Shrout & Fleiss: `ICC(2,1)`.
    pub shrout_fleiss: String,
    /// Name after McGraw & Wong: `ICC(A,1)`, or `ICC(A,k)` for the mean of all.
    pub mcgraw_wong: String,
    /// What it says.
    pub says: String,
    /// The correlation.
    pub icc: f64,
    /// F of the hypothesis that subjects do not differ; `None` where there is no residual spread (F has no bound).
    pub f: Option<f64>,
    /// Its degrees of freedom.
    pub df1: f64,
    /// Its degrees of freedom.
    pub df2: f64,
    /// Its p; `None` without an F.
    pub p: Option<f64>,
    /// Lower end of the interval; `None` where the data give none.
    pub low: Option<f64>,
    /// Upper end.
    pub high: Option<f64>,
}

/// The six forms at a confidence level: (1,1), (2,1), (3,1), (1,k), (2,k), (3,k).
pub fn forms(of: &TwoWay, level: f64) -> Vec<Icc> {
    let singles = [one_way(of, level), agreement(of, level), consistency(of, level)];
    let averages = singles.iter().map(|single| single.average(of.occasions as f64));
    let all: Vec<Form> = singles.iter().cloned().chain(averages).collect();
    all.into_iter().map(Form::named).collect()
}

/// A form before it is named.
#[derive(Debug, Clone)]
struct Form {
    model: usize,
    /// Values averaged; 1 for a single one.
    k: f64,
    icc: f64,
    ends: Option<(f64, f64)>,
    f: f64,
    df1: f64,
    df2: f64,
}

impl Form {
    /// Reliability of the mean of `k` values from that of one (Spearman & Brown); the ends of the interval follow it.
    fn average(&self, k: f64) -> Form {
        let stepped = |icc: f64| k * icc / (1.0 + (k - 1.0) * icc);
        // A single value's ICC cannot be −1/(k − 1) or less; an approximate interval's lower end can, and means nothing then.
        let end = |icc: f64| if 1.0 + (k - 1.0) * icc > 0.0 { stepped(icc) } else { f64::NAN };
        Form { k, icc: stepped(self.icc), ends: self.ends.map(|(a, b)| (end(a), end(b))), ..*self }
    }

    fn named(self) -> Icc {
        let k = if self.k == 1.0 { "1".to_owned() } else { format!("{:.0}", self.k) };
        let (school, says) = match self.model {
            1 => (String::new(), "each subject by raters or occasions of its own"),
            2 => ("A,".to_owned(), "absolute agreement, occasions a random sample"),
            _ => ("C,".to_owned(), "consistency, these occasions only"),
        };
        let unit = if self.k == 1.0 { "single value" } else { "mean of the values" };
        let finite = |value: f64| value.is_finite().then_some(value);
        Icc {
            shrout_fleiss: format!("ICC({},{k})", self.model),
            mcgraw_wong: format!("ICC({school}{})", if self.k == 1.0 { "1" } else { "k" }),
            says: format!("{says}; {unit}"),
            icc: self.icc,
            f: finite(self.f),
            df1: self.df1,
            df2: self.df2,
            p: finite(self.f).and_then(|f| f_tail(f, self.df1, self.df2)),
            low: self.ends.and_then(|ends| finite(ends.0)),
            high: self.ends.and_then(|ends| finite(ends.1)),
        }
    }
}

/// The two F values that bound the true ratio of mean squares.
fn bounds(ratio: f64, df1: f64, df2: f64, level: f64) -> Option<(f64, f64)> {
    let p = 0.5 + level / 2.0;
    Some((ratio / f(p, df1, df2)?, ratio * f(p, df2, df1)?)).filter(|ends| ends.0.is_finite())
}

fn one_way(of: &TwoWay, level: f64) -> Form {
    let k = of.occasions as f64;
    let (between, within) = (of.ms_subjects, of.ms_within());
    ratio_form(1, k, (between, within), (of.df_subjects(), of.df_within()), level)
}

fn consistency(of: &TwoWay, level: f64) -> Form {
    let k = of.occasions as f64;
    ratio_form(3, k, (of.ms_subjects, of.ms_error), (of.df_subjects(), of.df_error()), level)
}

/// (a − b) / (a + (k − 1) b) of two mean squares, whose interval follows that of their ratio.
fn ratio_form(model: usize, k: f64, (a, b): (f64, f64), (df1, df2): (f64, f64), level: f64) -> Form {
    let of_ratio = |ratio: f64| (ratio - 1.0) / (ratio + k - 1.0);
    Form {
        model,
        k: 1.0,
        icc: (a - b) / (a + (k - 1.0) * b),
        ends: bounds(a / b, df1, df2, level).map(|(low, high)| (of_ratio(low), of_ratio(high))),
        f: a / b,
        df1,
        df2,
    }
}

fn agreement(of: &TwoWay, level: f64) -> Form {
    let (n, k) = (of.subjects as f64, of.occasions as f64);
    let (subjects, occasions, error) = (of.ms_subjects, of.ms_occasions, of.ms_error);
    let icc = (subjects - error) / (subjects + (k - 1.0) * error + k * (occasions - error) / n);
    let ends = (|| {
        let spread = n * (1.0 + (k - 1.0) * icc) - k * icc;
        let ratio = occasions / error;
        let over = k * icc * ratio + spread;
        let under = (n - 1.0) * k * k * icc * icc * ratio * ratio + spread * spread;
        let df = (k - 1.0) * (n - 1.0) * over * over / under;
        let p = 0.5 + level / 2.0;
        let (lower, upper) = (f(p, n - 1.0, df)?, f(p, df, n - 1.0)?);
        let rest = k * occasions + (k * n - k - n) * error;
        Some((
            n * (subjects - lower * error) / (lower * rest + n * subjects),
            n * (upper * subjects - error) / (rest + n * upper * subjects),
        ))
    })();
    Form { model: 2, k: 1.0, icc, ends, f: subjects / error, df1: of.df_subjects(), df2: of.df_error() }
}

#[cfg(test)]
mod tests {
    use super::super::anova::tests::{SHROUT_FLEISS, table};
    use super::*;

    fn shrout_fleiss() -> Vec<Icc> {
        forms(&TwoWay::of(&table(SHROUT_FLEISS)).unwrap(), 0.95)
    }

    #[test]
    fn the_published_table_is_met() {
        // Published: Shrout & Fleiss 1979, table 4: .17 .29 .71 .44 .62 .91.
        for (form, published) in shrout_fleiss().iter().zip([0.17, 0.29, 0.71, 0.44, 0.62, 0.91]) {
            assert!((form.icc - published).abs() <= 0.005, "{form:?}");
        }
    }

    #[test]
    fn all_six_forms_and_their_intervals_agree_with_an_independent_library() {
        // Computed, not published, with Python libraries on the published data.
        let expected = include_str!("../../../fixtures/reliability/shrout_fleiss_1979_expected.csv");
        let mut checked = 0;
        for line in expected.lines().skip(1) {
            let (name, numbers) = line.trim_start_matches('"').split_once('"').unwrap();
            let name = name.replace('k', "4");
            let numbers: Vec<f64> =
                numbers.trim_start_matches(',').split(',').map(|c| c.parse().unwrap()).collect();
            let forms = shrout_fleiss();
            let Some(form) = forms.iter().find(|form| form.shrout_fleiss == name) else { continue };
            let ours = [form.icc, form.f.unwrap(), form.df1, form.df2, form.low.unwrap(), form.high.unwrap()];
            for (ours, theirs) in ours.iter().zip(&numbers) {
                assert!((ours - theirs).abs() < 1e-9, "{line}: {ours}");
            }
            checked += 1;
        }
        assert_eq!(checked, 6);
    }

    #[test]
    fn the_interval_of_agreement_uses_the_occasions_f() {
        // The trap: with the subjects' F in its degrees of freedom the lower end would be 0.0532 instead of 0.0188
        // (computed). The correction to McGraw & Wong is in Psychol. Methods 1:390.
        let form = &shrout_fleiss()[1];
        assert_eq!((form.shrout_fleiss.as_str(), form.mcgraw_wong.as_str()), ("ICC(2,1)", "ICC(A,1)"));
        assert!((form.low.unwrap() - 0.018786513374712).abs() < 1e-9);
    }

    #[test]
    fn an_end_that_no_icc_of_a_mean_can_have_is_none() {
        // A rater who says the same of everybody: the lower end of ICC(2,1) is −1.31.
        let rows = [20.0, 16.0, 17.0, 22.0].map(|value| vec![value, 18.0]);
        let forms = forms(&TwoWay::of(&rows).unwrap(), 0.95);
        assert!(forms[1].low.unwrap() < -1.0, "{:?}", forms[1]);
        for form in &forms {
            assert!(form.low.is_none_or(|low| low <= form.icc), "{form:?}");
        }
        assert_eq!((forms[4].shrout_fleiss.as_str(), forms[4].low), ("ICC(2,2)", None));
        assert!(forms[4].high.is_some());
    }

    #[test]
    fn perfect_repeats_have_no_interval_and_no_f() {
        let rows = vec![vec![1.0, 1.0], vec![2.0, 2.0], vec![4.0, 4.0]];
        let forms = forms(&TwoWay::of(&rows).unwrap(), 0.95);
        assert_eq!((forms[2].icc, forms[2].f, forms[2].low, forms[2].p), (1.0, None, None, None));
        for form in &forms {
            assert_eq!(
                (form.icc, form.f, form.p, form.low, form.high),
                (1.0, None, None, None, None),
                "{form:?}"
            );
        }
    }
}
