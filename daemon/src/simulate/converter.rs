//! The converter: force to 24-bit counts, with a converter's failings.
//!
//! In: force (N) at the times that one conversion averages over. Out: one count per channel, and whether any was at the
//! end of the converter's range. Failings: zero offset, gain error, white noise, zero drift, mains hum, saturation, and
//! the delay of its averaging filter.

use super::random::Random;
use firmware_protocol::counts::twos_complement;
use firmware_protocol::message::{ChannelIdentity, Direction, MAX_CHANNELS};
use std::f64::consts::TAU;

/// The ends of a 24-bit converter's range, counts.
const LOWEST: f64 = -8_388_608.0;
const HIGHEST: f64 = 8_388_607.0;

/// One conversion averages the force at this many moments, evenly spread over its window.
const MOMENTS: u32 = 4;

/// What the converter is like.
#[derive(Debug, Clone, PartialEq)]
pub struct Settings {
    /// Rated force, N.
    pub rated_force_n: f64,
    /// Counts above zero at rated force.
    pub rated_counts: i32,
    /// Counts without load, as the identity states them.
    pub zero_counts: i32,
    /// How far the true zero is from that, N.
    pub offset_n: f64,
    /// How far the true gain is from the stated one, as a fraction.
    pub gain_error: f64,
    /// Noise SD, N.
    pub noise_n: f64,
    /// Zero drift, N per minute.
    pub drift_n_per_min: f64,
    /// Amplitude of mains hum, N.
    pub hum_n: f64,
    /// Mains frequency, Hz.
    pub hum_hz: f64,
    /// What one conversion averages over, s: it shows the force of half as long ago.
    pub window_s: f64,
    /// Bow of the curve: how far it lies above the straight line at half the rated force, as a fraction of that force.
    pub bow: f64,
    /// Hysteresis: the same for what is added on the way down.
    pub hysteresis: f64,
    /// Creep: what is added to a load in the long run, as a fraction of it …
    pub creep: f64,
    /// … and its time constant, s.
    pub creep_s: f64,
    /// SD of the device's stamps about their true times, µs.
    pub stamp_jitter_us: f64,
    /// Channels. The second has half of the first one's force, the third a third, and so on.
    pub channels: u8,
}

impl Default for Settings {
    fn default() -> Self {
        Settings {
            rated_force_n: 200.0,
            rated_counts: 8_000_000,
            zero_counts: 120_000,
            offset_n: 0.4,
            gain_error: 0.0,
            noise_n: 0.02,
            drift_n_per_min: 0.02,
            hum_n: 0.005,
            hum_hz: 50.0,
            window_s: 0.002,
            bow: 0.0,
            hysteresis: 0.0,
            creep: 0.0,
            creep_s: 10.0,
            stamp_jitter_us: 0.0,
            channels: 1,
        }
    }
}

impl Settings {
    /// A converter without failings: counts = force ÷ resolution, rounded.
    #[must_use]
    pub fn exact(self) -> Self {
        Settings {
            zero_counts: 0,
            offset_n: 0.0,
            gain_error: 0.0,
            noise_n: 0.0,
            drift_n_per_min: 0.0,
            hum_n: 0.0,
            window_s: 0.0,
            bow: 0.0,
            hysteresis: 0.0,
            creep: 0.0,
            ..self
        }
    }

    /// Newtons per count.
    #[must_use]
    pub fn resolution_n(&self) -> f64 {
        self.rated_force_n / f64::from(self.rated_counts)
    }

    /// The largest force that has counts, N.
    #[must_use]
    pub fn highest_n(&self) -> f64 {
        (HIGHEST - 1.0 - f64::from(self.zero_counts)) * self.resolution_n()
    }

    /// By how much a sample shows an earlier force, s.
    #[must_use]
    pub fn group_delay_s(&self) -> f64 {
        0.5 * self.window_s
    }

    /// Where the averaging has taken 3 dB, Hz; 0 without averaging. sinc(x) = 1/√2 at x = 0.443.
    #[must_use]
    pub fn bandwidth_hz(&self) -> f64 {
        if self.window_s > 0.0 { 0.443 / self.window_s } else { 0.0 }
    }

    /// What the identity says of each channel: they are alike and differ in the force that reaches them.
    #[must_use]
    pub fn identity(&self) -> ChannelIdentity {
        ChannelIdentity {
            zero_counts: self.zero_counts,
            rated_counts: self.rated_counts,
            rated_force_mn: (self.rated_force_n * 1_000.0) as u32,
            direction: Direction::Both,
        }
    }
}

