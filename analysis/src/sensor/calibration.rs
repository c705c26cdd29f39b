//! Calibration: from readings at known forces to a curve, figures of merit and an uncertainty budget at every load.
//!
//! Comes in: readings (N, any unit), what is known of the reference and of the resolution. Goes out: for either direction of
//! force that was loaded, a [`Branch`].
//!
//! In the manner of ISO 376:2011 and OIML R 60:2021, with the uncertainty by the GUM; this is no accredited calibration.
//! Where every series begins without load, its deflections are fitted and the curve passes through zero, because in use the
//! zero comes from a tare; otherwise the constant is fitted. Readings on the way up make the curve. All spreads are those
//! of the readings' distances from the curve in N, so that loads need not be equal to the last gram.

use super::Figure;
use super::budget::{Budget, Component};
use super::curve::Curve;
use super::lines::{LINES, Line, through};
use super::points::{Deflection, Direction, Point, PointsError, deflections};
use super::polynomial::{Fit, different};
use crate::statistics::moments::Moments;
use crate::statistics::quantiles::{chi_squared, student_t};
use serde::{Deserialize, Serialize};

/// Probability at which the F test adds a term.
pub const ALPHA: f64 = 0.01;
/// Highest degree of a sensor's curve.
pub const HIGHEST_DEGREE: usize = 3;
/// Loads nearer to each other than this share of the greatest are one load.
const SAME_LOAD: f64 = 0.01;

/// What is known beside the readings.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Known {
    /// Resolution of the indication, in its unit.
    pub resolution: f64,
    /// Relative standard uncertainty of the known forces; `None` where nobody states it.
    pub reference_relative: Option<f64>,
    /// Change under constant load, as a share of it (half width): 30 min of creep, where it was measured.
    pub creep_relative: Option<f64>,
    /// Highest degree that is tried, from 1.
    pub highest_degree: usize,
}

/// A calibration.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Calibration {
    /// What is known beside the readings.
    pub known: Known,
    /// How the degree was chosen, in words.
    pub criterion: String,
    /// Every series began without load: the curves pass through zero.
    pub from_zero: bool,
    /// One for each direction of force that was loaded.
    pub branches: Vec<Branch>,
    /// What is missing or to be known.
    pub notes: Vec<String>,
}

/// One direction of force.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Branch {
    /// Forces above zero.
    pub positive: bool,
    /// The curve.
    pub curve: Curve,
    /// Standard errors of its coefficients.
    pub standard_errors: Vec<f64>,
    /// Standard deviation of single readings about the curve, in the indication's unit, and its degrees of freedom.
    pub residual_sd: f64,
    /// Degrees of freedom of that.
    pub df: f64,
    /// p of the highest term by the F test.
    pub last_term_p: Option<f64>,
    /// Readings, series and mountings behind it.
    pub counts: [usize; 3],
    /// Each load, smallest first.
    pub loads: Vec<Load>,
    /// Figures of merit.
    pub figures: Figures,
}

/// What was found at one load.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Load {
    /// Mean known force, N.
    pub reference_n: f64,
    /// Readings on the way up.
    pub readings: usize,
    /// Mean indication (deflection) on the way up.
    pub indication: f64,
    /// Mean on the way up minus the curve, N: the interpolation error.
    pub interpolation_n: f64,
    /// Way down minus way up, N; `None` without a way down.
    pub reversibility_n: Option<f64>,
    /// Greatest minus least of the readings in one mounting, N.
    pub repeatability_n: Option<f64>,
    /// Greatest minus least of the mountings' means, N.
    pub reproducibility_n: Option<f64>,
    /// Uncertainty of a force read here, N.
    pub budget: Budget,
}

/// A figure of merit in N with its share of the greatest load.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Merit {
    /// N.
    pub n: Figure,
    /// % of the greatest load.
    pub percent: Figure,
}

