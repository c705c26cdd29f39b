//! Butterworth low-pass filters in second-order sections: causal and zero-phase.
//!
//! Comes in: evenly spaced values, a cut-off and a rate in Hz. Goes out: filtered values. Off wherever the finder runs
//! with its defaults: a causal filter is late and overshoots a fast rise (4 % for order 2, 11 % for order 4), which
//! inflates peaks. Design by the bilinear transform with the cut-off prewarped (Oppenheim & Schafer, Discrete-Time
//! Signal Processing, ch. 7: from memory; the coefficients are checked against SciPy's).

use serde::Serialize;
use std::f64::consts::PI;

/// Highest order that is designed.
const ORDER_MAX: usize = 12;

/// Why a filter cannot be designed.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum FilterError {
    /// The order.
    #[error("a filter of order {0}: orders from 1 to {ORDER_MAX} can be designed")]
    Order(usize),
    /// The cut-off.
    #[error(
        "a cut-off of {cutoff_hz} Hz at {rate_hz} samples a second: it must lie between 0 and half the rate"
    )]
    Cutoff {
        /// The cut-off, Hz.
        cutoff_hz: f64,
        /// The rate, Hz.
        rate_hz: f64,
    },
}

/// One section: b0 + b1·z⁻¹ + b2·z⁻² over 1 + a1·z⁻¹ + a2·z⁻².
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Section {
    /// b0, b1, b2.
    pub b: [f64; 3],
    /// a1, a2 (a0 is 1).
    pub a: [f64; 2],
}

impl Section {
    /// The states of a section that has seen the value 1 forever, and what it gives then.
    fn steady(&self) -> ([f64; 2], f64) {
        let gain = self.b.iter().sum::<f64>() / (1.0 + self.a[0] + self.a[1]);
        let second = self.b[2] - self.a[1] * gain;
        ([self.b[1] - self.a[0] * gain + second, second], gain)
    }

    /// Filters values in place (transposed direct form II).
    fn run(&self, state: &mut [f64; 2], values: &mut [f64]) {
        for value in values {
            let x = *value;
            let y = self.b[0] * x + state[0];
            state[0] = self.b[1] * x - self.a[0] * y + state[1];
            state[1] = self.b[2] * x - self.a[1] * y;
            *value = y;
        }
    }
}

/// A low-pass filter.
#[derive(Debug, Clone, PartialEq)]
pub struct LowPass {
    sections: Vec<Section>,
}

impl LowPass {
    /// A Butterworth low-pass of this order: −3 dB at the cut-off in one pass.
    pub fn new(order: usize, cutoff_hz: f64, rate_hz: f64) -> Result<LowPass, FilterError> {
        if !(1..=ORDER_MAX).contains(&order) {
            return Err(FilterError::Order(order));
        }
        // (Comparisons with NaN are false, so that NaN is refused too.)
        let good = cutoff_hz > 0.0 && cutoff_hz < 0.5 * rate_hz && rate_hz.is_finite();
        if !good {
            return Err(FilterError::Cutoff { cutoff_hz, rate_hz });
        }
        let k = libm::tan(PI * cutoff_hz / rate_hz);
        let mut sections = Vec::with_capacity(order.div_ceil(2));
        let mut gain = 1.0;
        if order % 2 == 1 {
            gain *= k / (1.0 + k);
            sections.push(Section { b: [1.0, 1.0, 0.0], a: [(k - 1.0) / (k + 1.0), 0.0] });
        }
        // Pairs of poles, those nearest to the unit circle last.
        for pair in (0..order / 2).rev() {
            let angle = PI * (2 * pair + 1) as f64 / (2 * order) as f64;
            let damping = 2.0 * libm::sin(angle);
            let whole = 1.0 + damping * k + k * k;
            gain *= k * k / whole;
            let a = [2.0 * (k * k - 1.0) / whole, (1.0 - damping * k + k * k) / whole];
            sections.push(Section { b: [1.0, 2.0, 1.0], a });
        }
        for b in &mut sections[0].b {
            *b *= gain;
        }
        Ok(LowPass { sections })
    }

    /// A filter that is run forwards and backwards and has −3 dB at the cut-off after both passes: the cut-off of one
    /// pass is raised on the tangent-warped axis by (2^(1/passes) − 1)^(−1/(2·order)) (Winter, Biomechanics and Motor
    /// Control of Human Movement, generalised).
    pub fn twice(order: usize, cutoff_hz: f64, rate_hz: f64) -> Result<LowPass, FilterError> {
        LowPass::new(order, corrected_cutoff_hz(order, 2, cutoff_hz, rate_hz), rate_hz).map_err(|error| {
            if error == FilterError::Order(order) {
                error
            } else {
                FilterError::Cutoff { cutoff_hz, rate_hz }
            }
        })
    }

