//! The finder's parameters: named values with units and defaults, by profile; they are stored with every result.

use crate::trial::Test;
use serde::{Deserialize, Serialize};

/// How small an effort is looked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Profile {
    /// Efforts of 2 N and more.
    #[default]
    Standard,
    /// Efforts of 0.8 N and more: severe weakness.
    Weak,
}

/// Why a parameter was not set.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum SetError {
    /// No parameter has this name.
    #[error("no parameter is called `{given}`; did you mean `{nearest}`?")]
    Unknown {
        /// What was given.
        given: String,
        /// The nearest known name.
        nearest: &'static str,
    },
    /// The value cannot be used.
    #[error("`{name}` cannot be `{value}`: it takes {accepted}")]
    Value {
        /// The parameter.
        name: &'static str,
        /// What was given.
        value: String,
        /// What it takes.
        accepted: String,
    },
}

/// A number among the parameters.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Number {
    /// Its name.
    pub name: &'static str,
    /// Its unit; empty for none.
    pub unit: &'static str,
    /// What it is.
    pub about: &'static str,
    /// Its default.
    pub standard: f64,
    /// Its default in the weak profile.
    pub weak: f64,
    /// The least it can be.
    pub least: f64,
    /// The most.
    pub most: f64,
}

macro_rules! parameters {
    ($($(#[doc = $doc:literal])* $name:ident: $unit:literal, $standard:literal, $weak:literal, $least:literal ..= $most:literal;)+) => {
        /// The finder's parameters. `Default` is the standard profile in free use.
        #[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
        #[serde(default)]
        pub struct Parameters {
            /// Kind of test: decides whether a yield is called a break.
            pub test: Test,
            /// Where the numbers below started from.
            pub profile: Profile,
            /// A tare was taken, so force 0 is zero; else zero is the level before the first contact.
            pub zero_known: bool,
            /// Highest level that can be contact, N above zero, where the plan sets one.
            pub contact_ceiling_n: Option<f64>,
            /// Expected maximum of this muscle, N: lifts the contact ceiling of strong muscles.
            pub expected_maximum_n: Option<f64>,
            $($(#[doc = $doc])* pub $name: f64,)+
        }

        impl Parameters {
            /// The defaults of a profile, for a kind of test.
            pub fn new(profile: Profile, test: Test) -> Parameters {
                let weak = profile == Profile::Weak;
                Parameters {
                    test,
                    profile,
                    zero_known: false,
                    contact_ceiling_n: None,
                    expected_maximum_n: None,
                    $($name: if weak { $weak } else { $standard },)+
                }
            }

            /// Names of all parameters that can be set, in order.
            pub const NAMES: &'static [&'static str] =
                &["test", "profile", "zero_known", "contact_ceiling_n", "expected_maximum_n", $(stringify!($name)),+];

            /// Every number with what it means, in order.
            pub const NUMBERS: &'static [Number] = &[$(Number {
                name: stringify!($name),
                unit: $unit,
                about: concat!($($doc),*),
                standard: $standard,
                weak: $weak,
                least: $least,
                most: $most,
            }),+];

            /// Every parameter as name, value and unit ("" for none), in order.
            pub fn values(&self) -> Vec<(&'static str, String, &'static str)> {
                let optional = |value: Option<f64>| value.map_or("none".to_owned(), |v| v.to_string());
                vec![
                    ("test", self.test.to_string(), ""),
                    ("profile", self.profile.word().to_owned(), ""),
                    ("zero_known", self.zero_known.to_string(), ""),
                    ("contact_ceiling_n", optional(self.contact_ceiling_n), "N"),
                    ("expected_maximum_n", optional(self.expected_maximum_n), "N"),
                    $((stringify!($name), self.$name.to_string(), $unit)),+
                ]
            }

            fn set_number(&mut self, name: &str, value: &str) -> Result<(), SetError> {
                match name {
                    $(stringify!($name) => {
                        self.$name = number(stringify!($name), value, $least, $most)?;
                        Ok(())
                    })+
                    _ => Err(SetError::Unknown { given: name.chars().take(40).collect(), nearest: nearest(name) }),
                }
            }

            /// Brings every number into its range: what comes from a file may be anything.
            pub(super) fn sanitised(mut self) -> Parameters {
                let defaults = Parameters::new(self.profile, self.test);
                $(self.$name = if self.$name.is_finite() { self.$name.clamp($least, $most) } else { defaults.$name };)+
                self.contact_ceiling_n = self.contact_ceiling_n.filter(|v| v.is_finite() && *v >= 0.0);
                self.expected_maximum_n = self.expected_maximum_n.filter(|v| v.is_finite() && *v >= 0.0);
                self
            }
        }
    };
}