/// Figures of merit; `None` where the readings cannot tell.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Figures {
    /// Greatest load, N: what percentages are of.
    pub full_load_n: f64,
    /// Greatest deviation from each named line (signed).
    pub non_linearity: Vec<(Line, Merit)>,
    /// Greatest difference between the way down and the way up (signed).
    pub hysteresis: Option<Merit>,
    /// Standard deviation of readings in one mounting.
    pub repeatability_sd: Option<Merit>,
    /// Standard deviation of the mountings' means at the worst load.
    pub reproducibility_sd: Option<Merit>,
    /// Greatest distance of a mean from the curve (signed), N and %.
    pub interpolation: Merit,
    /// Greatest difference of the readings without load after and before a series (signed).
    pub zero_return: Option<Merit>,
}

/// Calibrates.
///
/// # Errors
/// The readings allow no curve.
pub fn calibrate(points: &[Point], known: &Known) -> Result<Calibration, PointsError> {
    let (all, from_zero, returns) = deflections(points);
    let (mut branches, mut notes) = (Vec::new(), Vec::new());
    for positive in [true, false] {
        let of: Vec<Deflection<'_>> = all
            .iter()
            .filter(|d| (d.point.reference_n > 0.0) == positive && d.point.reference_n != 0.0)
            .copied()
            .collect();
        if of.is_empty() {
            continue;
        }
        // Without deflections the readings without load are readings as others.
        let zeros = all.iter().filter(|d| d.point.reference_n == 0.0 && !from_zero).copied();
        let of: Vec<Deflection<'_>> = of.into_iter().chain(zeros).collect();
        branches.push(Analyst { of: &of, from_zero, positive, known, returns: &returns }.branch(&mut notes)?);
    }
    if branches.is_empty() {
        return Err(PointsError::TooFew("no reading is of a force other than zero".to_owned()));
    }
    if known.reference_relative.is_none() {
        notes.push(
            "the uncertainty of the reference is not stated and not in the budget: the expanded uncertainty is too small"
                .to_owned(),
        );
    }
    if known.creep_relative.is_none() {
        notes.push("creep was not measured and is not in the budget".to_owned());
    }
    let criterion = format!(
        "lowest degree (1 to {}) whose next term is not found by the F test at p < {ALPHA}",
        known.highest_degree.clamp(1, HIGHEST_DEGREE)
    );
    Ok(Calibration { known: known.clone(), criterion, from_zero, branches, notes })
}

impl Calibration {
    /// The branch for a force or deflection of this sign.
    pub fn branch(&self, positive: bool) -> Option<&Branch> {
        self.branches.iter().find(|branch| branch.positive == positive)
    }
}

impl Branch {
    /// The calibration's expanded uncertainty at a force; `None` beyond the greatest load.
    pub fn expanded_at(&self, force_n: f64) -> Option<f64> {
        self.between(force_n, |budget| budget.expanded)
    }

    /// Its standard uncertainty at a force, with the fewest degrees of freedom of any load's (`None` without end).
    pub fn standard_at(&self, force_n: f64) -> Option<(f64, Option<f64>)> {
        let df = self.loads.iter().filter_map(|load| load.budget.df).min_by(f64::total_cmp);
        Some((self.between(force_n, |budget| budget.combined)?, df))
    }

    /// A figure of the loads' budgets: straight lines between the loads, the smallest load's below it.
    fn between(&self, force_n: f64, figure: impl Fn(&Budget) -> f64) -> Option<f64> {
        let at = |load: &Load| (load.reference_n.abs(), figure(&load.budget));
        let force_n = force_n.abs();
        let (first, last) = (at(self.loads.first()?), at(self.loads.last()?));
        // A load's own value is calibrated, whatever noise puts a little beyond it.
        if !force_n.is_finite() || force_n > last.0 * (1.0 + SAME_LOAD) {
            return None;
        }
        if force_n <= first.0 {
            return Some(first.1).filter(|first| first.is_finite());
        }
        let between = self.loads.windows(2).map(|pair| (at(&pair[0]), at(&pair[1])));
        let found = between.into_iter().find(|(_, right)| force_n <= right.0);
        let value = |(left, right): ((f64, f64), (f64, f64))| {
            left.1 + (right.1 - left.1) * (force_n - left.0) / (right.0 - left.0)
        };
        Some(found.map_or(last.1, value)).filter(|figure| figure.is_finite())
    }
}