/// The converter.
#[derive(Debug, Clone)]
pub struct Converter {
    settings: Settings,
    noise: Random,
    hum_phase: f64,
    body: Body,
    stamps: Random,
}

/// The spring under load: what it remembers.
#[derive(Debug, Clone, Copy, Default)]
struct Body {
    /// Greatest force since it was last unloaded, N.
    highest_n: f64,
    /// What creep has come to, N before its fraction is taken.
    crept_n: f64,
    /// When it was last looked at, s.
    at_s: Option<f64>,
}

/// Below this share of the rated force the spring counts as unloaded, and what it knew of the way up is forgotten.
const UNLOADED: f64 = 0.005;
/// So much below its greatest force, as a share of the rated one, a load is on the way down.
const ON_THE_WAY_DOWN: f64 = 0.01;

impl Body {
    /// The force that the spring's strain stands for.
    fn strained_n(&mut self, time_s: f64, force_n: f64, of: &Settings) -> f64 {
        if of.bow == 0.0 && of.hysteresis == 0.0 && of.creep == 0.0 {
            return force_n;
        }
        let share = force_n / of.rated_force_n;
        self.highest_n = if share.abs() < UNLOADED { 0.0 } else { self.highest_n.max(force_n) };
        let down = self.highest_n - force_n > ON_THE_WAY_DOWN * of.rated_force_n;
        let bent = of.bow + if down { of.hysteresis } else { 0.0 };
        let passed_s = self.at_s.replace(time_s).map_or(0.0, |at_s| (time_s - at_s).max(0.0));
        self.crept_n += (force_n - self.crept_n) * (1.0 - libm::exp(-passed_s / of.creep_s));
        force_n + bent * of.rated_force_n * 4.0 * share * (1.0 - share) + of.creep * self.crept_n
    }
}

impl Converter {
    /// A converter whose noise is drawn from `seed`.
    #[must_use]
    pub fn new(settings: Settings, seed: u64) -> Self {
        let mut noise = Random::fork(seed, 3);
        let hum_phase = noise.between(0.0, TAU);
        Converter { settings, noise, hum_phase, body: Body::default(), stamps: Random::fork(seed, 4) }
    }

    /// One conversion that ends at `time_s`: counts per channel into `counts`, true where any is at the range's end.
    pub fn convert(&mut self, time_s: f64, force_n: impl FnMut(f64) -> f64, counts: &mut [i32]) -> bool {
        let applied_n = self.averaged(time_s, force_n);
        let force_n =
            self.body.strained_n(time_s, applied_n, &self.settings) * (1.0 + self.settings.gain_error);
        let away_n =
            self.settings.offset_n + self.settings.drift_n_per_min * time_s / 60.0 + self.hum_n(time_s);
        let mut saturated = false;
        for (channel, count) in (1..=MAX_CHANNELS).zip(counts) {
            let noise_n =
                if self.settings.noise_n > 0.0 { self.settings.noise_n * self.noise.normal() } else { 0.0 };
            let shown_n = force_n / channel as f64 + away_n + noise_n;
            let code =
                libm::round(shown_n / self.settings.resolution_n()) + f64::from(self.settings.zero_counts);
            // As a converter sends it and a driver reads it.
            let reading = twos_complement((code.clamp(LOWEST, HIGHEST) as i32).cast_unsigned());
            saturated |= reading.saturated;
            *count = reading.counts;
        }
        saturated
    }

    /// How far the next stamp is from its sample's true time, µs.
    pub fn stamp_error_us(&mut self) -> f64 {
        if self.settings.stamp_jitter_us > 0.0 {
            self.settings.stamp_jitter_us * self.stamps.normal()
        } else {
            0.0
        }
    }

    fn averaged(&self, time_s: f64, mut force_n: impl FnMut(f64) -> f64) -> f64 {
        if self.settings.window_s <= 0.0 {
            return force_n(time_s);
        }
        // Midpoints of equal parts: their mean time is exactly half a window ago.
        let step_s = self.settings.window_s / f64::from(MOMENTS);
        let sum: f64 = (0..MOMENTS).map(|part| force_n(time_s - (f64::from(part) + 0.5) * step_s)).sum();
        sum / f64::from(MOMENTS)
    }

