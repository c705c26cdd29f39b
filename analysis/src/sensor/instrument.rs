//! The instrument's uncertainty of one force, term by term (GUM, JCGM 100:2008): calibration, noise, attitude zero,
//! temperature, creep, drift since the calibration; of a moment, lever arm and angle too.
//!
//! Comes in: a force (N) and what is known of the sensor and its use. Goes out: the [`Uncertainty`]: the budget, and by name
//! every term that is not in it because nobody knows it: a term that is unknown is never zero. Nothing in it is the
//! procedure's: what another examiner or day would change is the standard error of measurement, and never merged with this.

use super::budget::{Budget, Component};
use super::calibration::Branch;
use super::certificate::Certificate;
use super::properties::Properties;
use serde::{Deserialize, Serialize};

/// Terms of a calibration's budget that its readings may not tell, and what would.
const OF_CALIBRATION: [(&str, &str); 4] = [
    ("reproducibility", "one mounting only"),
    ("interpolation", "no more loads than coefficients"),
    ("reversibility", "no series down"),
    ("reference", "not stated"),
];

/// A budget, and what is not in it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Uncertainty {
    /// The terms that are known; N, or N cm for a moment.
    #[serde(flatten)]
    pub budget: Budget,
    /// The terms that are not, each with its reason.
    pub not_included: Vec<String>,
}

/// The zero under a force.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Zero<'a> {
    /// Standard deviation of its samples, N.
    pub sd_n: f64,
    /// How many.
    pub samples: u64,
    /// Orientation in which it was taken; "" unknown.
    pub orientation: &'a str,
}

/// What is known of a sensor's channel in use.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct InUse<'a> {
    /// Its calibration.
    pub certificate: &'a Certificate,
    /// What else is known of it.
    pub properties: Option<&'a Properties>,
    /// The zero in force.
    pub zero: Option<Zero<'a>>,
    /// Orientation in which the force is taken; "" unknown.
    pub orientation: &'a str,
    /// The sensor's temperature now, °C.
    pub temperature_c: Option<f64>,
}

/// The lever arm of a moment.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lever {
    /// Its length, mm.
    pub mm: f64,
    /// By so much it may be longer or shorter, mm.
    pub uncertain_mm: Option<f64>,
    /// By so much the force may lean from the right angle, degrees.
    pub angle_deg: Option<f64>,
}

impl Uncertainty {
    /// Of a force, N; `None` where the sensor was not calibrated for it.
    pub fn of_force(force_n: f64, of: &InUse<'_>) -> Option<Uncertainty> {
        let branch = of.certificate.calibration.branch(force_n >= 0.0)?;
        let (standard, df) = branch.standard_at(force_n)?;
        let mut terms = Terms::default();
        terms.known(Component::combined("calibration", standard, df));
        terms.of_calibration(branch);
        terms.noise(of);
        terms.attitude(of);
        terms.temperature(of, force_n);
        terms.creep(of, force_n);
        terms.drift(of, force_n);
        Some(Uncertainty { budget: Budget::of(terms.known), not_included: terms.unknown })
    }

    /// Of a moment, N cm: force times lever arm times the sine of the angle between them.
    pub fn of_moment(&self, force_n: f64, lever: &Lever) -> Uncertainty {
        let lever_cm = lever.mm / 10.0;
        let mut terms = Terms { known: Vec::new(), unknown: self.not_included.clone() };
        terms.known(Component::combined("force", self.budget.combined * lever_cm, self.budget.df));
        match lever.uncertain_mm {
            Some(mm) => terms.known(Component::rectangular("lever arm", force_n * mm / 10.0)),
            None => terms.unknown("lever arm", "no `lever_uncertainty_mm` in the plan"),
        }
        match lever.angle_deg {
            Some(deg) => {
                let lost = force_n * lever_cm * (1.0 - libm::cos(deg.to_radians()));
                terms.known(Component::rectangular("angle", lost));
            }
            None => terms.unknown("angle", "no `angle_deg` in the plan"),
        }
        Uncertainty { budget: Budget::of(terms.known), not_included: terms.unknown }
    }

    /// As it stands in a recording's `uncertainty_budget`.
    pub fn to_json(&self) -> String {
        serde_json::to_string(self).unwrap_or_default()
    }

    /// Reads that; `None` for "".
    pub fn from_json(text: &str) -> Option<Uncertainty> {
        serde_json::from_str(text).ok()
    }

    /// The terms in words: standard uncertainties, k, and what is not included.
    pub fn words(&self, unit: &str) -> String {
        let of = |part: &Component| format!("{} {:.4}", part.name, part.standard);
        let known: Vec<String> = self.budget.components.iter().map(of).collect();
        let df = self.budget.df.map_or_else(|| "∞".to_owned(), |df| format!("{df:.0}"));
        format!(
            "standard uncertainties, {unit}: {}; k {:.2} (ν {df}){}",
            known.join(", "),
            self.budget.k,
            not_included(&self.not_included)
        )
    }
}