/// The fitted curve, through zero or not.
struct Model {
    fit: Fit,
    through_zero: bool,
}

impl Model {
    /// Through zero, deflection ÷ force is fitted with the square of the force as weight, which is the fit of the
    /// deflection without a constant.
    fn choose(of: &[&Deflection<'_>], from_zero: bool, highest: usize) -> Option<Model> {
        let x: Vec<f64> = of.iter().map(|d| d.point.reference_n).collect();
        let y: Vec<f64> = of.iter().map(|d| d.deflection).collect();
        let fit = if from_zero {
            let ratio: Vec<f64> = x.iter().zip(&y).map(|(x, y)| y / x).collect();
            let weight: Vec<f64> = x.iter().map(|x| x * x).collect();
            Fit::chosen(0..=highest - 1, ALPHA, &x, &ratio, &weight)
        } else {
            Fit::chosen(1..=highest, ALPHA, &x, &y, &vec![1.0; x.len()])
        };
        Some(Model { fit: fit?, through_zero: from_zero })
    }

    fn shifted(&self, of: impl Iterator<Item = f64>) -> Vec<f64> {
        (self.through_zero).then_some(0.0).into_iter().chain(of).collect()
    }

    fn curve(&self, low_n: f64, high_n: f64) -> Curve {
        let coefficients = self.shifted(self.fit.coefficients.iter().copied());
        Curve { coefficients, low_n, high_n }
    }

    fn standard_errors(&self) -> Vec<f64> {
        self.shifted((0..self.fit.coefficients.len()).map(|power| self.fit.standard_error(power)))
    }
}

/// A reading's distance from the curve, N.
struct Away<'a> {
    point: &'a Point,
    away_n: f64,
}

/// One load's readings.
struct Group<'a> {
    reference_n: f64,
    up: Vec<Away<'a>>,
    down: Vec<Away<'a>>,
    indication: f64,
}

struct Analyst<'a> {
    of: &'a [Deflection<'a>],
    from_zero: bool,
    positive: bool,
    known: &'a Known,
    returns: &'a [f64],
}

/// A standard deviation with its degrees of freedom.
#[derive(Clone, Copy)]
struct Spread {
    sd: f64,
    df: f64,
}

impl Spread {
    /// Of several groups about their own means.
    fn pooled<'a>(groups: impl Iterator<Item = &'a Vec<f64>>) -> Option<Spread> {
        let (mut squares, mut df) = (0.0, 0.0);
        for moments in groups.filter_map(|values| Moments::of(values)) {
            if let Some(sd) = moments.sd {
                squares += sd * sd * (moments.n as f64 - 1.0);
                df += moments.n as f64 - 1.0;
            }
        }
        (df > 0.0).then(|| Spread { sd: (squares / df).sqrt(), df })
    }

    /// With the wider half of its 95 % interval (chi-squared).
    fn figure(self) -> Figure {
        let upper = chi_squared(0.025, self.df).map_or(f64::NAN, |q| self.sd * (self.df / q).sqrt());
        Figure { value: self.sd, expanded: upper - self.sd }
    }

    /// Half width of the 95 % interval of a mean of `n` of them, one of `among` that are all to be right.
    fn half_width(self, n: f64, among: usize) -> f64 {
        let tail = 0.025 / among.max(1) as f64;
        student_t(1.0 - tail, self.df).map_or(f64::NAN, |t| t * self.sd * n.sqrt())
    }
}