parameters! {
    /// Trailing mean over which levels are judged.
    smoothing_s: "s", 0.015, 0.015, 0.0..=0.2;
    /// A sample that stands this far out of its neighbours' median is an artefact and takes the median's place.
    spike_n: "N", 0.5, 0.5, 0.0..=1e6;
    /// Longest artefact that is looked for. (One sample at least; more where a converter averages several.)
    spike_s: "s", 0.002, 0.002, 0.0..=0.1;
    /// Longest run of missing samples that is bridged by a straight line.
    bridge_max_s: "s", 0.150, 0.150, 0.0..=1.0;
    /// Stretch over which the level before a pull is taken.
    rest_window_s: "s", 0.6, 0.6, 0.1..=2.0;
    /// How long before now that stretch ends.
    rest_guard_s: "s", 0.15, 0.15, 0.0..=1.0;
    /// Least noise assumed.
    noise_floor_n: "N", 0.002, 0.002, 0.0..=1e3;
    /// Rise above the level that arms.
    arm_n: "N", 0.30, 0.15, 0.0..=1e6;
    /// Least rise that arms, in standard deviations of the level.
    arm_sd: "", 6.0, 6.0, 0.0..=100.0;
    /// Share of the arming rise below which what was armed is dismissed.
    arm_hysteresis: "", 0.5, 0.5, 0.0..=1.0;
    /// Least time above the arming rise before a pull is confirmed.
    confirm_min_s: "s", 0.050, 0.050, 0.0..=2.0;
    /// Rise that confirms a pull.
    confirm_n: "N", 1.0, 0.5, 0.0..=1e6;
    /// Least rise that confirms, in standard deviations of the level.
    confirm_sd: "", 12.0, 12.0, 0.0..=1000.0;
    /// A pull out of what may be contact must rise by this share of it.
    confirm_share: "", 0.5, 0.5, 0.0..=10.0;
    /// What stays armed longer than this is a new level.
    settle_max_s: "s", 4.0, 4.0, 0.1..=60.0;
    /// Contact ceiling where neither the plan nor an expected maximum sets a higher one.
    contact_ceiling_floor_n: "N", 3.0, 3.0, 0.0..=1e6;
    /// Contact ceiling as a share of the expected maximum.
    contact_ceiling_share: "", 0.3, 0.3, 0.0..=1.0;
    /// By how much a hand's wander may exceed the contact ceiling, as a share of it.
    contact_ceiling_slack: "", 0.15, 0.15, 0.0..=1.0;
    /// Least level above zero that is contact.
    contact_min_n: "N", 0.35, 0.35, 0.0..=1e6;
    /// Least time a level must be steady to be contact.
    contact_min_s: "s", 0.5, 0.5, 0.1..=10.0;
    /// Steady: its slope is below this share of the steepest slope that led to it.
    contact_slope_share: "", 0.15, 0.15, 0.0..=1.0;
    /// Fastest creep of an unknown zero that is followed.
    zero_creep_n_per_s: "N/s", 0.1, 0.1, 0.0..=1e6;
    /// A hold ends below this share of its peak.
    end_share: "", 0.10, 0.10, 0.0..=0.9;
    /// A hold ends when it has been below that level for this long.
    end_min_s: "s", 0.40, 0.40, 0.02..=5.0;
    /// Least peak of a hold; less is a touch.
    hold_min_n: "N", 2.0, 0.8, 0.0..=1e6;
    /// Least duration of a hold.
    hold_min_s: "s", 0.3, 0.3, 0.0..=60.0;
    /// Time for which a hold's least peak must be held.
    hold_held_s: "s", 0.1, 0.1, 0.0..=5.0;
    /// A longer hold is closed.
    hold_max_s: "s", 120.0, 120.0, 1.0..=120.0;
    /// Smoothing of the search for yields: one cycle of physiological tremor.
    yield_smoothing_s: "s", 0.10, 0.10, 0.0..=1.0;
    /// Least drop of a yield as a share of the force before it.
    yield_drop_share: "", 0.20, 0.20, 0.0..=1.0;
    /// Least drop of a yield.
    yield_drop_n: "N", 1.0, 0.3, 0.0..=1e6;
    /// Longest time from 95 % of the force before it to the least drop.
    yield_time_s: "s", 0.30, 0.30, 0.0..=5.0;
    /// Longest time from 20 to 80 % of the least drop; a deeper one may take up to half as long again.
    yield_swift_s: "s", 0.17, 0.17, 0.0..=5.0;
    /// Share of the force before it that a yield keeps; what keeps less was released or slipped.
    yield_keep_share: "", 0.25, 0.25, 0.0..=1.0;
    /// After a yield the slope falls below this share of the steepest.
    yield_flat_share: "", 0.20, 0.20, 0.0..=1.0;
    /// Time within which it must.
    yield_flat_s: "s", 0.70, 0.70, 0.0..=5.0;
    /// Least time for which the force left after a yield stays.
    yield_stay_s: "s", 0.18, 0.18, 0.0..=5.0;
    /// Share of the drop that comes back soon after an undulation, and not after a yield; less where force ended sooner.
    undulation_share: "", 0.20, 0.20, 0.0..=1.0;
    /// How soon.
    undulation_s: "s", 0.60, 0.60, 0.0..=5.0;
    /// Back at this share of the force before it, a yield was a give-way.
    regain_share: "", 0.92, 0.92, 0.0..=1.0;
    /// Time within which it must be back.
    regain_s: "s", 1.2, 1.2, 0.0..=10.0;
    /// Slowest sampling for which a rate of force development is given.
    rfd_min_rate_hz: "Hz", 500.0, 500.0, 0.0..=1e6;
    /// Least certain onset for which it is given.
    rfd_onset_sd_s: "s", 0.020, 0.020, 0.0..=10.0;
}

