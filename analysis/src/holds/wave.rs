//! Small operations on evenly spaced values: means, crossings.

/// Centred mean over `width` values (made odd), narrower at the ends.
pub(crate) fn centred(values: &[f64], width: usize) -> Vec<f64> {
    let half = width / 2;
    if half == 0 {
        return values.to_vec();
    }
    let mut sums = Vec::with_capacity(values.len() + 1);
    sums.push(0.0);
    let mut sum = 0.0;
    for value in values {
        sum += value;
        sums.push(sum);
    }
    (0..values.len())
        .map(|k| {
            let (from, to) = (k.saturating_sub(half), (k + half + 1).min(values.len()));
            (sums[to] - sums[from]) / (to - from) as f64
        })
        .collect()
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