    /// The sections, in order.
    pub fn sections(&self) -> &[Section] {
        &self.sections
    }

    /// Filters causally, from rest (`from_first` false) or as if the first value had lasted forever.
    pub fn causal(&self, values: &[f64], from_first: bool) -> Vec<f64> {
        let mut out = values.to_vec();
        let level = if from_first { values.first().copied().unwrap_or(0.0) } else { 0.0 };
        self.pass(&mut out, level);
        out
    }

    fn pass(&self, values: &mut [f64], mut level: f64) {
        for section in &self.sections {
            let (states, gain) = section.steady();
            let mut state = states.map(|s| s * level);
            section.run(&mut state, values);
            level *= gain;
        }
    }

    /// Values by which both ends are extended before a zero-phase pass.
    pub fn padding(&self) -> usize {
        let first_order =
            self.sections.iter().filter(|section| section.b[2] == 0.0 && section.a[1] == 0.0).count();
        3 * (2 * self.sections.len() + 1 - first_order)
    }

    /// Filters forwards, then backwards: no delay. Both ends are extended by their odd reflection, as far as there
    /// are values to reflect.
    pub fn zero_phase(&self, values: &[f64]) -> Vec<f64> {
        self.zero_phase_padded(values, self.padding())
    }

    fn zero_phase_padded(&self, values: &[f64], padding: usize) -> Vec<f64> {
        let (Some(&first), Some(&last)) = (values.first(), values.last()) else { return Vec::new() };
        let n = values.len();
        let padding = padding.min(n - 1);
        let mut out = Vec::with_capacity(n + 2 * padding);
        out.extend((1..=padding).rev().map(|k| 2.0 * first - values[k]));
        out.extend_from_slice(values);
        out.extend((1..=padding).map(|k| 2.0 * last - values[n - 1 - k]));
        for _ in 0..2 {
            let start = out[0];
            self.pass(&mut out, start);
            out.reverse();
        }
        out.drain(..padding);
        out.truncate(n);
        out
    }
}

/// A filter that was asked for: stored with every result that it touched.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Filter {
    /// Order of the Butterworth design (of each pass).
    pub order: usize,
    /// Cut-off, Hz: −3 dB over all passes.
    pub cutoff_hz: f64,
    /// Forwards and backwards, without delay; else forwards only, late.
    pub zero_phase: bool,
}

impl Filter {
    /// Filters values at a rate in place. Each run of it between gaps is filtered by itself: `gap_before` tells whether
    /// values are missing before the one at an index.
    pub fn apply(
        &self,
        values: &mut [f64],
        rate_hz: f64,
        gap_before: impl Fn(usize) -> bool,
    ) -> Result<(), FilterError> {
        let filter = if self.zero_phase {
            LowPass::twice(self.order, self.cutoff_hz, rate_hz)?
        } else {
            LowPass::new(self.order, self.cutoff_hz, rate_hz)?
        };
        let mut from = 0;
        while from < values.len() {
            let to = (from + 1..values.len()).find(|&k| gap_before(k)).unwrap_or(values.len());
            let run = &values[from..to];
            let filtered = if self.zero_phase { filter.zero_phase(run) } else { filter.causal(run, true) };
            values[from..to].copy_from_slice(&filtered);
            from = to;
        }
        Ok(())
    }
}

