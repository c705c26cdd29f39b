//! Places device time in the host's time: one sensor's segment at a time.
//!
//! Comes in: for each frame the device time of its last sample (s since the segment's start) and its arrival on the
//! host's monotonic clock (s). Arrivals are late, never early, so only their lower envelope tells the clocks apart: the
//! line below all points that is highest at their middle (an edge of their lower convex hull; Moon, Skelly and Towsley
//! 1999). Ping exchanges, where there are any, also bound the constant part of the delay.
//! Goes out: a continuous, strictly increasing map. It enters no result: it only says when a sample was in civil time.

/// Pieces of a long segment are fitted on their own: oscillators wander.
const PIECE_S: f64 = 120.0;
/// A shorter stretch cannot tell the clocks' rates apart, so they are taken as equal.
const RATE_NEEDS_S: f64 = 30.0;
/// Crystals differ by less than this.
const RATE_LIMIT: f64 = 200e-6;
/// Without a ping the constant delay is unknown: common USB converters hold bytes back for up to 16 ms.
const DELAY_UNKNOWN_S: f64 = 0.016;

/// A frame's arrival.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Arrival {
    /// Device time of the frame's last sample, s.
    pub device_s: f64,
    /// When the frame had come, s.
    pub host_s: f64,
}

/// A ping exchange: at `device_s` the host's time was between `sent_s` and `arrived_s`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Exchange {
    /// Device time at which it was answered, s.
    pub device_s: f64,
    /// Host time when it was sent, s.
    pub sent_s: f64,
    /// Host time when the answer had come, s.
    pub arrived_s: f64,
}

/// The map of one segment.
#[derive(Debug, Clone, PartialEq)]
pub struct ClockMap {
    knots: Vec<(f64, f64)>,
    /// Host seconds per device second, over the whole segment.
    pub rate: f64,
    /// Half the width in which the true time lies, s.
    pub bound_s: f64,
}

impl ClockMap {
    /// Fits a segment's arrivals (in order of device time) and exchanges.
    pub fn fit(arrivals: &[Arrival], exchanges: &[Exchange]) -> ClockMap {
        let (Some(first), Some(last)) = (arrivals.first(), arrivals.last()) else {
            return ClockMap { knots: vec![(0.0, 0.0), (1.0, 1.0)], rate: 1.0, bound_s: f64::NAN };
        };
        let span = (last.device_s - first.device_s).max(1e-3);
        let pieces = (span / PIECE_S).ceil().clamp(1.0, 1e5) as usize;
        let edge = |piece: usize| first.device_s + span * piece as f64 / pieces as f64;
        let lines: Vec<(f64, f64)> = (0..pieces)
            .map(|piece| {
                let from = arrivals.partition_point(|a| a.device_s < edge(piece));
                let to = arrivals.partition_point(|a| a.device_s <= edge(piece + 1));
                line_below(arrivals.get(from..to.max(from + 1)).unwrap_or(arrivals))
            })
            .collect();
        let at = |line: usize, device_s: f64| lines.get(line).map(|(offset, rate)| offset + rate * device_s);
        let mut knots: Vec<(f64, f64)> = (0..=pieces)
            .map(|knot| {
                // Where two pieces meet, their mean: the map does not jump.
                let x = edge(knot);
                let (before, after) = (knot.checked_sub(1).and_then(|line| at(line, x)), at(knot, x));
                let y = match (before, after) {
                    (Some(a), Some(b)) => (a + b) / 2.0,
                    (one, other) => one.or(other).unwrap_or(x),
                };
                (x, y)
            })
            .collect();
        let rate = slope(&knots);
        let mut map = ClockMap { knots: knots.clone(), rate, bound_s: DELAY_UNKNOWN_S };
        if let Some((shift, bound_s)) = map.bounded_by(exchanges) {
            knots.iter_mut().for_each(|(_, y)| *y += shift);
            map = ClockMap { knots, rate, bound_s };
        }
        map
    }

    /// Host time of a device time, s.
    pub fn host_s(&self, device_s: f64) -> f64 {
        let upper = self.knots.partition_point(|(x, _)| *x <= device_s).clamp(1, self.knots.len().max(2) - 1);
        match (self.knots.get(upper - 1), self.knots.get(upper)) {
            (Some((x0, y0)), Some((x1, y1))) if x1 > x0 => y0 + (y1 - y0) * ((device_s - x0) / (x1 - x0)),
            _ => device_s,
        }
    }

    /// How far to shift the map so that it lies in the middle of what the tightest exchange allows, and the half width.
    fn bounded_by(&self, exchanges: &[Exchange]) -> Option<(f64, f64)> {
        let allowed = |exchange: &Exchange| {
            let envelope = self.host_s(exchange.device_s);
            let (low, high) = (exchange.sent_s - envelope, (exchange.arrived_s - envelope).min(0.0));
            // An exchange that contradicts the envelope says nothing about it.
            (high >= low).then_some(((low + high) / 2.0, (high - low) / 2.0))
        };
        exchanges.iter().filter_map(allowed).min_by(|a, b| a.1.total_cmp(&b.1))
    }
}

