//! Chance from a seed, and functions of time that wobble by chance.

use std::f64::consts::TAU;

/// Numbers by chance (SplitMix64).
#[derive(Debug, Clone)]
pub struct Chance(u64);

impl Chance {
    /// From a seed and what it is for.
    pub fn new(seed: u64, purpose: u64, number: u64) -> Chance {
        let mut chance =
            Chance(seed.wrapping_mul(0x9e37_79b9_7f4a_7c15) ^ purpose.wrapping_mul(0xd134_2543_de82_ef95));
        chance.0 ^= chance.next().wrapping_add(number.wrapping_mul(0xa076_1d64_78bd_642f));
        chance.next();
        chance
    }

    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// Evenly between two numbers.
    pub fn within(&mut self, least: f64, most: f64) -> f64 {
        least + (most - least) * (self.next() >> 11) as f64 / (1_u64 << 53) as f64
    }

    /// Between two numbers, evenly in their logarithms.
    pub fn ratio(&mut self, least: f64, most: f64) -> f64 {
        libm::exp(self.within(libm::log(least), libm::log(most)))
    }

    /// A whole number between two, both included.
    pub fn count(&mut self, least: u64, most: u64) -> u64 {
        least + self.next() % (most - least + 1)
    }

    /// One of several.
    pub fn choose<T: Copy>(&mut self, from: &[T]) -> T {
        from[(self.next() % from.len() as u64) as usize]
    }

    /// Normal, of mean 0 and standard deviation 1 (Box–Muller).
    pub fn normal(&mut self) -> f64 {
        let (u, v) = (self.within(f64::MIN_POSITIVE, 1.0), self.within(0.0, TAU));
        (-2.0 * libm::log(u)).sqrt() * libm::cos(v)
    }
}

/// A function of time of mean 0 and standard deviation 1, with frequencies in a band.
#[derive(Debug, Clone)]
pub struct Wobble(Vec<(f64, f64, f64)>);

impl Wobble {
    /// Frequencies from `low` to `high` Hz.
    pub fn new(low: f64, high: f64, chance: &mut Chance) -> Wobble {
        let waves = 20;
        let size = (2.0 / f64::from(waves)).sqrt();
        Wobble(
            (0..waves)
                .map(|_| (TAU * chance.within(low.max(0.05), high), chance.within(0.0, TAU), size))
                .collect(),
        )
    }

    /// Its values at `count` times `step_s` apart, from `first_s` on. Each wave is turned from value to value, and set
    /// anew every so often, so that rounding does not add up.
    pub fn even(&self, first_s: f64, step_s: f64, count: usize) -> Vec<f64> {
        const ANEW: usize = 512;
        let mut values = vec![0.0; count];
        for &(turn, phase, size) in &self.0 {
            let (cos, sin) = (libm::cos(turn * step_s), libm::sin(turn * step_s));
            for (block, values) in values.chunks_mut(ANEW).enumerate() {
                let angle = turn * (first_s + (block * ANEW) as f64 * step_s) + phase;
                let (mut x, mut y) = (size * libm::cos(angle), size * libm::sin(angle));
                for value in values {
                    *value += y;
                    (x, y) = (x * cos - y * sin, y * cos + x * sin);
                }
            }
        }
        values
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_wobble_is_the_sum_of_its_sines_and_has_a_deviation_of_one() {
        let wobble = Wobble::new(8.0, 12.0, &mut Chance::new(1, 2, 3));
        let values = wobble.even(1.5, 1e-3, 60_000);
        for k in [0, 511, 512, 59_999] {
            let t = 1.5 + k as f64 * 1e-3;
            let plain: f64 = wobble.0.iter().map(|(w, p, size)| size * libm::sin(w * t + p)).sum();
            assert!((values[k] - plain).abs() < 1e-9, "{k}");
        }
        let square = values.iter().map(|v| v * v).sum::<f64>() / values.len() as f64;
        assert!((square - 1.0).abs() < 0.05, "{square}");
    }
}
