//! Small operations on evenly spaced values: means, crossings.

/// Centred mean over `width` values (made odd), narrower at the ends.
pub(crate) fn centred(values: &[f64], width: usize) -> Vec<f64> {
    let half = width / 2;
    if half == 0 {
        return values.to_vec();
    }
    let mut sums = Vec::with_capacity(values.len() + 1);
    let mut sum = 0.0;
    sums.push(sum);
    sums.extend(values.iter().map(|value| {
        sum += value;
        sum
    }));
    let (n, whole) = (values.len(), 2 * half + 1);
    let narrow = |k: usize| {
        let (from, to) = (k.saturating_sub(half), (k + half + 1).min(n));
        (sums[to] - sums[from]) / (to - from) as f64
    };
    let mut out = Vec::with_capacity(n);
    out.extend((0..half.min(n)).map(narrow));
    let scale = 1.0 / whole as f64;
    out.extend(sums.iter().zip(sums.iter().skip(whole)).map(|(from, to)| (to - from) * scale));
    out.extend((out.len()..n).map(narrow));
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
    let quads = values.chunks_exact(4);
    let rest: f64 = quads.remainder().iter().sum();
    for quad in quads {
        for (sum, value) in sums.iter_mut().zip(quad) {
            *sum += value;
        }
    }
    sums.iter().sum::<f64>() + rest
}

/// Greatest difference between neighbours.
pub(crate) fn largest_step(values: &[f64]) -> f64 {
    let (earlier, later) = (&values[..values.len().saturating_sub(1)], values.get(1..).unwrap_or(&[]));
    let mut largest = [0.0_f64; 4];
    let (a, b) = (earlier.chunks_exact(4), later.chunks_exact(4));
    for (a, b) in a.remainder().iter().zip(b.remainder()) {
        largest[0] = largest[0].max((b - a).abs());
    }
    for (a, b) in a.zip(b) {
        for k in 0..4 {
            let step = (b[k] - a[k]).abs();
            largest[k] = if step > largest[k] { step } else { largest[k] };
        }
    }
    largest.iter().copied().fold(0.0, f64::max)
}

/// Sum of products, in four parts side by side.
pub(crate) fn dot(a: &[f64], b: &[f64]) -> f64 {
    let mut sums = [0.0; 4];
    let (a, b) = (a.chunks_exact(4), b.chunks_exact(4));
    let rest: f64 = a.remainder().iter().zip(b.remainder()).map(|(a, b)| a * b).sum();
    for (a, b) in a.zip(b) {
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
    let quads = values.chunks_exact(4);
    for &value in quads.remainder() {
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

/// Where the line between values `k` and `k + 1` passes `level`.
pub(crate) fn between(values: &[f64], k: usize, level: f64) -> f64 {
    let (Some(a), Some(b)) = (values.get(k), values.get(k + 1)) else { return k as f64 };
    let span = b - a;
    if span == 0.0 { k as f64 } else { k as f64 + ((level - a) / span).clamp(0.0, 1.0) }
}

/// Index of the greatest value (the first of equals).
pub(crate) fn greatest(values: &[f64]) -> usize {
    let mut best = 0;
    for (k, value) in values.iter().enumerate() {
        if *value > values[best] {
            best = k;
        }
    }
    best
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
            let plain = values[..n].windows(2).map(|pair| (pair[1] - pair[0]).abs()).fold(0.0, f64::max);
            assert_eq!(largest_step(&values[..n]), plain);
            let (low, high) = range(&values[..n]);
            assert_eq!(low, values[..n].iter().copied().fold(f64::INFINITY, f64::min));
            assert_eq!(high, values[..n].iter().copied().fold(f64::NEG_INFINITY, f64::max));
        }
    }
}
