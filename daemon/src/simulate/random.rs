//! Random numbers that are the same on every machine and in every version.
//!
//! In: a seed. Out: a stream of numbers. SplitMix64 (Steele, Lea & Flood 2014, OOPSLA '14, "Fast splittable pseudorandom
//! number generators"): a few lines that never change, where a library may change its streams between versions.

use std::f64::consts::TAU;

/// A stream of random numbers.
#[derive(Debug, Clone)]
pub struct Random {
    state: u64,
    /// Normal numbers are made in pairs: the second one.
    spare: Option<f64>,
}

impl Random {
    /// The stream of `seed`.
    #[must_use]
    pub fn new(seed: u64) -> Self {
        Random { state: seed, spare: None }
    }

    /// A stream of its own for one purpose, so that what one part draws never changes what another part gets.
    #[must_use]
    pub fn fork(seed: u64, purpose: u64) -> Self {
        Random::new(Random::new(seed).bits() ^ Random::new(purpose.wrapping_mul(0x9E37)).bits())
    }

    /// 64 random bits.
    pub fn bits(&mut self) -> u64 {
        self.state = self.state.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let z = self.state;
        let z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    /// Uniform in 0 (included) to 1 (excluded).
    pub fn unit(&mut self) -> f64 {
        // 53 bits are all that an f64 holds.
        (self.bits() >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// Uniform in `low` to `high`.
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    /// A whole number below `limit`; 0 where `limit` is 0.
    pub fn below(&mut self, limit: usize) -> usize {
        // The bias is below 2^-32 for any length that occurs here.
        ((u128::from(self.bits()) * limit as u128) >> 64) as usize
    }

    /// True with this probability. Draws once, whatever the probability.
    pub fn chance(&mut self, probability: f64) -> bool {
        self.unit() < probability
    }

    /// Normal with mean 0 and SD 1 (Box & Muller 1958, Ann Math Stat 29:610–611).
    pub fn normal(&mut self) -> f64 {
        if let Some(spare) = self.spare.take() {
            return spare;
        }
        let radius = (-2.0 * libm::log(1.0 - self.unit())).sqrt();
        let (sine, cosine) = libm::sincos(TAU * self.unit());
        self.spare = Some(radius * sine);
        radius * cosine
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_stream_is_the_published_one() {
        // The five numbers that the Rosetta Code task "Pseudo-random numbers/Splitmix64" states for seed 1234567.
        let mut random = Random::new(1_234_567);
        let published = [
            6_457_827_717_110_365_317,
            3_203_168_211_198_807_973,
            9_817_491_932_198_370_423,
            4_593_380_528_125_082_431,
            16_408_922_859_458_223_821,
        ];
        assert_eq!(std::array::from_fn(|_| random.bits()), published);
    }

    #[test]
    fn normal_numbers_have_the_moments_of_a_normal_distribution() {
        let mut random = Random::new(1);
        let count = 200_000;
        let (mut sums, mut beyond_two) = ([0.0; 4], 0);
        for _ in 0..count {
            let x = random.normal();
            for (sum, power) in sums.iter_mut().zip([x, x * x, x * x * x, x * x * x * x]) {
                *sum += power / f64::from(count);
            }
            beyond_two += i32::from(x.abs() > 2.0);
        }
        // Mean 0, variance 1, third moment 0, fourth 3; 4.55 % lie beyond two SD. Tolerances: over five standard errors.
        for (sum, (expected, tolerance)) in
            sums.iter().zip([(0.0, 0.012), (1.0, 0.016), (0.0, 0.05), (3.0, 0.12)])
        {
            assert!((sum - expected).abs() < tolerance, "{sums:?}");
        }
        assert!((f64::from(beyond_two) / f64::from(count) - 0.0455).abs() < 0.0024);
    }

    #[test]
    fn whole_numbers_stay_below_their_limit_and_reach_every_value() {
        let mut random = Random::new(2);
        let mut seen = [0; 7];
        (0..7_000).for_each(|_| seen[random.below(7)] += 1);
        assert!(seen.iter().all(|&count| count > 800), "{seen:?}");
        assert_eq!(random.below(0), 0);
    }

    #[test]
    fn streams_for_different_purposes_differ() {
        let first: Vec<u64> = (0..50).map(|purpose| Random::fork(9, purpose).bits()).collect();
        let mut distinct = first.clone();
        distinct.sort_unstable();
        distinct.dedup();
        assert_eq!(distinct.len(), first.len());
        assert_ne!(Random::fork(9, 1).bits(), Random::fork(10, 1).bits());
    }
}