    fn hum_n(&self, time_s: f64) -> f64 {
        if self.settings.hum_n == 0.0 {
            return 0.0;
        }
        self.settings.hum_n * libm::sin(TAU * self.settings.hum_hz * time_s + self.hum_phase)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 50 µN a count.
    fn coarse() -> Settings {
        Settings { rated_counts: 4_000_000, ..Settings::default() }
    }

    fn convert(settings: Settings, time_s: f64, force: impl Fn(f64) -> f64) -> (i32, bool) {
        let mut counts = [0];
        let saturated = Converter::new(settings, 1).convert(time_s, force, &mut counts);
        (counts[0], saturated)
    }

    #[test]
    fn an_exact_converter_rounds_and_nothing_else() {
        let exact = coarse().exact();
        assert_eq!(exact.resolution_n(), 0.000_05);
        for (force_n, counts) in
            [(0.0, 0), (0.000_024, 0), (0.000_026, 1), (-1.0, -20_000), (200.0, 4_000_000)]
        {
            assert_eq!(convert(exact.clone(), 12.3, |_| force_n), (counts, false), "{force_n} N");
        }
    }

    #[test]
    fn the_range_ends_at_24_bits_and_says_so() {
        let exact = coarse().exact();
        assert_eq!(convert(exact.clone(), 0.0, |_| 5_000.0), (8_388_607, true));
        assert_eq!(convert(exact.clone(), 0.0, |_| -5_000.0), (-8_388_608, true));
        assert_eq!(convert(exact.clone(), 0.0, |_| f64::INFINITY), (8_388_607, true));
        let (counts, saturated) = convert(exact.clone(), 0.0, |_| exact.highest_n());
        assert_eq!((counts, saturated), (8_388_606, false));
    }

    #[test]
    fn averaging_delays_a_ramp_by_the_group_delay() {
        let settings = Settings { window_s: 0.02, ..coarse().exact() };
        // 10 N/s, so that 10 ms of delay are 0.1 N.
        let (counts, _) = convert(settings.clone(), 3.0, |t| 10.0 * t);
        assert_eq!(settings.group_delay_s(), 0.01);
        assert_eq!(counts, 20_000 * 30 - 2_000);
        // The stated bandwidth: a sine there comes through at −3 dB.
        let speed = TAU * settings.bandwidth_hz();
        let wave = |t: f64| 100.0 * libm::sin(speed * t);
        let peak =
            (0..2_000).map(|i| convert(settings.clone(), f64::from(i) * 0.000_1, wave).0).max().unwrap();
        let passed = f64::from(peak) * settings.resolution_n() / 100.0;
        assert!((passed - 0.707).abs() < 0.03, "{passed}");
    }

    #[test]
    fn noise_drift_and_offset_have_their_stated_size() {
        let settings = Settings { hum_n: 0.0, drift_n_per_min: 6.0, ..coarse() };
        let mut converter = Converter::new(settings.clone(), 5);
        let shown: Vec<f64> = (0..20_000)
            .map(|_| {
                let mut counts = [0];
                converter.convert(60.0, |_| 0.0, &mut counts);
                f64::from(counts[0] - settings.zero_counts) * settings.resolution_n()
            })
            .collect();
        let mean = shown.iter().sum::<f64>() / 20_000.0;
        let sd = (shown.iter().map(|x| (x - mean) * (x - mean)).sum::<f64>() / 19_999.0).sqrt();
        assert!((mean - 6.4).abs() < 0.001, "{mean}");
        assert!((sd - 0.02).abs() < 0.000_5, "{sd}");
    }

    #[test]
    fn hum_has_the_mains_frequency() {
        let settings = Settings { hum_n: 1.0, ..coarse().exact() };
        let at = |time_s| convert(settings.clone(), time_s, |_| 0.0).0;
        assert_eq!(at(1.003), at(1.023), "one period later");
        assert_eq!(at(1.003), -at(1.013), "half a period later");
        let largest = (0..200).map(|i| at(f64::from(i) * 0.000_1)).max().unwrap();
        assert!((19_980..=20_000).contains(&largest), "{largest}");
    }

    #[test]
    fn channels_share_the_force_and_have_noise_of_their_own() {
        let settings = Settings { channels: 8, noise_n: 0.001, ..coarse().exact() };
        let mut counts = [0; 8];
        Converter::new(settings, 1).convert(0.0, |_| 80.0, &mut counts);
        for (channel, count) in (1..).zip(counts) {
            assert!((f64::from(count) - 1_600_000.0 / f64::from(channel)).abs() < 100.0, "{counts:?}");
        }
    }
}
