//! The kinds of traces that are drawn, each of which can go wrong in a way of its own.

use super::chance::Chance;
use analysis::holds::{Parameters, Profile};
use analysis::trial::Test;

/// What happens in a trace.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Kind {
    /// As fast and hard as possible.
    Explosive,
    /// A make test.
    Make,
    /// A slow, steady pull.
    Slow,
    /// Rises that no fitted curve has: sigmoids, other numbers of lags, a slack that is taken up first.
    Strange,
    /// A break test.
    Break,
    /// A make that the examiner then breaks.
    MakeBreak,
    /// A pull through the range.
    Concentric,
    /// Force that sinks slowly.
    SlowRelease,
    /// A sudden loss that comes back.
    GiveWay,
    /// A long, tiring hold.
    Tiring,
    /// A break after which nothing is left: force alone cannot tell it from a release.
    Snatch,
    /// Efforts of 1.2 to 4 N.
    Weak,
    /// A hand that already pulls, and wavers, when the effort begins.
    Pretension,
    /// The same, and force dips before it rises.
    Countermovement,
    /// A first, smaller pull runs into the real one.
    DoublePull,
    /// Spikes, knocks, missing samples, coarse steps.
    Artefacts,
    /// A trembling hand.
    Tremor,
    /// Tremor, artefacts, mains hum, drift and a wavering level at once.
    Dirty,
    /// Three efforts.
    Three,
    /// Long contact before one effort.
    Contact,
    /// Three efforts with contact kept between.
    ContactThree,
    /// A break, contact, then a pull through the range.
    BreakConcentric,
    /// Nobody pulls: a minute of knocks, spikes and a wavering level.
    Nobody,
}

impl Kind {
    /// All kinds, in order.
    pub const ALL: [Kind; 23] = [
        Kind::Explosive,
        Kind::Make,
        Kind::Slow,
        Kind::Strange,
        Kind::Break,
        Kind::MakeBreak,
        Kind::Concentric,
        Kind::SlowRelease,
        Kind::GiveWay,
        Kind::Tiring,
        Kind::Snatch,
        Kind::Weak,
        Kind::Pretension,
        Kind::Countermovement,
        Kind::DoublePull,
        Kind::Artefacts,
        Kind::Tremor,
        Kind::Dirty,
        Kind::Three,
        Kind::Contact,
        Kind::ContactThree,
        Kind::BreakConcentric,
        Kind::Nobody,
    ];

    /// Its name in tables.
    pub fn name(self) -> &'static str {
        match self {
            Kind::Explosive => "explosive",
            Kind::Make => "make",
            Kind::Slow => "slow ramp",
            Kind::Strange => "other rises",
            Kind::Break => "break",
            Kind::MakeBreak => "make, then break",
            Kind::Concentric => "concentric",
            Kind::SlowRelease => "slow release",
            Kind::GiveWay => "give-way",
            Kind::Tiring => "fatigue",
            Kind::Snatch => "snatch",
            Kind::Weak => "weak",
            Kind::Pretension => "pre-tension",
            Kind::Countermovement => "countermovement",
            Kind::DoublePull => "double pull",
            Kind::Artefacts => "artefacts",
            Kind::Tremor => "tremor",
            Kind::Dirty => "all at once",
            Kind::Three => "three efforts",
            Kind::Contact => "contact",
            Kind::ContactThree => "contact, three efforts",
            Kind::BreakConcentric => "contact, break, concentric",
            Kind::Nobody => "nobody",
        }
    }

    /// The kinds of its efforts, in order.
    pub(super) fn efforts(self, chance: &mut Chance) -> Vec<Kind> {
        match self {
            Kind::Weak | Kind::Pretension | Kind::Countermovement => {
                vec![chance.choose(&[Kind::Explosive, Kind::Make, Kind::Break])]
            }
            Kind::Artefacts | Kind::Tremor | Kind::Dirty | Kind::Contact => {
                vec![chance.choose(&[Kind::Explosive, Kind::Make, Kind::Break, Kind::Slow])]
            }
            Kind::Three => vec![chance.choose(&[Kind::Explosive, Kind::Make, Kind::Break]); 3],
            Kind::ContactThree => vec![chance.choose(&[Kind::Make, Kind::Break]); 3],
            Kind::BreakConcentric => vec![Kind::Break, Kind::Concentric],
            Kind::Nobody => vec![],
            _ => vec![self],
        }
    }

    /// Whether the examiner's hands stay on the finger.
    pub fn has_contact(self) -> bool {
        matches!(self, Kind::Contact | Kind::ContactThree | Kind::BreakConcentric)
    }

    /// The parameters that a visit would set for it.
    pub fn parameters(self) -> Parameters {
        let test = match self {
            Kind::Explosive | Kind::Make | Kind::Slow | Kind::Strange | Kind::DoublePull | Kind::Nobody => {
                Test::Make
            }
            Kind::Concentric => Test::Concentric,
            _ => Test::Break,
        };
        let profile = if self == Kind::Weak { Profile::Weak } else { Profile::Standard };
        Parameters::new(profile, test)
    }
}
