//! Counters for whoever watches, as Prometheus reads them. No label says whose visit it is.

use crate::health::Health;
use std::fmt::Write;
use std::sync::atomic::{AtomicU64, Ordering};

/// Upper ends of a histogram's buckets, ms.
const BUCKETS_MS: [u64; 16] = [1, 2, 3, 5, 7, 10, 15, 20, 30, 40, 50, 70, 100, 200, 500, 1000];

/// How long something took, counted.
#[derive(Debug, Default)]
pub struct Histogram {
    counts: [AtomicU64; BUCKETS_MS.len()],
    all: AtomicU64,
    sum_ns: AtomicU64,
}

impl Histogram {
    /// It took this long, ns.
    pub fn add_ns(&self, took_ns: u64) {
        for (most_ms, count) in BUCKETS_MS.iter().zip(&self.counts) {
            if took_ns <= most_ms * 1_000_000 {
                count.fetch_add(1, Ordering::Relaxed);
            }
        }
        self.all.fetch_add(1, Ordering::Relaxed);
        self.sum_ns.fetch_add(took_ns, Ordering::Relaxed);
    }

    fn write(&self, out: &mut String, name: &str) {
        let _ = writeln!(out, "# TYPE {name} histogram");
        for (most_ms, count) in BUCKETS_MS.iter().zip(&self.counts) {
            let (le, count) = (*most_ms as f64 / 1e3, count.load(Ordering::Relaxed));
            let _ = writeln!(out, "{name}_bucket{{le=\"{le}\"}} {count}");
        }
        let all = self.all.load(Ordering::Relaxed);
        let sum_s = self.sum_ns.load(Ordering::Relaxed) as f64 * 1e-9;
        let _ = writeln!(out, "{name}_bucket{{le=\"+Inf\"}} {all}\n{name}_sum {sum_s}\n{name}_count {all}");
    }
}

/// Everything, as text.
pub fn text(health: &Health, pages: usize, served: &Histogram, drawn: &Histogram) -> String {
    let mut out = String::new();
    for (name, kind, value) in [
        ("samples_total", "counter", health.samples),
        ("missing_samples_total", "counter", health.missing_samples),
        ("gaps_total", "counter", health.gaps),
        ("unknown_gaps_total", "counter", health.unknown_gaps),
        ("port_losses_total", "counter", health.port_losses),
        ("damaged_frames_total", "counter", health.wire.total()),
        ("duplicate_frames_total", "counter", health.wire.duplicate),
        ("dropped_bytes_total", "counter", health.wire.host_dropped_bytes),
        ("failed_syncs_total", "counter", health.failed_syncs),
        ("pages", "gauge", pages as u64),
    ] {
        let _ = writeln!(out, "# TYPE fingerforce_{name} {kind}\nfingerforce_{name} {value}");
    }
    let age_s = health.sync_age_ns as f64 * 1e-9;
    let _ = writeln!(out, "# TYPE fingerforce_sync_age_seconds gauge\nfingerforce_sync_age_seconds {age_s}");
    served.write(&mut out, "fingerforce_arrival_to_served_seconds");
    drawn.write(&mut out, "fingerforce_arrival_to_drawn_seconds");
    let version = env!("CARGO_PKG_VERSION");
    let _ = writeln!(
        out,
        "# TYPE fingerforce_build_info gauge\nfingerforce_build_info{{version=\"{version}\"}} 1"
    );
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn buckets_are_cumulative_and_every_line_is_a_comment_or_a_value() {
        let histogram = Histogram::default();
        [500_000, 4_000_000, 2_000_000_000].iter().for_each(|took_ns| histogram.add_ns(*took_ns));
        let text = text(&Health { samples: 7, ..Health::default() }, 2, &histogram, &Histogram::default());
        for part in [
            "fingerforce_samples_total 7\n",
            "fingerforce_pages 2\n",
            "served_seconds_bucket{le=\"0.001\"} 1\n",
            "served_seconds_bucket{le=\"0.005\"} 2\n",
            "served_seconds_bucket{le=\"1\"} 2\n",
            "served_seconds_bucket{le=\"+Inf\"} 3\n",
            "served_seconds_count 3\n",
        ] {
            assert!(text.contains(part), "{part}:\n{text}");
        }
        assert!(text.lines().all(|line| line.starts_with('#')
            || line.split_once(' ').is_some_and(|(_, value)| value.parse::<f64>().is_ok())));
    }
}
