//! Small operations on evenly spaced values: means, crossings.

/// Running sums of values, for means over any width.
#[derive(Debug)]
pub(crate) struct Running<'a> {
    values: &'a [f64],
    /// Of the values before each place.
    sums: Vec<f64>,
}

impl Running<'_> {
    /// The running sums of values.
    pub fn of(values: &[f64]) -> Running<'_> {
        let mut sums = Vec::with_capacity(values.len() + 1);
        let mut sum = 0.0;
        sums.push(sum);
        sums.extend(values.iter().map(|value| {
            sum += value;
            sum
        }));
        Running { values, sums }
    }

    /// Centred mean at a place over `width` values (made odd), narrower at the ends.
    pub fn centred(&self, k: usize, width: usize) -> f64 {
        let half = width / 2;
        if half == 0 {
            return self.values[k];
        }
        let (from, to) = (k.saturating_sub(half), (k + half + 1).min(self.values.len()));
        let sum = self.sums[to] - self.sums[from];
        if to - from == 2 * half + 1 { sum * (1.0 / (2 * half + 1) as f64) } else { sum / (to - from) as f64 }
    }
}

/// Centred means over `width` values (made odd), narrower at the ends.
pub(crate) fn centred(values: &[f64], width: usize) -> Vec<f64> {
    let half = width / 2;
    if half == 0 {
        return values.to_vec();
    }
    let running = Running::of(values);
    let (n, whole) = (values.len(), 2 * half + 1);
    let mut out = Vec::with_capacity(n);
    out.extend((0..half.min(n)).map(|k| running.centred(k, width)));
    let scale = 1.0 / whole as f64;
    let sums = &running.sums;
    out.extend(sums.iter().zip(sums.iter().skip(whole)).map(|(from, to)| (to - from) * scale));
    out.extend((out.len()..n).map(|k| running.centred(k, width)));
    out
}

/// The centred mean at one place: what [`centred`] has there.
pub(crate) fn mean_at(values: &[f64], k: usize, width: usize) -> f64 {
    let half = width / 2;
    let near = &values[k.saturating_sub(half).min(values.len())..(k + half + 1).min(values.len())];
    near.iter().sum::<f64>() / near.len().max(1) as f64
}

/// Trailing mean over `width` values, shorter at the start.
pub(crate) fn trailing(values: &[f64], width: usize) -> Vec<f64> {
    let width = width.max(1);
    let mut sum = 0.0;
    let mut out = Vec::with_capacity(values.len());
    for (k, value) in values.iter().enumerate() {
        sum += value;
        if k >= width {
            sum -= values[k - width];
        }
        out.push(sum / (k + 1).min(width) as f64);
    }
    out
}

/// Trailing means over `strides` times `stride` values at the end of every stride, over fewer at the start.
pub(crate) fn trailing_strides(values: &[f64], stride: usize, strides: usize) -> Vec<f64> {
    let (stride, strides) = (stride.max(1), strides.max(1));
    let sums: Vec<f64> = values.chunks_exact(stride).map(|block| block.iter().sum()).collect();
    let mut means = trailing(&sums, strides);
    for mean in &mut means {
        *mean /= stride as f64;
    }
    means
}

/// Sum of values, in four parts side by side.
pub(crate) fn sum(values: &[f64]) -> f64 {
    let mut sums = [0.0; 4];
    let (quads, rest) = values.as_chunks::<4>();
    let rest: f64 = rest.iter().sum();
    for quad in quads {
        for (sum, value) in sums.iter_mut().zip(quad) {
            *sum += value;
        }
    }
    sums.iter().sum::<f64>() + rest
}

/// Sum of products, in four parts side by side.
#[inline]
pub(crate) fn dot(a: &[f64], b: &[f64]) -> f64 {
    let mut sums = [0.0; 4];
    let ((a, rest_a), (b, rest_b)) = (a.as_chunks::<4>(), b.as_chunks::<4>());
    let rest: f64 = rest_a.iter().zip(rest_b).map(|(a, b)| a * b).sum();
    for (a, b) in a.iter().zip(b) {
        for k in 0..4 {
            sums[k] += a[k] * b[k];
        }
    }
    sums.iter().sum::<f64>() + rest
}