impl Default for Parameters {
    fn default() -> Self {
        Parameters::new(Profile::Standard, Test::Free)
    }
}

impl Profile {
    /// The word as it is typed and stored.
    pub fn word(self) -> &'static str {
        match self {
            Profile::Standard => "standard",
            Profile::Weak => "weak",
        }
    }

    /// The profile of a word.
    pub fn from_word(word: &str) -> Option<Profile> {
        [Profile::Standard, Profile::Weak].into_iter().find(|profile| profile.word() == word)
    }
}

impl Parameters {
    /// Sets one parameter by name. Setting `profile` puts the profile's numbers in place of all others.
    pub fn set(&mut self, name: &str, value: &str) -> Result<(), SetError> {
        match name {
            "test" => {
                self.test = value.parse().map_err(|error: crate::trial::UnknownWord| SetError::Value {
                    name: "test",
                    value: error.given,
                    accepted: error.accepted,
                })?;
            }
            "profile" => {
                let profile =
                    Profile::from_word(value).ok_or_else(|| refused("profile", value, "standard, weak"))?;
                let given = self.clone();
                *self = Parameters {
                    zero_known: given.zero_known,
                    contact_ceiling_n: given.contact_ceiling_n,
                    expected_maximum_n: given.expected_maximum_n,
                    ..Parameters::new(profile, given.test)
                };
            }
            "zero_known" => {
                self.zero_known = value.parse().map_err(|_| refused("zero_known", value, "true, false"))?;
            }
            "contact_ceiling_n" => self.contact_ceiling_n = optional("contact_ceiling_n", value)?,
            "expected_maximum_n" => self.expected_maximum_n = optional("expected_maximum_n", value)?,
            _ => self.set_number(name, value)?,
        }
        Ok(())
    }

