//! The invented study of `fixtures/study`: twelve participants, two examiners, two visits each, by the simulated hand.
//!
//! Every visit is a whole one: plan, gate, contact, count, rests, zeros, a calibrated sensor, a journal that is sealed. Same
//! numbers every time, from [`SEED`]; nobody was measured. Three things are as they are in life: P03 slipped once, P09 did not
//! come to the second examiner again, and P12 came once more after six weeks of training, with a stronger left hand.
use crate::examined::{Person, World, certificate};
use analysis::trial::{Muscle, Side};
use daemon::core::Begun;
use daemon::journal::Record;
use daemon::participant;
use daemon::pipeline::setting::Setting;
use daemon::simulate::random::Random;
use daemon::visit::plan::Plan;
use std::path::{Path, PathBuf};

/// What everything is drawn from.
pub const SEED: u64 = 20_260_302;
/// The plan of every visit.
pub const PLAN: &str = include_str!("../../fixtures/study/plan.toml");
/// How many take part.
pub const PARTICIPANTS: u64 = 12;

/// Mean and standard deviations of the invented strength, N; examiner E2 finds a little more.
const MEAN_N: f64 = 22.0;
const BETWEEN_PEOPLE_N: f64 = 5.0;
const BETWEEN_VISITS_N: f64 = 0.8;
const BETWEEN_TRIALS_N: f64 = 0.7;
const SECOND_EXAMINER_N: f64 = 0.4;
/// What six weeks of training make of P12's left hand.
const TRAINED: f64 = 1.4;
/// A pull to get used to the test is half a pull.
const FAMILIARISATION: f64 = 0.5;
/// More pulls of a muscle than a visit can have.
const PULLS: usize = 8;

struct Visit {
    participant: u64,
    /// From 1.
    examiner: u64,
    /// From 1; the third is the one after training.
    number: u64,
}

/// Writes the recordings into a folder; gives their paths, participant by participant, the visit after training last.
pub fn write(folder: &Path) -> Vec<PathBuf> {
    let mut visits = Vec::new();
    for participant in 1..=PARTICIPANTS {
        for (examiner, number) in [(1, 1), (1, 2), (2, 1), (2, 2)] {
            visits.push(Visit { participant, examiner, number });
        }
    }
    visits.retain(|of| (of.participant, of.examiner, of.number) != (9, 2, 2));
    visits.push(Visit { participant: 12, examiner: 1, number: 3 });
    visits.iter().map(|visit| visit.write(folder)).collect()
}

impl Visit {
    fn write(&self, folder: &Path) -> PathBuf {
        let plan = Plan::parse(PLAN).unwrap();
        let (participant, examiner) = (format!("P{:02}", self.participant), format!("E{}", self.examiner));
        // The second examiner comes an hour later, the second visit a week.
        let day = ["2026-03-02", "2026-03-09", "2026-04-20"][self.number as usize - 1];
        let begun = Begun {
            visit_id: self.id().to_string(),
            participant: participant.clone(),
            examiner: examiner.clone(),
            consent: "2026-03-02 1".into(),
            about: ["dominant=right", "condition=invented"]
                .map(|text| participant::field(text).unwrap())
                .to_vec(),
            plan: plan.to_toml(),
            software: format!("fingerforced {}", env!("CARGO_PKG_VERSION")),
            started_utc: format!("{day}T{:02}:00:00Z", 8 + self.examiner),
            utc_offset: "+00:00".into(),
        };
        let slipped = (self.participant, self.examiner, self.number) == (3, 1, 2);
        let person = Person {
            pulls_n: plan.items.iter().flat_map(|item| self.pulls_n(item.muscle)).collect(),
            after: slipped.then_some(|row| {
                let here = row.muscle == "left index abduction" && row.number == 2;
                here.then(|| format!("i {} slipped off the pad", row.order))
            }),
            ..Person::default()
        };
        let mut world =
            World::begun(&begun, self.seed(), person, &["allow left make pain 0", "allow right make pain 0"]);
        let calibration = Setting::Calibration(Box::new(certificate()));
        world.put(Record::Parameters(serde_json::to_string(&calibration).unwrap()));
        world.run(3600.0);
        world.finish();
        let own = tempfile::tempdir().unwrap();
        let name = match self.number {
            3 => format!("after-training-{participant}.h5"),
            number => format!("{participant}-{examiner}-visit-{number}.h5"),
        };
        let path = folder.join(name);
        std::fs::copy(world.seal(own.path()), &path).unwrap();
        path
    }

    fn id(&self) -> uuid::Uuid {
        let mut random = Random::fork(self.seed(), 2);
        let bytes = [random.bits(), random.bits()].map(u64::to_be_bytes).concat();
        uuid::Builder::from_slice(&bytes).unwrap().with_version(uuid::Version::Random).into_uuid()
    }

    fn seed(&self) -> u64 {
        SEED * 10_000 + self.participant * 100 + self.examiner * 10 + self.number
    }

    /// What is pulled with this muscle, in order. Strength depends on the person, all else on the visit, too.
    fn pulls_n(&self, muscle: Muscle) -> Vec<(Muscle, f64)> {
        let side = u64::from(muscle.side == Side::Right);
        let mut person = Random::fork(SEED, self.participant * 2 + side);
        let mut own = Random::fork(self.seed(), side);
        let strength_n = MEAN_N + BETWEEN_PEOPLE_N * person.normal();
        let trained = if self.number == 3 && muscle.side == Side::Left { TRAINED } else { 1.0 };
        let found_n = strength_n * trained
            + SECOND_EXAMINER_N * (self.examiner - 1) as f64
            + BETWEEN_VISITS_N * own.normal();
        let mut pulls: Vec<f64> =
            (0..PULLS).map(|_| (found_n + BETWEEN_TRIALS_N * own.normal()).max(4.0)).collect();
        pulls[0] *= FAMILIARISATION;
        pulls.into_iter().map(|n| (muscle, n)).collect()
    }
}