/// Least and greatest value.
pub(crate) fn range(values: &[f64]) -> (f64, f64) {
    // Four at a time: a compiler cannot reorder them by itself.
    let (mut low, mut high) = ([f64::INFINITY; 4], [f64::NEG_INFINITY; 4]);
    let (quads, rest) = values.as_chunks::<4>();
    for &value in rest {
        low[0] = if value < low[0] { value } else { low[0] };
        high[0] = if value > high[0] { value } else { high[0] };
    }
    for quad in quads {
        for k in 0..4 {
            low[k] = if quad[k] < low[k] { quad[k] } else { low[k] };
            high[k] = if quad[k] > high[k] { quad[k] } else { high[k] };
        }
    }
    (
        low.iter().copied().fold(f64::INFINITY, f64::min),
        high.iter().copied().fold(f64::NEG_INFINITY, f64::max),
    )
}

/// Greatest difference of a value from the one `apart` before it; `None` where there are none.
pub(crate) fn greatest_rise(values: &[f64], apart: usize) -> Option<f64> {
    let later = values.get(apart..).filter(|later| !later.is_empty())?;
    let mut most = [f64::NEG_INFINITY; 4];
    let (later, rest) = later.as_chunks::<4>();
    let (earlier, rest_earlier) = values[..values.len() - apart].as_chunks::<4>();
    for (b, a) in rest.iter().zip(rest_earlier) {
        most[0] = if b - a > most[0] { b - a } else { most[0] };
    }
    for (b, a) in later.iter().zip(earlier) {
        for k in 0..4 {
            let rise = b[k] - a[k];
            most[k] = if rise > most[k] { rise } else { most[k] };
        }
    }
    Some(most.iter().copied().fold(f64::NEG_INFINITY, f64::max))
}

/// Where the line between values `k` and `k + 1` passes `level`.
pub(crate) fn between(values: &[f64], k: usize, level: f64) -> f64 {
    let (Some(a), Some(b)) = (values.get(k), values.get(k + 1)) else { return k as f64 };
    let span = b - a;
    if span == 0.0 { k as f64 } else { k as f64 + ((level - a) / span).clamp(0.0, 1.0) }
}

/// Index of the greatest value (the first of equals).
pub(crate) fn greatest(values: &[f64]) -> usize {
    let (_, most) = range(values);
    values.iter().position(|value| *value == most).unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_centred_mean_is_the_mean_about_each_place() {
        let values: Vec<f64> = (0..50).map(|k| f64::from(k * k % 17)).collect();
        for width in [1, 2, 3, 9, 40, 99, 200] {
            let means = centred(&values, width);
            assert_eq!(means.len(), values.len());
            for (k, mean) in means.iter().enumerate() {
                assert!((mean - mean_at(&values, k, width)).abs() < 1e-12, "width {width}, place {k}");
                assert_eq!(*mean, Running::of(&values).centred(k, width), "width {width}, place {k}");
            }
        }
        assert!(centred(&[], 5).is_empty());
    }

    #[test]
    fn strides_and_ranges_agree_with_the_plain_way() {
        let values: Vec<f64> = (0..53).map(|k| f64::from(k * k % 17)).collect();
        let plain = trailing(&values, 12);
        let strided = trailing_strides(&values, 4, 3);
        assert_eq!(strided.len(), 13);
        for (k, mean) in strided.iter().enumerate() {
            assert!((mean - plain[4 * k + 3]).abs() < 1e-12);
        }
        for n in 1..20 {
            let highest = values[..n].iter().copied().fold(f64::NEG_INFINITY, f64::max);
            assert_eq!(greatest(&values[..n]), values.iter().position(|v| *v == highest).unwrap());
            for apart in 1..=n {
                let rises = values[..n].iter().zip(&values[..n][apart..]).map(|(a, b)| b - a);
                assert_eq!(greatest_rise(&values[..n], apart), rises.reduce(f64::max), "{n} {apart}");
            }
            let (low, high) = range(&values[..n]);
            assert_eq!(low, values[..n].iter().copied().fold(f64::INFINITY, f64::min));
            assert_eq!(high, values[..n].iter().copied().fold(f64::NEG_INFINITY, f64::max));
        }
    }
}