    /// Highest level above zero that can be contact, N: the plan's, or the larger of 3 N and 30 % of the expected
    /// maximum.
    pub fn contact_ceiling(&self) -> f64 {
        self.contact_ceiling_n.unwrap_or_else(|| {
            let share = self.contact_ceiling_share * self.expected_maximum_n.unwrap_or(0.0);
            self.contact_ceiling_floor_n.max(share)
        })
    }
}

fn refused(name: &'static str, value: &str, accepted: &str) -> SetError {
    SetError::Value { name, value: value.chars().take(40).collect(), accepted: accepted.to_owned() }
}

fn number(name: &'static str, value: &str, least: f64, most: f64) -> Result<f64, SetError> {
    let parsed = value.trim().parse::<f64>().ok().filter(|v| v.is_finite() && (least..=most).contains(v));
    parsed.ok_or_else(|| refused(name, value, &format!("a number from {least} to {most}")))
}

fn optional(name: &'static str, value: &str) -> Result<Option<f64>, SetError> {
    if value.trim() == "none" {
        return Ok(None);
    }
    let parsed = value.trim().parse::<f64>().ok().filter(|v| v.is_finite() && *v >= 0.0);
    parsed.map(Some).ok_or_else(|| refused(name, value, "a number from 0 up, or none"))
}

fn nearest(given: &str) -> &'static str {
    crate::spelling::nearest(given, Parameters::NAMES).unwrap_or("test")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_unknown_name_is_refused_with_the_nearest_known_one() {
        let error = Parameters::default().set("arn_n", "1").unwrap_err();
        assert_eq!(error, SetError::Unknown { given: "arn_n".to_owned(), nearest: "arm_n" });
    }

    #[test]
    fn a_value_out_of_range_is_refused_and_changes_nothing() {
        let mut parameters = Parameters::default();
        for value in ["-1", "NaN", "inf", "much", ""] {
            assert!(matches!(parameters.set("arm_n", value), Err(SetError::Value { .. })), "{value}");
        }
        assert_eq!(parameters, Parameters::default());
    }

    #[test]
    fn every_parameter_listed_can_be_set_to_the_value_listed() {
        let listed = Parameters::new(Profile::Weak, Test::Break).values();
        assert_eq!(listed.len(), Parameters::NAMES.len());
        let mut parameters = Parameters::default();
        for (name, value, _) in &listed {
            parameters.set(name, value).unwrap();
        }
        assert_eq!(parameters.values(), listed);
    }

    #[test]
    fn parameters_survive_storing_and_missing_ones_take_the_default() {
        let mut parameters = Parameters::new(Profile::Weak, Test::Make);
        parameters.set("contact_ceiling_n", "4.5").unwrap();
        let text = serde_json::to_string(&parameters).unwrap();
        assert_eq!(serde_json::from_str::<Parameters>(&text).unwrap(), parameters);
        assert_eq!(serde_json::from_str::<Parameters>("{}").unwrap(), Parameters::default());
    }

    #[test]
    fn the_contact_ceiling_is_the_plans_or_grows_with_the_expected_maximum() {
        let mut parameters = Parameters::default();
        assert_eq!(parameters.contact_ceiling(), 3.0);
        parameters.expected_maximum_n = Some(40.0);
        assert_eq!(parameters.contact_ceiling(), 12.0);
        parameters.contact_ceiling_n = Some(5.0);
        assert_eq!(parameters.contact_ceiling(), 5.0);
    }
}
