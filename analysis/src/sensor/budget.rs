//! Uncertainty budgets by the GUM (JCGM 100:2008).
//!
//! Comes in: components as standard uncertainties in one unit, each with its degrees of freedom. Goes out: the combined
//! standard uncertainty, the effective degrees of freedom (Welch–Satterthwaite, G.4.1), the coverage factor and the
//! expanded uncertainty for 95 %.

use crate::statistics::quantiles::{normal, student_t};
use serde::{Deserialize, Serialize};

/// Share of the values that an expanded uncertainty encloses.
pub const COVERAGE: f64 = 0.95;

/// One source of uncertainty.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Component {
    /// What it is.
    pub name: String,
    /// How it was found: `A` from repeats, `B` otherwise.
    pub kind: char,
    /// Its distribution in words.
    pub distribution: String,
    /// Standard uncertainty.
    pub standard: f64,
    /// Degrees of freedom; `None` without end.
    pub df: Option<f64>,
}

impl Component {
    /// From repeats: a standard deviation with its degrees of freedom.
    pub fn repeats(name: &str, standard: f64, df: f64) -> Component {
        Component { name: name.to_owned(), kind: 'A', distribution: "t".to_owned(), standard, df: Some(df) }
    }

    /// Between −`half` and +`half`, everything equally likely (GUM 4.3.7).
    pub fn rectangular(name: &str, half: f64) -> Component {
        let standard = half.abs() / 3.0_f64.sqrt();
        Component {
            name: name.to_owned(),
            kind: 'B',
            distribution: "rectangular".to_owned(),
            standard,
            df: None,
        }
    }

    /// A budget's combined standard uncertainty as a source of another one, with its effective degrees of freedom.
    pub fn combined(name: &str, standard: f64, df: Option<f64>) -> Component {
        Component { name: name.to_owned(), kind: 'A', distribution: "t".to_owned(), standard, df }
    }

    /// A standard uncertainty from elsewhere.
    pub fn given(name: &str, standard: f64) -> Component {
        Component { name: name.to_owned(), kind: 'B', distribution: "normal".to_owned(), standard, df: None }
    }
}

/// A whole budget.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Budget {
    /// The sources.
    pub components: Vec<Component>,
    /// Combined standard uncertainty.
    pub combined: f64,
    /// Effective degrees of freedom; `None` without end.
    pub df: Option<f64>,
    /// Coverage factor for [`COVERAGE`]; NaN with less than one degree of freedom.
    #[serde(deserialize_with = "super::or_nan")]
    pub k: f64,
    /// Expanded uncertainty.
    #[serde(deserialize_with = "super::or_nan")]
    pub expanded: f64,
}

impl Budget {
    /// Combines the sources, taken as independent.
    pub fn of(components: Vec<Component>) -> Budget {
        let squares: f64 = components.iter().map(|part| part.standard * part.standard).sum();
        let combined = squares.sqrt();
        let per_df: f64 = components
            .iter()
            .filter_map(|part| Some(part.standard * part.standard * part.standard * part.standard / part.df?))
            .sum();
        let df = (per_df > 0.0).then(|| squares * squares / per_df);
        let k = coverage_factor(df);
        Budget { components, combined, df, k, expanded: k * combined }
    }
}

/// The factor that makes a standard uncertainty with so many degrees of freedom an expanded one: Student's t, the degrees
/// cut to whole ones (GUM G.4.1); NaN with less than one.
pub fn coverage_factor(df: Option<f64>) -> f64 {
    let upper = 0.5 + 0.5 * COVERAGE;
    match df {
        None => normal(upper).unwrap_or(f64::NAN),
        // A rounding error must not take a degree away.
        Some(df) if df + 1e-9 >= 1.0 => student_t(upper, (df + 1e-9).floor().min(1e6)).unwrap_or(f64::NAN),
        Some(_) => f64::NAN,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// From memory: GUM (JCGM 100:2008), H.1.6, end-gauge calibration: u_c² = 1002 nm², effective degrees of freedom 16.7.
    /// Its four sources that have degrees of freedom, and the rest of u_c² without.
    #[test]
    fn effective_degrees_of_freedom_of_the_end_gauge() {
        let budget = Budget::of(vec![
            Component::repeats("standard", 25.0, 18.0),
            Component::repeats("difference", 9.7, 25.6),
            Component::repeats("expansion", 2.9, 50.0),
            Component::repeats("temperature", 16.6, 2.0),
        ]);
        assert!((budget.combined - 1002.0_f64.sqrt()).abs() < 0.05, "{budget:?}");
        assert!((budget.df.unwrap() - 16.7).abs() < 0.15, "{budget:?}");
        // Published: Student's t for 95 % and 16 degrees of freedom is 2.12 (GUM, table G.2).
        assert!((budget.k - 2.12).abs() < 0.005, "{budget:?}");
    }

    /// By hand: two equal sources with ν each have 2 ν together; one alone keeps its own.
    #[test]
    fn equal_sources_add_their_degrees() {
        let source = || Component::repeats("a", 3.0, 4.0);
        assert!((Budget::of(vec![source(), source()]).df.unwrap() - 8.0).abs() < 1e-12);
        let alone = Budget::of(vec![source()]);
        assert_eq!((alone.df, alone.combined), (Some(4.0), 3.0));
        // Published: GUM, table G.2: t for 95 % with 4 degrees of freedom is 2.78.
        assert!((alone.k - 2.78).abs() < 0.005);
        let certain = Budget::of(vec![Component::rectangular("b", 3.0_f64.sqrt())]);
        assert!((certain.combined - 1.0).abs() < 1e-15 && (certain.k - 1.96).abs() < 0.001);
    }

    /// A Monte Carlo in the manner of JCGM 101:2008: errors are drawn as the budget says they are distributed, the spread of the
    /// repeated part is known only from six of them; the expanded uncertainty encloses what it says.
    #[test]
    fn the_expanded_uncertainty_encloses_what_it_says() {
        let mut seed = 20_261_127_u64;
        let mut uniform = || {
            seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            ((seed >> 11) as f64 + 0.5) / (1_u64 << 53) as f64
        };
        for (scatter, half) in [(1.0, 0.2), (0.5, 1.0), (0.1, 1.0)] {
            let (mut inside, draws) = (0, 4000);
            for _ in 0..draws {
                // Normal by Box and Muller (1958).
                let normal: Vec<f64> = (0..7)
                    .map(|_| {
                        let radius = (-2.0 * libm::log(uniform())).sqrt();
                        scatter * radius * libm::cos(2.0 * std::f64::consts::PI * uniform())
                    })
                    .collect();
                let moments = crate::statistics::moments::Moments::of(&normal[..6]).unwrap();
                let budget = Budget::of(vec![
                    Component::repeats("scatter", moments.sd.unwrap(), 5.0),
                    Component::rectangular("half", half),
                    Component::rectangular("half", half),
                ]);
                let error = normal[6] + half * (2.0 * uniform() - 1.0) + half * (2.0 * uniform() - 1.0);
                inside += u32::from(error.abs() <= budget.expanded);
            }
            let share = f64::from(inside) / f64::from(draws);
            println!("scatter {scatter}, half width {half}: {:.1} % enclosed", 100.0 * share);
            // Exact only for one source; 94 to 99 % elsewhere (measured here).
            assert!((0.94..=0.995).contains(&share), "{scatter} {half}: {share}");
        }
    }
}
