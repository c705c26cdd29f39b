//! Spectrum of a steady signal, and what the mains put into it.
//!
//! Comes in: readings (N) at equal intervals (s). Goes out: amplitude density (N/√Hz) over frequency (Hz), and the amplitude
//! (N) of each mains line, folded to where sampling shows it.
//!
//! Welch 1967 (IEEE Trans. Audio Electroacoust. 15:70–73): Hann window, halves overlapping. Lines: sine and cosine fitted at
//! the exact frequency, with what the noise leaves as standard error.

use super::Figure;
use realfft::RealFftPlanner;
use serde::{Deserialize, Serialize};
use std::f64::consts::TAU;

/// Harmonics of the mains that are looked for.
const HARMONICS: usize = 5;
/// Samples of one piece at most.
const PIECE_MAX: usize = 4096;

/// One mains line.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MainsLine {
    /// Mains frequency, Hz.
    pub mains_hz: f64,
    /// Which harmonic, from 1.
    pub harmonic: usize,
    /// Where it is seen in these samples, Hz.
    pub seen_at_hz: f64,
    /// Its amplitude, N.
    pub amplitude_n: Figure,
    /// Above four standard errors: it is there.
    pub is_found: bool,
}

/// Amplitude density: frequencies, Hz, and N/√Hz. Empty where there are too few readings.
pub fn density(readings: &[f64], interval_s: f64) -> (Vec<f64>, Vec<f64>) {
    let mut size = PIECE_MAX;
    while size > readings.len() / 4 {
        size /= 2;
    }
    if size < 16 || interval_s <= 0.0 {
        return (Vec::new(), Vec::new());
    }
    let mean = readings.iter().sum::<f64>() / readings.len() as f64;
    let window: Vec<f64> = (0..size).map(|i| 0.5 - 0.5 * libm::cos(TAU * i as f64 / size as f64)).collect();
    let power: f64 = window.iter().map(|w| w * w).sum();
    let transform = RealFftPlanner::<f64>::new().plan_fft_forward(size);
    let mut out = transform.make_output_vec();
    let (mut sum, mut pieces) = (vec![0.0; out.len()], 0.0);
    for from in (0..=readings.len() - size).step_by(size / 2) {
        let mut piece: Vec<f64> =
            readings[from..from + size].iter().zip(&window).map(|(r, w)| (r - mean) * w).collect();
        if transform.process(&mut piece, &mut out).is_err() {
            continue;
        }
        sum.iter_mut().zip(&out).for_each(|(sum, bin)| *sum += bin.norm_sqr());
        pieces += 1.0;
    }
    let frequency = (0..sum.len()).map(|k| k as f64 / (size as f64 * interval_s)).collect();
    let one_sided = |k: usize| if k == 0 || 2 * k == size { 1.0 } else { 2.0 };
    let density =
        sum.iter().enumerate().map(|(k, sum)| (one_sided(k) * sum * interval_s / (power * pieces)).sqrt());
    (frequency, density.collect())
}

/// The lines of 50 and 60 Hz mains that can be told from a level and from each other.
pub fn mains(readings: &[f64], interval_s: f64) -> Vec<MainsLine> {
    let duration_s = readings.len() as f64 * interval_s;
    let rate_hz = 1.0 / interval_s;
    if readings.len() < 64 {
        return Vec::new();
    }
    let all = [50.0, 60.0].into_iter().flat_map(|mains_hz| (1..=HARMONICS).map(move |h| (mains_hz, h)));
    all.filter_map(|(mains_hz, harmonic)| {
        let seen_at_hz = folded(mains_hz * harmonic as f64, rate_hz);
        // Ten periods and more; nearer to nothing it is drift, nearer to half the rate its phase decides what is seen.
        let is_told = seen_at_hz * duration_s > 10.0 && (0.5 * rate_hz - seen_at_hz) * duration_s > 10.0;
        let (amplitude_n, error_n) = is_told.then(|| sine(readings, interval_s, seen_at_hz))?;
        Some(MainsLine {
            mains_hz,
            harmonic,
            seen_at_hz,
            amplitude_n: Figure { value: amplitude_n, expanded: 1.96 * error_n },
            is_found: amplitude_n > 4.0 * error_n,
        })
    })
    .collect()
}

/// Where sampling shows a frequency.
pub fn folded(frequency_hz: f64, rate_hz: f64) -> f64 {
    let rest = frequency_hz - rate_hz * (frequency_hz / rate_hz).floor();
    rest.min(rate_hz - rest)
}

/// Amplitude of the sine of this frequency, and its standard error.
fn sine(readings: &[f64], interval_s: f64, frequency_hz: f64) -> (f64, f64) {
    let n = readings.len() as f64;
    let mean = readings.iter().sum::<f64>() / n;
    let (mut cosine, mut sine, mut squares) = (0.0, 0.0, 0.0);
    for (i, reading) in readings.iter().enumerate() {
        let phase = TAU * frequency_hz * i as f64 * interval_s;
        let away = reading - mean;
        cosine += away * libm::cos(phase);
        sine += away * libm::sin(phase);
        squares += away * away;
    }
    let amplitude = 2.0 / n * (cosine * cosine + sine * sine).sqrt();
    let left = (squares / n - 0.5 * amplitude * amplitude).max(0.0);
    (amplitude, (2.0 * left / n).sqrt())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn hum(rate_hz: f64, hz: f64, amplitude: f64) -> Vec<f64> {
        (0..20_000)
            .map(|i| {
                let noise = 0.02 * ((i * 7919 % 10_007) as f64 / 5003.5 - 1.0);
                amplitude * libm::sin(TAU * hz * f64::from(i) / rate_hz + 0.3) + noise
            })
            .collect()
    }

    #[test]
    fn mains_is_named_wherever_sampling_shows_it() {
        let lines = mains(&hum(1000.0, 50.0, 0.1), 0.001);
        let found: Vec<(f64, usize)> =
            lines.iter().filter(|line| line.is_found).map(|line| (line.mains_hz, line.harmonic)).collect();
        assert_eq!(found, [(50.0, 1)]);
        assert!(lines[0].amplitude_n.covers(0.1), "{:?}", lines[0]);
        // 50 Hz sampled 80 times a second is seen at 30 Hz (algebra).
        assert_eq!(folded(50.0, 80.0), 30.0);
        let lines = mains(&hum(80.0, 50.0, 0.1), 1.0 / 80.0);
        assert!(lines[0].is_found && lines[0].seen_at_hz == 30.0);
    }

    #[test]
    fn the_density_holds_the_variance() {
        // Parseval: the integral of the squared density is the variance.
        let readings = hum(1000.0, 123.0, 0.1);
        let (frequency, density) = density(&readings, 0.001);
        let sum: f64 = density.iter().map(|d| d * d * frequency[1]).sum();
        let variance = readings.iter().map(|r| r * r).sum::<f64>() / readings.len() as f64;
        assert!((sum / variance - 1.0).abs() < 0.02, "{sum} {variance}");
        let peak = (0..density.len()).max_by(|a, b| density[*a].total_cmp(&density[*b])).unwrap();
        assert!((frequency[peak] - 123.0).abs() < 0.3);
    }
}