fn slope(knots: &[(f64, f64)]) -> f64 {
    match (knots.first(), knots.last()) {
        (Some((x0, y0)), Some((x1, y1))) if x1 > x0 => (y1 - y0) / (x1 - x0),
        _ => 1.0,
    }
}

/// Offset and rate of the line below all points that is highest at their middle.
fn line_below(points: &[Arrival]) -> (f64, f64) {
    let mean = points.iter().map(|p| p.device_s).sum::<f64>() / points.len().max(1) as f64;
    let span = points.last().map_or(0.0, |l| l.device_s) - points.first().map_or(0.0, |f| f.device_s);
    let mut hull: Vec<Arrival> = Vec::new();
    for &point in points {
        while let [.., a, b] = hull[..]
            && (b.host_s - a.host_s) * (point.device_s - a.device_s)
                >= (point.host_s - a.host_s) * (b.device_s - a.device_s)
        {
            hull.pop();
        }
        hull.push(point);
    }
    let edge = hull.partition_point(|p| p.device_s <= mean);
    let rate = match (edge.checked_sub(1).and_then(|i| hull.get(i)), hull.get(edge)) {
        (Some(a), Some(b)) if span >= RATE_NEEDS_S && b.device_s > a.device_s => {
            ((b.host_s - a.host_s) / (b.device_s - a.device_s)).clamp(1.0 - RATE_LIMIT, 1.0 + RATE_LIMIT)
        }
        _ => 1.0,
    };
    let offset = points.iter().map(|p| p.host_s - rate * p.device_s).fold(f64::INFINITY, f64::min);
    (if offset.is_finite() { offset } else { 0.0 }, rate)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Arrivals of a device whose clock runs fast by `ppm`, delayed by 0.3 ms and more, seeded.
    fn arrivals(seconds: f64, ppm: f64) -> Vec<Arrival> {
        let mut state = 42_u64;
        let mut random = move || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (state >> 11) as f64 / (1_u64 << 53) as f64
        };
        (0..(seconds / 0.02) as usize)
            .map(|i| {
                let device_s = i as f64 * 0.02;
                let tail = if random() < 0.02 { random() * 0.05 } else { 0.0 };
                let host_s = 100.0 + device_s * (1.0 - ppm * 1e-6) + 0.0003 + random() * 0.002 + tail;
                Arrival { device_s, host_s }
            })
            .collect()
    }

    fn worst_ms(map: &ClockMap, seconds: f64, ppm: f64) -> f64 {
        (0..100)
            .map(|i| f64::from(i) / 100.0 * seconds)
            .map(|d| (map.host_s(d) - (100.0 + d * (1.0 - ppm * 1e-6))).abs() * 1e3)
            .fold(0.0, f64::max)
    }

    #[test]
    fn the_envelope_finds_rate_and_offset_under_late_arrivals() {
        for ppm in [-90.0, 0.0, 90.0] {
            let map = ClockMap::fit(&arrivals(500.0, ppm), &[]);
            assert!((map.rate - (1.0 - ppm * 1e-6)).abs() < 5e-6, "{}", map.rate);
            assert!(worst_ms(&map, 500.0, ppm) < 0.6, "{} ms", worst_ms(&map, 500.0, ppm));
        }
    }

    #[test]
    fn a_ping_removes_the_constant_delay_within_its_bound() {
        let exchange = Exchange { device_s: 50.0, sent_s: 149.9998, arrived_s: 150.0002 };
        let map = ClockMap::fit(&arrivals(100.0, 0.0), &[exchange]);
        assert!(map.bound_s < 0.000_21, "{}", map.bound_s);
        assert!(worst_ms(&map, 100.0, 0.0) < 0.25);
    }

    #[test]
    fn a_short_stretch_keeps_the_nominal_rate() {
        assert!((ClockMap::fit(&arrivals(10.0, 90.0), &[]).rate - 1.0).abs() < 1e-12);
    }

    #[test]
    fn the_map_increases_whatever_arrives() {
        let mut odd = arrivals(300.0, 0.0);
        for (i, arrival) in odd.iter_mut().enumerate() {
            arrival.host_s += if i % 7 == 0 { 30.0 } else { 0.0 };
        }
        for points in [odd, Vec::new(), arrivals(0.02, 0.0)] {
            let map = ClockMap::fit(&points, &[]);
            let times: Vec<f64> = (0..3000).map(|i| map.host_s(f64::from(i) * 0.1)).collect();
            assert!(times.windows(2).all(|pair| pair[1] > pair[0]));
        }
    }
}