#[derive(Default)]
struct Terms {
    known: Vec<Component>,
    unknown: Vec<String>,
}

impl Terms {
    fn known(&mut self, component: Component) {
        self.known.push(component);
    }

    fn unknown(&mut self, name: &str, why: &str) {
        self.unknown.push(format!("{name} ({why})"));
    }

    fn of_calibration(&mut self, branch: &Branch) {
        let there = |name: &str| {
            let parts = branch.loads.iter().flat_map(|load| &load.budget.components);
            parts.into_iter().any(|part| part.name == name)
        };
        for (name, why) in OF_CALIBRATION.into_iter().filter(|(name, _)| !there(name)) {
            self.unknown(name, why);
        }
    }

    /// One sample's scatter, and that of the zero's mean: too much for a mean, which averages some of it away.
    fn noise(&mut self, of: &InUse<'_>) {
        match of.zero.filter(|zero| zero.sd_n.is_finite() && zero.samples > 1) {
            Some(zero) => {
                let samples = zero.samples as f64;
                let standard = zero.sd_n * (1.0 + 1.0 / samples).sqrt();
                self.known(Component::repeats("noise", standard, samples - 1.0));
            }
            None => self.unknown("noise", "no zero"),
        }
    }

    fn attitude(&mut self, of: &InUse<'_>) {
        let Some(measured) = of.properties.and_then(|properties| properties.attitude.as_ref()) else {
            return self.unknown("attitude zero", "not measured");
        };
        let taken = of.zero.map_or("", |zero| zero.orientation);
        let as_used = !taken.is_empty() && taken == of.orientation;
        self.known(Component::rectangular("attitude zero", measured.attitude.half_width_n(as_used)));
    }

    fn temperature(&mut self, of: &InUse<'_>, force_n: f64) {
        let then_c = of.certificate.temperature_c.ok_or("none at calibration");
        let now_c = of.temperature_c.ok_or("the sensor sends none");
        let per_k = of.certificate.temperature_percent_per_k.ok_or("its effect is not stated");
        match (then_c, now_c, per_k) {
            (Ok(then_c), Ok(now_c), Ok(percent)) => {
                let half_n = force_n * percent / 100.0 * (now_c - then_c);
                self.known(Component::rectangular("temperature", half_n));
            }
            (Err(why), ..) | (_, Err(why), _) | (.., Err(why)) => self.unknown("temperature", why),
        }
    }

    /// Creep stands in the calibration's own budget where it was known then.
    fn creep(&mut self, of: &InUse<'_>, force_n: f64) {
        if of.certificate.calibration.known.creep_relative.is_some() {
            return;
        }
        match of.properties.and_then(|properties| properties.creep.as_ref()) {
            Some(creep) => self.known(Component::rectangular("creep", creep.relative * force_n)),
            None => self.unknown("creep", "not measured"),
        }
    }

    /// A deviation that checks have shown is a bias that nobody corrects: it stands as a standard uncertainty of its full size,
    /// not as a half width (from memory: Phillips, Eberhardt and Parry 1997, J. Res. NIST 102:577, the RSSu way).
    fn drift(&mut self, of: &InUse<'_>, force_n: f64) {
        let since = of.properties.and_then(|properties| properties.drift_since(&of.certificate.when_utc));
        match since {
            Some(share) => self.known(Component::given("drift since calibration", share * force_n.abs())),
            None => self.unknown("drift since calibration", "no check since"),
        }
    }
}

/// What is not included, as an ending of a sentence; "" where all is.
pub fn not_included(terms: &[String]) -> String {
    if terms.is_empty() { String::new() } else { format!("; not included: {}", terms.join(", ")) }
}

#[cfg(test)]
mod tests {
    use super::super::attitude;
    use super::super::certificate::tests::made;
    use super::super::check::Check;
    use super::super::properties::{MeasuredAttitude, MeasuredCreep};
    use super::*;

    fn check(when_utc: &str, read_n: f64) -> Check {
        Check {
            when_utc: when_utc.to_owned(),
            serial: "SIM-0001".to_owned(),
            channel: 1,
            reference_n: 50.0,
            read_n,
            expanded_n: 0.05,
            limit_n: 0.5,
            passed: true,
            visit_id: String::new(),
        }
    }

    fn properties() -> Properties {
        let attitude = attitude::of(&attitude::tests::readings(20.0), |counts| counts / 1000.0).unwrap();
        Properties {
            serial: "SIM-0001".to_owned(),
            channel: 1,
            attitude: Some(MeasuredAttitude { when_utc: String::new(), attitude, visit_id: String::new() }),
            creep: Some(MeasuredCreep {
                when_utc: String::new(),
                load_n: 100.0,
                lasted_s: 1800.0,
                relative: 0.001,
                visit_id: String::new(),
            }),
            // The first was before the calibration of 2026-03-02.
            checks: vec![check("2026-01-01T00:00:00Z", 45.0), check("2026-04-01T00:00:00Z", 50.1)],
        }
    }

