//! The order of a plan: the uninvolved side first, and random where the plan says so.
//!
//! Comes in: a plan as it was written. Goes out: the same items in the order in which they are run. Items of one muscle and
//! side stay together and keep their order, because a break pull comes after its make.

use super::{Item, Plan};
use crate::simulate::random::Random;
use analysis::trial::{Muscle, Side};
use serde::{Deserialize, Serialize};

/// What is put in random order.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Shuffle {
    /// Which side comes first.
    Side,
    /// The muscles of each side, within each palm's direction.
    Muscle,
}

impl Plan {
    /// The plan in the order in which it is run. `drawn` is the seed where the plan has none and needs one.
    #[must_use]
    pub fn arrange(mut self, drawn: u32) -> Plan {
        if std::mem::replace(&mut self.arranged, true) {
            return self;
        }
        let mut sides: Vec<Vec<Item>> = runs(std::mem::take(&mut self.items), |item| item.muscle.side);
        if !self.randomise.is_empty() {
            let seed = *self.seed.get_or_insert(drawn);
            if self.randomise.contains(&Shuffle::Side) {
                shuffle(&mut sides, &mut Random::fork(u64::from(seed), 1));
            }
            if self.randomise.contains(&Shuffle::Muscle) {
                let mut random = Random::fork(u64::from(seed), 2);
                sides = sides.into_iter().map(|side| shuffled_muscles(side, &mut random)).collect();
            }
        }
        if let Some(involved) = self.involved_side {
            sides.sort_by_key(|side| side.first().is_some_and(|item| item.muscle.side == involved));
        }
        self.items = sides.into_iter().flatten().collect();
        self
    }

    /// The sides in the order in which they come.
    pub fn sides(&self) -> Vec<Side> {
        let mut sides = Vec::new();
        for item in &self.items {
            if !sides.contains(&item.muscle.side) {
                sides.push(item.muscle.side);
            }
        }
        sides
    }
}

/// Items with the same key, together, in the order in which the keys first come.
fn runs<K: PartialEq>(items: Vec<Item>, key: impl Fn(&Item) -> K) -> Vec<Vec<Item>> {
    let mut groups: Vec<(K, Vec<Item>)> = Vec::new();
    for item in items {
        let own = key(&item);
        match groups.iter_mut().find(|(known, _)| *known == own) {
            Some((_, group)) => group.push(item),
            None => groups.push((own, vec![item])),
        }
    }
    groups.into_iter().map(|(_, group)| group).collect()
}

fn shuffled_muscles(side: Vec<Item>, random: &mut Random) -> Vec<Item> {
    let palms = runs(side, |item| item.palm.clone());
    let palms = palms.into_iter().map(|palm| {
        let mut muscles = runs(palm, |item: &Item| -> Muscle { item.muscle });
        shuffle(&mut muscles, random);
        muscles.into_iter().flatten()
    });
    palms.flatten().collect()
}

/// Fisher & Yates, in the form of Durstenfeld 1964 (Commun ACM 7:420).
fn shuffle<T>(list: &mut [T], random: &mut Random) {
    for last in (1..list.len()).rev() {
        list.swap(last, random.below(last + 1));
    }
}