impl<'a> Analyst<'a> {
    fn branch(&self, notes: &mut Vec<String>) -> Result<Branch, PointsError> {
        let name = if self.positive { "positive" } else { "negative" };
        let too_few = |what: &str| PointsError::TooFew(format!("{name} forces: {what}"));
        let up: Vec<&Deflection<'_>> =
            self.of.iter().filter(|d| d.point.direction == Direction::Up).collect();
        let x: Vec<f64> = up.iter().map(|d| d.point.reference_n).collect();
        if different(&x) < 2 {
            return Err(too_few("fewer than two different loads on the way up"));
        }
        let model = Model::choose(&up, self.from_zero, self.known.highest_degree.clamp(1, HIGHEST_DEGREE))
            .ok_or_else(|| too_few("fewer readings than a straight line needs"))?;
        let loaded = x.iter().copied().filter(|x| *x != 0.0);
        let (low_n, high_n) = loaded.fold((f64::MAX, 0.0_f64), |(low, high), x| {
            (if x.abs() < low.abs() { x } else { low }, if x.abs() > high.abs() { x } else { high })
        });
        let curve = model.curve(low_n, high_n);
        if !curve.is_usable() {
            return Err(too_few("the indications do not rise (or fall) steadily with the force"));
        }
        let groups = self.groups(&curve);
        let loads = self.loads(&groups, &model, &curve, notes, name);
        let figures = self.figures(&groups, &loads, &curve);
        Ok(Branch {
            positive: self.positive,
            standard_errors: model.standard_errors(),
            residual_sd: model.fit.residual_sd,
            df: model.fit.df,
            last_term_p: model.fit.last_term_p(),
            counts: [
                self.of.len(),
                self.count(|p| (&p.series, &p.mounting)),
                self.count(|p| (&p.mounting, &p.mounting)),
            ],
            curve,
            loads,
            figures,
        })
    }

    fn count(&self, key: impl Fn(&'a Point) -> (&'a String, &'a String)) -> usize {
        let mut keys: Vec<_> = self.of.iter().map(|d| key(d.point)).collect();
        keys.sort();
        keys.dedup();
        keys.len()
    }

    fn groups(&self, curve: &Curve) -> Vec<Group<'a>> {
        let mut sorted: Vec<&Deflection<'a>> = self.of.iter().collect();
        sorted.sort_by(|a, b| a.point.reference_n.abs().total_cmp(&b.point.reference_n.abs()));
        let near = SAME_LOAD * curve.high_n.abs();
        let mut gathered: Vec<Vec<&Deflection<'a>>> = Vec::new();
        for d in sorted {
            match gathered.last_mut() {
                Some(group)
                    if (d.point.reference_n - group[0].point.reference_n).abs() <= near
                        && (d.point.reference_n == 0.0) == (group[0].point.reference_n == 0.0) =>
                {
                    group.push(d)
                }
                _ => gathered.push(vec![d]),
            }
        }
        gathered.iter().map(|group| Group::of(group, curve)).filter(|group| !group.up.is_empty()).collect()
    }