    fn zero(orientation: &str) -> Option<Zero<'_>> {
        Some(Zero { sd_n: 0.01, samples: 100, orientation })
    }

    fn standard(of: &Uncertainty, name: &str) -> f64 {
        of.budget.components.iter().find(|part| part.name == name).map_or(f64::NAN, |part| part.standard)
    }

    /// Every term by hand: half widths divided by √3 (GUM 4.3.7), a deviation as it is, all squared and added.
    #[test]
    fn all_terms_are_in_the_budget() {
        let certificate =
            Certificate { temperature_c: Some(20.0), temperature_percent_per_k: Some(0.05), ..made() };
        let properties = properties();
        let in_use = InUse {
            certificate: &certificate,
            properties: Some(&properties),
            zero: zero("left hand, palm down"),
            orientation: "left hand, palm down",
            temperature_c: Some(26.0),
        };
        let of = Uncertainty::of_force(50.0, &in_use).unwrap();
        let root = 3.0_f64.sqrt();
        let terms = [
            ("noise", 0.01 * 1.01_f64.sqrt()),
            ("attitude zero", 0.039_058 / root),
            ("temperature", 50.0 * 0.0005 * 6.0 / root),
            ("creep", 0.05 / root),
            ("drift since calibration", 0.1),
        ];
        for (name, by_hand) in terms {
            assert!((standard(&of, name) - by_hand).abs() < 1e-5, "{name}: {of:?}");
        }
        let calibrated = standard(&of, "calibration");
        let squares: f64 = terms.iter().map(|(_, n)| n * n).sum::<f64>() + calibrated * calibrated;
        assert!((of.budget.combined - squares.sqrt()).abs() < 1e-5, "{of:?}");
        assert_eq!(of.not_included, ["reversibility (no series down)"]);
        let turned =
            Uncertainty::of_force(50.0, &InUse { zero: zero("left hand, palm up"), ..in_use }).unwrap();
        assert!((standard(&turned, "attitude zero") - 0.397_266 / root).abs() < 1e-5);
        assert_eq!(Uncertainty::of_force(500.0, &in_use), None);
        let back = Uncertainty::from_json(&of.to_json()).unwrap();
        assert_eq!(back, of);
    }

    #[test]
    fn what_is_unknown_is_named_and_not_zero() {
        let certificate = made();
        let bare = InUse {
            certificate: &certificate,
            properties: None,
            zero: None,
            orientation: "",
            temperature_c: None,
        };
        let of = Uncertainty::of_force(50.0, &bare).unwrap();
        let told = of.words("N");
        for term in
            ["noise", "attitude zero", "temperature", "creep", "drift since calibration", "reversibility"]
        {
            assert!(of.not_included.iter().any(|left_out| left_out.starts_with(term)), "{term}: {of:?}");
            assert!(told.split_once("not included").unwrap().1.contains(term), "{told}");
        }
        // An unknown orientation is not the test's: two of them are not the same.
        let properties = properties();
        let unknown = InUse { properties: Some(&properties), zero: zero(""), ..bare };
        let of = Uncertainty::of_force(50.0, &unknown).unwrap();
        assert!((standard(&of, "attitude zero") - 0.397_266 / 3.0_f64.sqrt()).abs() < 1e-5);
    }

    #[test]
    fn a_moment_has_its_lever_arm_and_its_angle() {
        let certificate = made();
        let bare = InUse {
            certificate: &certificate,
            properties: None,
            zero: zero(""),
            orientation: "",
            temperature_c: None,
        };
        let of = Uncertainty::of_force(50.0, &bare).unwrap();
        let lever = Lever { mm: 40.0, uncertain_mm: Some(3.0), angle_deg: Some(15.0) };
        let moment = of.of_moment(50.0, &lever);
        // By hand: 50 N · 0.3 cm / √3; 200 N cm · (1 − cos 15°) / √3 with cos 15° = (√6 + √2) / 4.
        let cosine = (6.0_f64.sqrt() + 2.0_f64.sqrt()) / 4.0;
        assert!((standard(&moment, "lever arm") - 15.0 / 3.0_f64.sqrt()).abs() < 1e-9);
        assert!((standard(&moment, "angle") - 200.0 * (1.0 - cosine) / 3.0_f64.sqrt()).abs() < 1e-9);
        assert!((standard(&moment, "force") - 4.0 * of.budget.combined).abs() < 1e-12);
        let unknown = of.of_moment(50.0, &Lever { uncertain_mm: None, angle_deg: None, ..lever });
        assert_eq!(unknown.not_included.len(), of.not_included.len() + 2);
    }
}