/// The cut-off of one pass for a given one after several passes.
pub fn corrected_cutoff_hz(order: usize, passes: u32, cutoff_hz: f64, rate_hz: f64) -> f64 {
    let single = libm::pow(libm::pow(2.0, 1.0 / f64::from(passes)) - 1.0, 0.5 / order.max(1) as f64);
    rate_hz / PI * libm::atan(libm::tan(PI * cutoff_hz / rate_hz) / single)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn fixture(name: &str) -> Vec<Vec<f64>> {
        let path = format!("{}/../fixtures/filters/{name}", env!("CARGO_MANIFEST_DIR"));
        let mut reader = csv::Reader::from_path(&path).unwrap_or_else(|error| panic!("{path}: {error}"));
        reader.records().map(|row| row.unwrap().iter().map(|cell| cell.parse().unwrap()).collect()).collect()
    }

    fn column(rows: &[Vec<f64>], k: usize) -> Vec<f64> {
        rows.iter().map(|row| row[k]).collect()
    }

    fn assert_close(found: &[f64], wanted: &[f64], most: f64, what: &str) {
        assert_eq!(found.len(), wanted.len(), "{what}");
        for (k, (a, b)) in found.iter().zip(wanted).enumerate() {
            assert!((a - b).abs() <= most, "{what}, value {k}: {a} instead of {b}");
        }
    }

    /// Designs by `scipy.signal.butter(…, output="sos")` (SciPy 1.17; checked with a 40-digit design).
    #[test]
    fn designs_are_those_of_scipy() {
        let rows = fixture("butter_lowpass_sos_scipy.csv");
        assert!(rows.len() >= 10);
        for row in &rows {
            let filter = LowPass::new(row[0] as usize, row[1], row[2]).unwrap();
            let section = filter.sections()[row[3] as usize];
            let what = format!("order {} at {} of {} Hz, section {}", row[0], row[1], row[2], row[3]);
            let scale = row[4].abs().max(1e-300);
            assert_close(
                &section.b.map(|b| b / scale),
                &[row[4] / scale, row[5] / scale, row[6] / scale],
                1e-9,
                &what,
            );
            assert_close(&section.a, &row[8..10], 1e-12, &what);
        }
    }

    /// Impulse and step responses, and a test signal through sosfilt and sosfiltfilt (SciPy 1.17).
    #[test]
    fn outputs_are_those_of_scipy() {
        for (order, cutoff, rate) in [(2, 20.0, 1000.0), (4, 10.0, 80.0)] {
            let filter = LowPass::new(order, cutoff, rate).unwrap();
            let name = format!("butter{order}_fc{cutoff}_fs{rate}");
            let responses = fixture(&format!("{name}_impulse_step.csv"));
            let mut impulse = vec![0.0; responses.len()];
            impulse[0] = 1.0;
            assert_close(&filter.causal(&impulse, false), &column(&responses, 1), 1e-12, "impulse");
            let step = vec![1.0; responses.len()];
            assert_close(&filter.causal(&step, false), &column(&responses, 2), 1e-12, "step");
            let signal = fixture(&format!("{name}_testsignal.csv"));
            let x = column(&signal, 1);
            assert_close(&filter.causal(&x, false), &column(&signal, 2), 1e-10, "from rest");
            assert_close(&filter.causal(&x, true), &column(&signal, 3), 1e-10, "from the first value");
            assert_close(&filter.zero_phase(&x), &column(&signal, 4), 1e-10, "zero phase");
            assert_close(
                &filter.zero_phase_padded(&x, 0),
                &column(&signal, 5),
                1e-10,
                "zero phase, no padding",
            );
        }
    }

    /// C of (2^(1/n) − 1)^(1/(2·order)), computed with SciPy.
    #[test]
    fn the_cutoff_of_several_passes_is_corrected() {
        for row in fixture("butter_multipass_correction.csv") {
            let (order, passes, rate) = (row[0] as usize, row[1] as u32, 1000.0);
            let warped = |hz: f64| libm::tan(PI * hz / rate);
            let corrected = corrected_cutoff_hz(order, passes, 20.0, rate);
            assert!((warped(20.0) / warped(corrected) - row[2]).abs() < 1e-12, "{row:?}");
        }
    }

    #[test]
    fn what_cannot_be_designed_is_refused() {
        assert_eq!(LowPass::new(0, 20.0, 1000.0), Err(FilterError::Order(0)));
        assert_eq!(LowPass::twice(13, 20.0, 1000.0), Err(FilterError::Order(13)));
        for cutoff in [0.0, -1.0, 500.0, 501.0, f64::NAN, f64::INFINITY] {
            assert!(matches!(LowPass::new(2, cutoff, 1000.0), Err(FilterError::Cutoff { .. })), "{cutoff}");
        }
    }

    #[test]
    fn runs_between_gaps_are_filtered_by_themselves() {
        let filter = Filter { order: 2, cutoff_hz: 20.0, zero_phase: true };
        let signal: Vec<f64> = (0..400).map(|k| if k < 200 { 1.0 } else { 5.0 }).collect();
        let (mut whole, mut parted) = (signal.clone(), signal.clone());
        filter.apply(&mut whole, 1000.0, |_| false).unwrap();
        filter.apply(&mut parted, 1000.0, |k| k == 200).unwrap();
        assert!((whole[199] - 1.0).abs() > 0.5);
        assert_close(&parted, &signal, 1e-9, "each run is constant");
        assert!(filter.apply(&mut parted, 30.0, |_| false).is_err());
    }

    #[test]
    fn few_values_survive() {
        let filter = LowPass::new(4, 20.0, 1000.0).unwrap();
        for n in 0..40 {
            let values = vec![3.0; n];
            assert_close(&filter.zero_phase(&values), &values, 1e-9, "constant");
        }
    }
}