    fn loads(
        &self,
        groups: &[Group<'a>],
        model: &Model,
        curve: &Curve,
        notes: &mut Vec<String>,
        name: &str,
    ) -> Vec<Load> {
        let repeats: Vec<Vec<f64>> = groups.iter().flat_map(Group::within_mountings).collect();
        let repeatability = Spread::pooled(repeats.iter());
        let slope = curve.slope(0.5 * curve.high_n).abs();
        let stand_in = Spread { sd: model.fit.residual_sd / slope, df: model.fit.df };
        if repeatability.is_none() {
            notes.push(format!("{name} forces: no load was repeated in one mounting: the scatter about the curve stands in for repeatability"));
        }
        if groups.iter().all(|group| group.mountings().len() < 2) {
            notes.push(format!("{name} forces: one mounting only: reproducibility is not in the budget"));
        }
        if groups.iter().all(|group| group.reversibility().is_none()) {
            notes
                .push(format!("{name} forces: no way down: reversibility (hysteresis) is not in the budget"));
        }
        let squares: f64 = groups.iter().map(|group| mean(&group.up) * mean(&group.up)).sum();
        let df = groups.len() as f64 - model.fit.coefficients.len() as f64;
        let interpolation = (df > 0.0).then(|| Spread { sd: (squares / df).sqrt(), df });
        if interpolation.is_none() {
            notes.push(format!("{name} forces: no more loads than the curve has coefficients: its bow between them is unknown"));
        }
        groups
            .iter()
            .filter(|group| group.reference_n != 0.0)
            .map(|group| {
                let components =
                    self.components(group, repeatability.unwrap_or(stand_in), interpolation, slope);
                group.load(Budget::of(components))
            })
            .collect()
    }

    fn components(
        &self,
        group: &Group<'a>,
        repeatability: Spread,
        interpolation: Option<Spread>,
        slope: f64,
    ) -> Vec<Component> {
        let repeats = |name: &str, spread: Spread| Component::repeats(name, spread.sd, spread.df);
        let force_n = group.reference_n.abs();
        let mut all = vec![repeats("repeatability", repeatability)];
        let means = group.mountings();
        all.extend(Spread::pooled([means].iter()).map(|spread| repeats("reproducibility", spread)));
        all.extend(interpolation.map(|spread| repeats("interpolation", spread)));
        all.extend(group.reversibility().map(|half_n| Component::rectangular("reversibility", half_n)));
        let zero_n = self.returns.iter().map(|change| change.abs() / slope).fold(0.0, f64::max);
        if !self.returns.is_empty() {
            all.push(Component::rectangular("zero", zero_n));
        }
        // A reading and the zero under it: two roundings of half a step (GUM F.2.2.1).
        all.push(Component::rectangular("resolution", 0.5 * self.known.resolution / slope * 2.0_f64.sqrt()));
        all.extend(self.known.reference_relative.map(|u| Component::given("reference", u * force_n)));
        all.extend(self.known.creep_relative.map(|half| Component::rectangular("creep", half * force_n)));
        all
    }

    fn figures(&self, groups: &[Group<'a>], loads: &[Load], curve: &Curve) -> Figures {
        let full_n = curve.high_n.abs();
        let slope = curve.slope(0.5 * curve.high_n).abs();
        let merit = |n: Figure| Merit { n, percent: n.times(100.0 / full_n) };
        let at_loads: Vec<Vec<f64>> =
            groups.iter().map(|group| group.up.iter().map(|away| away.away_n).collect()).collect();
        let scatter = Spread::pooled(at_loads.iter());
        let interpolation = loads.iter().map(|load| load.interpolation_n).fold(0.0, larger);
        let readings = groups.iter().map(|group| group.up.len()).min().unwrap_or(1) as f64;
        let uncertain = |n: f64, among| scatter.map_or(f64::NAN, |scatter| scatter.half_width(n, among));
        let within: Vec<Vec<f64>> = groups.iter().flat_map(Group::within_mountings).collect();
        let mountings = groups.iter().filter_map(|group| Spread::pooled([group.mountings()].iter()));
        let zero = self.returns.iter().map(|change| change / slope).fold(0.0, larger);
        let zero_spread = Spread::pooled([self.returns.iter().map(|c| c / slope).collect()].iter());
        Figures {
            full_load_n: full_n,
            non_linearity: self.non_linearity(groups, slope, |among| uncertain(2.0 / readings, among), merit),
            hysteresis: hysteresis(groups, uncertain(2.0, groups.len()), zero).map(merit),
            repeatability_sd: Spread::pooled(within.iter()).map(|spread| merit(spread.figure())),
            reproducibility_sd: mountings
                .max_by(|a, b| a.sd.total_cmp(&b.sd))
                .map(|spread| merit(spread.figure())),
            interpolation: merit(Figure {
                value: interpolation,
                expanded: uncertain(1.0 / readings, groups.len()),
            }),
            zero_return: (!self.returns.is_empty()).then(|| {
                let expanded =
                    zero_spread.map_or(f64::NAN, |spread| spread.half_width(1.0, self.returns.len()));
                merit(Figure { value: zero, expanded })
            }),
        }
    }

    fn non_linearity(
        &self,
        groups: &[Group<'a>],
        slope: f64,
        uncertain: impl Fn(usize) -> f64,
        merit: impl Fn(Figure) -> Merit,
    ) -> Vec<(Line, Merit)> {
        let origin = self.from_zero.then_some((0.0, 0.0));
        // By size, so that loads rise on the negative side as well.
        let means = groups.iter().map(|group| (group.reference_n.abs(), group.indication));
        let (x, y): (Vec<f64>, Vec<f64>) = origin.into_iter().chain(means).unzip();
        let inner = x.len().saturating_sub(2);
        let of = |line: Line| {
            let (_, away) = through(line, &x, &y)?.worst(&x, &y)?;
            Some((line, merit(Figure { value: away / slope, expanded: uncertain(inner) })))
        };
        LINES.into_iter().filter_map(of).collect()
    }
}

fn larger(a: f64, b: f64) -> f64 {
    if b.abs() > a.abs() { b } else { a }
}

fn mean(of: &[Away<'_>]) -> f64 {
    of.iter().map(|away| away.away_n).sum::<f64>() / of.len().max(1) as f64
}

/// The greatest mean difference between ways, with the spread of the differences; `otherwise` where none was repeated. The
/// ways are apart in time: what the zero moved by meanwhile (`zero_n`) cannot be told from hysteresis.
fn hysteresis(groups: &[Group<'_>], otherwise: f64, zero_n: f64) -> Option<Figure> {
    let differences: Vec<Vec<f64>> = groups.iter().map(Group::differences).collect();
    let mean_of = |of: &Vec<f64>| Moments::of(of).map(|moments| (moments.mean, moments.n));
    let (value, n) = differences.iter().filter_map(mean_of).max_by(|a, b| a.0.abs().total_cmp(&b.0.abs()))?;
    let among = differences.iter().filter(|of| !of.is_empty()).count();
    let spread = Spread::pooled(differences.iter());
    let scatter_n = spread.map_or(otherwise, |s| s.half_width(1.0 / n as f64, among));
    Some(Figure { value, expanded: (scatter_n * scatter_n + zero_n * zero_n).sqrt() })
}

impl<'a> Group<'a> {
    fn of(group: &[&Deflection<'a>], curve: &Curve) -> Group<'a> {
        let count = group.len() as f64;
        let away = |d: &&Deflection<'a>| {
            let force_n = d.point.reference_n;
            Away { point: d.point, away_n: (d.deflection - curve.indication(force_n)) / curve.slope(force_n) }
        };
        let on_way = |direction| group.iter().filter(move |d| d.point.direction == direction);
        let up: Vec<f64> = on_way(Direction::Up).map(|d| d.deflection).collect();
        Group {
            reference_n: group.iter().map(|d| d.point.reference_n).sum::<f64>() / count,
            indication: up.iter().sum::<f64>() / up.len().max(1) as f64,
            up: on_way(Direction::Up).map(away).collect(),
            down: on_way(Direction::Down).map(away).collect(),
        }
    }

    /// Readings on the way up, mounting by mounting.
    fn within_mountings(&self) -> Vec<Vec<f64>> {
        let mut all: Vec<(&str, Vec<f64>)> = Vec::new();
        for away in &self.up {
            match all.iter_mut().find(|(name, _)| *name == away.point.mounting) {
                Some((_, values)) => values.push(away.away_n),
                None => all.push((&away.point.mounting, vec![away.away_n])),
            }
        }
        all.into_iter().map(|(_, values)| values).collect()
    }

    /// The mountings' means.
    fn mountings(&self) -> Vec<f64> {
        let means = self.within_mountings();
        means.iter().filter_map(|values| Moments::of(values)).map(|moments| moments.mean).collect()
    }

    /// Way down minus way up, series by series.
    fn differences(&self) -> Vec<f64> {
        let pair = |down: &Away<'_>| {
            let same = |up: &&Away<'_>| {
                (&up.point.series, &up.point.mounting) == (&down.point.series, &down.point.mounting)
            };
            self.up.iter().find(same).map(|up| down.away_n - up.away_n)
        };
        self.down.iter().filter_map(pair).collect()
    }

    fn reversibility(&self) -> Option<f64> {
        Moments::of(&self.differences()).map(|moments| moments.mean)
    }

    fn load(&self, budget: Budget) -> Load {
        let range = |values: &[f64]| {
            let (low, high) = values.iter().fold((f64::MAX, f64::MIN), |(l, h), v| (l.min(*v), h.max(*v)));
            (values.len() > 1).then_some(high - low)
        };
        Load {
            reference_n: self.reference_n,
            readings: self.up.len(),
            indication: self.indication,
            interpolation_n: mean(&self.up),
            reversibility_n: self.reversibility(),
            repeatability_n: self.within_mountings().iter().filter_map(|of| range(of)).max_by(f64::total_cmp),
            reproducibility_n: range(&self.mountings()),
            budget,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn known() -> Known {
        Known {
            resolution: 1.0,
            reference_relative: Some(1e-5),
            creep_relative: Some(1e-5),
            highest_degree: 3,
        }
    }

    /// A deterministic scatter between −1 and 1.
    fn scatter(seed: &mut u64) -> f64 {
        *seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        (*seed >> 11) as f64 / (1u64 << 53) as f64 * 2.0 - 1.0
    }

    /// 40 000 counts a newton, a bow of `bow_n` at half load, `hysteresis_n` there on the way down.
    fn readings(bow_n: f64, hysteresis_n: f64, noise_n: f64, seed: u64) -> Vec<Point> {
        let mut seed = seed;
        let mut points = Vec::new();
        let up = (0..=10).map(|i| (f64::from(i) * 10.0, Direction::Up));
        let down = (0..10).rev().map(|i| (f64::from(i) * 10.0, Direction::Down));
        let loads: Vec<(f64, Direction)> = up.chain(down).collect();
        for (mounting, series) in [("0", "A"), ("0", "B"), ("120", "C"), ("240", "D")] {
            let gain = 1.0 + 1e-4 * scatter(&mut seed);
            for (reference_n, direction) in &loads {
                let share = reference_n / 100.0;
                let bow = 4.0 * share * (1.0 - share);
                let lag = if *direction == Direction::Down { hysteresis_n } else { 0.0 };
                let shown = gain * reference_n + bow * (bow_n + lag) + noise_n * scatter(&mut seed);
                points.push(Point {
                    reference_n: *reference_n,
                    indication: (120_000.0 + 40_000.0 * shown).round(),
                    series: series.to_owned(),
                    mounting: mounting.to_owned(),
                    direction: *direction,
                });
            }
        }
        points
    }

    #[test]
    fn the_load_cells_of_nist() {
        // Published: NIST StRD Pontius: two runs of 20 loads; the quadratic is the certified curve.
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("pontius.csv");
        let text: String = include_str!("../../../fixtures/nist/pontius.csv")
            .lines()
            .skip(1)
            .filter_map(|line| line.split_once(','))
            .map(|(y, x)| format!("{x},{y}\n"))
            .collect();
        std::fs::write(&path, "reference_n,indication\n".to_owned() + &text).unwrap();
        let (points, resolution) = super::super::points::read_csv(&path).unwrap();
        assert!((resolution - 1e-5).abs() < 1e-18);
        let found = calibrate(&points, &Known { resolution, ..known() }).unwrap();
        let branch = &found.branches[0];
        assert_eq!(branch.counts, [40, 2, 1]);
        assert!(!found.from_zero);
        assert!((branch.curve.coefficients[1] / 0.732059160401003e-6 - 1.0).abs() < 1e-11);
        assert_eq!(branch.curve.force_n(1.239722).round(), 1_705_106.0);
        assert_eq!(branch.loads.len(), 20);
    }

    #[test]
    fn planted_errors_are_found_and_what_is_not_there_is_not() {
        let found = calibrate(&readings(0.3, 0.2, 0.001, 7), &known()).unwrap();
        let branch = &found.branches[0];
        assert!(found.from_zero && branch.curve.coefficients[0] == 0.0);
        assert_eq!((branch.curve.coefficients.len(), branch.counts), (3, [76, 4, 3]));
        let figures = &branch.figures;
        let terminal = figures.non_linearity[0].1.n;
        assert!(terminal.covers(0.3), "{terminal:?}");
        assert!(figures.hysteresis.unwrap().n.covers(0.2), "{:?}", figures.hysteresis);
        let independent = figures.non_linearity[3].1.n;
        assert!((independent.value.abs() - 0.15).abs() < 0.005, "{independent:?}");
        let straight = calibrate(&readings(0.0, 0.0, 0.001, 7), &known()).unwrap();
        assert_eq!(straight.branches[0].curve.coefficients.len(), 2);
        assert!(straight.branches[0].figures.hysteresis.unwrap().n.covers(0.0));
        assert!(found.notes.is_empty(), "{:?}", found.notes);
    }

    /// A force read through the curve differs from the true one by more than the expanded uncertainty in no more than one
    /// case of twenty, however it is mounted.
    #[test]
    fn the_expanded_uncertainty_encloses_what_it_says() {
        let (mut inside, mut all) = (0, 0);
        for seed in 0..300 {
            let found = calibrate(&readings(0.3, 0.02, 0.01, seed), &known()).unwrap();
            let branch = &found.branches[0];
            // A later use: another mounting, another series of the same sensor.
            let later = readings(0.3, 0.02, 0.01, seed + 100_000);
            let (of, _, _) = deflections(&later);
            for d in of.iter().filter(|d| d.point.reference_n > 0.0) {
                let read_n = branch.curve.force_n(d.deflection);
                let expanded = branch.expanded_at(read_n).unwrap();
                inside += u32::from((read_n - d.point.reference_n).abs() <= expanded);
                all += 1;
            }
        }
        let share = f64::from(inside) / f64::from(all);
        println!("the expanded uncertainty enclosed {:.2} % of {all} readings", 100.0 * share);
        assert!(share > 0.95, "{share}");
    }

    #[test]
    fn both_directions_have_a_curve_of_their_own() {
        let mut points = readings(0.0, 0.0, 0.0, 1);
        let pulled: Vec<Point> = points
            .iter()
            .map(|p| Point {
                reference_n: -p.reference_n,
                indication: 120_000.0 - 1.01 * (p.indication - 120_000.0),
                series: p.series.clone() + "t",
                ..p.clone()
            })
            .collect();
        points.extend(pulled);
        let found = calibrate(&points, &known()).unwrap();
        assert_eq!(found.branches.len(), 2);
        let tension = found.branch(false).unwrap();
        assert!(
            (tension.curve.slope(-50.0) / found.branch(true).unwrap().curve.slope(50.0) - 1.01).abs() < 1e-3
        );
        assert!((tension.curve.force_n(-40_000.0 * 1.01 * 50.0) + 50.0).abs() < 0.02);
        assert!(tension.expanded_at(-50.0).unwrap() > 0.0 && tension.expanded_at(-500.0).is_none());
    }

    #[test]
    fn what_is_missing_is_said() {
        let few: Vec<Point> = readings(0.0, 0.0, 0.001, 3).into_iter().take(11).collect();
        let found =
            calibrate(&few, &Known { reference_relative: None, creep_relative: None, ..known() }).unwrap();
        let notes = found.notes.join("; ");
        for word in ["repeated", "mounting", "way down", "reference", "creep"] {
            assert!(notes.contains(word), "{word}: {notes}");
        }
        assert!(calibrate(&few[..1], &known()).is_err());
        assert!(calibrate(&few[..2], &known()).is_err());
    }
}
