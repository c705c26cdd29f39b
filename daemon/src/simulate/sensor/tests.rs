//! The sensor against a host in memory: whatever goes wrong, every sample is accounted for, exactly.

use super::super::hand::{Hand, Script};
use super::super::tally::Stream;
use super::super::test_host::{Host, message};
use super::*;
use analysis::trace::Trace;
use proptest::prelude::*;

const MS: u64 = 1_000_000;

/// A sensor and a host, joined by a port that takes up to `port_takes` bytes a millisecond.
struct World {
    sensor: Sensor,
    host: Host,
    now_ns: u64,
    port_takes: usize,
    /// How often the port notices that its reader has read everything, ms.
    settles_ms: u64,
    kept: Vec<Counted>,
    asked: bool,
}

impl World {
    fn new(settings: Settings, source: Source, port_takes: usize) -> World {
        let settings = Settings { keep_counts: true, ..settings };
        let sensor = Sensor::new(settings, source, 5 * MS).unwrap();
        World {
            sensor,
            host: Host::default(),
            now_ns: 5 * MS,
            port_takes,
            settles_ms: 1,
            kept: Vec::new(),
            asked: false,
        }
    }

    fn say(&mut self, what: HostMessage) {
        if self.sensor.plug() == Plug::In {
            self.sensor.hear(&message(what), self.now_ns);
        }
    }

    /// A millisecond passes.
    fn tick(&mut self) {
        self.now_ns += MS;
        self.sensor.advance(self.now_ns);
        let mut room = self.port_takes;
        while room > 0 && !self.sensor.output().is_empty() {
            let count = room.min(self.sensor.output().len());
            self.host.read(&self.sensor.output()[..count]);
            self.sensor.take(count);
            room -= count;
        }
        if (self.now_ns / MS).is_multiple_of(self.settles_ms) {
            self.sensor.settle();
        }
        if matches!(self.sensor.plug(), Plug::Leaving { .. }) && self.sensor.is_drained() {
            self.sensor.unplugged(0);
            self.host.accumulator.reset();
        }
        self.kept.extend(self.sensor.take_counts());
    }

    fn wait_ms(&mut self, count: u64) {
        (0..count).for_each(|_| self.tick());
    }

    /// As a host does: asks and starts until something comes, again after a reset.
    fn stream_ms(&mut self, count: u64) {
        for passed in 0..count {
            if passed % 40 == 0 && !self.sensor.is_streaming() {
                self.say(HostMessage::Identify);
                self.say(HostMessage::Start);
            }
            self.tick();
        }
    }

    /// Stops until the end of the stream is known, as a host that repeats itself; then the simulation ends.
    fn finish(&mut self) -> Vec<Stream> {
        for _ in 0..500 {
            self.say(HostMessage::Stop);
            self.wait_ms(50);
            let last = self.sensor.tally().streams.last();
            if self.sensor.is_stopped()
                && last.is_none_or(|stream| stream.known_samples == stream.produced_samples)
            {
                self.asked = true;
                break;
            }
        }
        self.sensor.end(0);
        self.sensor.tally().streams.clone()
    }

    /// The host has exactly what the truth says, of every stream.
    fn agrees(&self, streams: &[Stream]) {
        for (number, stream) in self.numbered(streams) {
            assert!(stream.is_balanced(), "{stream:?}");
            let range = (stream.boot_id, number, 0)..=(stream.boot_id, number, u64::MAX);
            assert_eq!(self.host.samples.range(range).count() as u64, stream.delivered_samples, "{stream:?}");
            if let Some(known) = self.host.known.get(&stream.boot_id).filter(|known| known.stream == number) {
                assert_eq!(known.samples, stream.known_samples, "{stream:?}");
            }
        }
        for kept in &self.kept {
            let (number, stream) = self.numbered(streams)[kept.stream];
            if let Some(counts) = self.host.samples.get(&(stream.boot_id, number, kept.sample)) {
                assert_eq!(counts[..], kept.counts[..counts.len()], "sample {} of {stream:?}", kept.sample);
            }
        }
        let produced: u64 = streams.iter().map(|stream| stream.produced_samples).sum();
        assert_eq!(self.kept.len() as u64, produced, "every produced sample is kept");
    }

    /// Streams with their number within their boot.
    fn numbered<'a>(&self, streams: &'a [Stream]) -> Vec<(u64, &'a Stream)> {
        let before = |at: usize| streams[..at].iter().filter(|it| it.boot_id == streams[at].boot_id).count();
        streams.iter().enumerate().map(|(at, stream)| (before(at) as u64, stream)).collect()
    }
}

fn hand() -> Source {
    Source::Hand(Box::new(Hand::new(Script { repeat: true, ..Script::default() }, 3).unwrap()))
}

fn world(faults: Faults) -> World {
    World::new(Settings { faults, ..Settings::default() }, hand(), usize::MAX)
}

#[test]
fn nothing_is_lost_where_nothing_goes_wrong() {
    let mut world = world(Faults::default());
    world.wait_ms(300);
    assert_eq!(world.host.identities.len(), 1, "a board that has booted says who it is, and waits");
    assert!(world.host.samples.is_empty());
    world.say(HostMessage::Start);
    world.wait_ms(2_000);
    let streams = world.finish();
    world.agrees(&streams);
    assert_eq!(streams.len(), 1);
    assert_eq!(
        (streams[0].delivered_samples, streams[0].known_samples),
        (streams[0].produced_samples, streams[0].produced_samples)
    );
    assert!(streams[0].produced_samples >= 2_000);
    let heard = world.sensor.tally().heard;
    assert_eq!((heard.start, heard.unreadable), (1, 0));
}

#[test]
fn the_identity_says_what_the_converter_is() {
    let mut world = world(Faults::default());
    world.wait_ms(200);
    let identity = world.host.identities[0];
    assert_eq!(identity.serial.as_str(), "SIM-0001");
    assert_eq!(
        (identity.interval_ns, identity.group_delay_ns, identity.settling_ns),
        (1_000_000, 1_000_000, 2_000_000)
    );
    let channel = identity.channels[0];
    assert_eq!(
        (channel.zero_counts, channel.rated_counts, channel.rated_force_mn),
        (120_000, 8_000_000, 200_000)
    );
}

#[test]
fn samples_are_evenly_spaced_on_the_devices_clock() {
    let mut world = World::new(
        Settings {
            interval_ns: 12_500_000,
            faults: Faults { clock_drift_ppm: 200.0, ..Faults::default() },
            ..Settings::default()
        },
        hand(),
        usize::MAX,
    );
    world.wait_ms(200);
    world.say(HostMessage::Start);
    world.wait_ms(50_000);
    let (first, last) = (world.host.times_us[0], world.host.times_us[world.host.times_us.len() - 1]);
    assert_eq!(last.1 - first.1, (last.0 - first.0) * 12_500);
    // 50 s of true time are 50.01 s by a clock that is 200 ppm fast: four samples in 100 s more, two in 50 s, none or
    // one of them in a frame that is still being filled.
    let streams = world.finish();
    assert!((4_000..=4_006).contains(&streams[0].produced_samples), "{streams:?}");
}

#[test]
fn the_host_can_change_the_interval_within_what_the_converter_can_do() {
    let mut world = world(Faults::default());
    world.wait_ms(200);
    for (wanted_ns, gets_ns) in
        [(2_000_000, 2_000_000), (1, SHORTEST_INTERVAL_NS), (u32::MAX, LONGEST_INTERVAL_NS)]
    {
        world.say(HostMessage::SetInterval { interval_ns: wanted_ns });
        world.wait_ms(20);
        assert_eq!(world.host.identities.last().unwrap().interval_ns, gets_ns);
    }
    world.say(HostMessage::SetInterval { interval_ns: 2_000_000 });
    world.say(HostMessage::Start);
    world.wait_ms(1_000);
    assert_eq!(
        world.finish()[0].produced_samples.abs_diff(512),
        12,
        "500 samples in the first second, and those until the stop"
    );
}

#[test]
fn a_ping_is_answered_with_the_devices_time() {
    let mut world = world(Faults { clock_drift_ppm: 1_000.0, ..Faults::default() });
    world.wait_ms(10_100);
    world.say(HostMessage::Ping { token: 77 });
    world.wait_ms(5);
    // Up 10 s after power, 100 ms of which it needed to boot; 1 ‰ fast. The clock of this world began at 5 ms.
    let (token, device_us) = world.host.pongs[0];
    assert_eq!(token, 77);
    assert!(device_us.abs_diff(10_010_000 + 100_100) < 2_000, "{device_us}");
}

#[test]
fn a_slow_reader_makes_the_board_drop_and_say_so() {
    // 1 kHz makes about 5 bytes a millisecond.
    let settings = Settings { buffer_bytes: 4_096, ..Settings::default() };
    let mut world = World::new(settings, hand(), 3);
    world.stream_ms(20_000);
    world.port_takes = usize::MAX;
    let streams = world.finish();
    world.agrees(&streams);
    assert!(streams[0].device_dropped_samples > 5_000, "{streams:?}");
    assert!(world.host.overruns > 0);
    assert_eq!(streams[0].delivered_samples + streams[0].device_dropped_samples, streams[0].produced_samples);
    assert_eq!(streams[0].known_samples, streams[0].produced_samples);
}

#[test]
fn a_reset_begins_a_new_boot_and_the_hand_goes_on() {
    let mut world = world(Faults { reset_after_s: Some(1.0), reset_abruptly: true, ..Faults::default() });
    world.stream_ms(3_000);
    let streams = world.finish();
    world.agrees(&streams);
    assert_eq!(streams.len(), 2);
    assert_ne!(streams[0].boot_id, streams[1].boot_id);
    assert!(world.host.identities.iter().any(|identity| identity.boot_id == streams[1].boot_id));
    assert!(streams[0].produced_samples.abs_diff(1_000) < 60, "{streams:?}");
    assert!(streams[0].left_samples < 20, "at most the frame that was being filled: {streams:?}");
    assert_eq!(streams[0].known_samples, streams[0].delivered_samples);
    assert!(world.sensor.script_s() > 2.8, "the script was not begun anew");
}

#[test]
fn a_considerate_reset_loses_nothing() {
    for interval_ns in [100_000, 1_000_000, 12_500_000] {
        let faults = Faults { reset_after_s: Some(1.003), ..Faults::default() };
        let settings = Settings { faults, interval_ns, ..Settings::default() };
        let mut world = World::new(settings, hand(), usize::MAX);
        world.stream_ms(3_000);
        let streams = world.finish();
        world.agrees(&streams);
        assert_eq!(streams.len(), 2);
        assert_eq!(streams[0].known_samples, streams[0].produced_samples);
        assert!(streams[0].produced_samples.abs_diff(1_003_000_000 / u64::from(interval_ns)) < 220);
    }
}

#[test]
fn another_board_answers_after_the_return() {
    let faults = Faults {
        unplug_after_s: Some(0.5),
        return_after_s: Some(0.2),
        returns_as: Some("OTHER".to_owned()),
        ..Faults::default()
    };
    let mut world = world(faults);
    world.stream_ms(2_000);
    let serials: Vec<&str> = world.host.identities.iter().map(|identity| identity.serial.as_str()).collect();
    assert_eq!((serials[0], serials[serials.len() - 1]), ("SIM-0001", "OTHER"));
    let streams = world.finish();
    world.agrees(&streams);
    assert_eq!(streams.len(), 2);
}

#[test]
fn a_stream_of_limited_time_ends_with_its_last_sample() {
    let settings = Settings { lasts_s: Some(0.75), ..Settings::default() };
    let mut world = World::new(settings, hand(), usize::MAX);
    world.stream_ms(2_000);
    assert!(world.sensor.is_over());
    let streams = world.finish();
    world.agrees(&streams);
    assert_eq!((streams[0].produced_samples, streams[0].delivered_samples), (750, 750));
}

#[test]
fn an_unplugged_board_measures_on_and_the_loss_is_exact() {
    let faults = Faults {
        unplug_after_s: Some(1.0),
        return_after_s: Some(0.5),
        every_s: Some(2.0),
        ..Faults::default()
    };
    let mut world = world(faults);
    world.stream_ms(6_000);
    let streams = world.finish();
    world.agrees(&streams);
    assert_eq!(streams.len(), 1, "the board was never off");
    assert!(streams[0].unplugged_samples.abs_diff(1_500) < 80, "{streams:?}");
    assert_eq!(streams[0].known_samples, streams[0].produced_samples);
}

#[test]
fn a_board_that_lives_on_the_cable_boots_when_it_comes_back() {
    let faults = Faults {
        unplug_after_s: Some(1.0),
        return_after_s: Some(0.5),
        unplug_resets: true,
        ..Faults::default()
    };
    let mut world = world(faults);
    world.stream_ms(3_000);
    let streams = world.finish();
    world.agrees(&streams);
    assert_eq!(streams.len(), 2);
    assert_ne!(streams[0].boot_id, streams[1].boot_id);
}

#[test]
fn a_cable_that_never_comes_back_leaves_all_accounted_for() {
    let mut world = world(Faults { unplug_after_s: Some(0.5), ..Faults::default() });
    world.stream_ms(2_000);
    assert_eq!(world.sensor.plug(), Plug::Out { back_ns: None });
    world.sensor.end(0);
    let streams = world.sensor.tally().streams.clone();
    world.agrees(&streams);
    assert!(streams[0].unplugged_samples > 1_400, "{streams:?}");
}

#[test]
fn exact_rows_come_as_they_are_and_then_no_more() {
    let rows: Vec<f64> = (0..777).map(|i| f64::from(i) * 0.013 - 3.0).collect();
    let time_s = (0..777).map(|i| f64::from(i) / 1000.0).collect();
    let trace = Trace { time_s, force_n: rows.clone() };
    let mut world = World::new(Settings::default(), Source::Rows(trace), usize::MAX);
    world.stream_ms(2_000);
    assert!(world.sensor.is_over());
    let streams = world.finish();
    world.agrees(&streams);
    assert_eq!(
        (streams[0].produced_samples, streams[0].delivered_samples),
        (777, 777),
        "the last frame is not kept back"
    );
    for ((_, _, number), counts) in &world.host.samples {
        let force_n = f64::from(counts[0]) * 0.000_025;
        assert!((force_n - rows[*number as usize]).abs() <= 0.000_012_500_1, "row {number}");
    }
}

#[test]
fn a_trace_that_the_host_stops_early_is_over_when_its_time_has_passed() {
    let trace = Trace { time_s: (0..800).map(f64::from).collect(), force_n: vec![1.0; 800] };
    let mut world = World::new(Settings::default(), Source::Rows(trace), usize::MAX);
    world.stream_ms(500);
    world.say(HostMessage::Stop);
    world.wait_ms(100);
    assert!(world.sensor.is_stopped() && !world.sensor.is_over());
    world.wait_ms(300);
    assert!(world.sensor.is_over());
}

#[test]
fn a_new_start_after_a_stop_begins_the_script_anew() {
    let mut world = world(Faults::default());
    world.stream_ms(1_500);
    world.say(HostMessage::Stop);
    world.wait_ms(100);
    assert!(world.sensor.is_stopped());
    world.stream_ms(700);
    assert!((0.6..0.8).contains(&world.sensor.script_s()), "{}", world.sensor.script_s());
    let streams = world.finish();
    world.agrees(&streams);
    assert_eq!(streams.len(), 2);
}

#[test]
fn a_stop_and_a_start_in_one_breath_are_two_streams() {
    let mut world = world(Faults::default());
    world.stream_ms(1_000);
    let both = [message(HostMessage::Stop), message(HostMessage::Start)].concat();
    world.sensor.hear(&both, world.now_ns);
    world.wait_ms(500);
    let streams = world.finish();
    assert_eq!(streams.len(), 2);
    for stream in &streams {
        assert!(stream.is_balanced() && stream.delivered_samples == stream.produced_samples, "{stream:?}");
        assert_eq!(stream.known_samples, stream.produced_samples);
    }
    world.agrees(&streams);
}

#[test]
fn silence_noise_and_another_version_are_what_they_say() {
    let mut silent = world(Faults { silent: true, ..Faults::default() });
    silent.stream_ms(1_000);
    assert!(silent.host.identities.is_empty() && silent.host.samples.is_empty());
    assert!(silent.sensor.tally().heard.start > 0, "it hears, but says nothing");
    assert!(silent.sensor.next_ns() > silent.now_ns, "and does not keep anybody awake");

    let mut noisy = world(Faults { noise_only: true, ..Faults::default() });
    noisy.stream_ms(1_000);
    assert!(noisy.host.identities.is_empty());
    assert!(noisy.host.accumulator.counts().total() > 0, "bytes came that are no frames");

    let mut other = world(Faults { version: Some(9), ..Faults::default() });
    let mut bytes = Vec::new();
    for _ in 0..200 {
        other.now_ns += MS;
        other.sensor.advance(other.now_ns);
        bytes.extend(other.sensor.output());
        other.sensor.take(other.sensor.output().len());
    }
    let (mut accumulator, mut rest) = (Accumulator::new(), bytes.as_slice());
    let body = accumulator.push(&mut rest).unwrap().unwrap();
    assert_eq!(DeviceMessage::decode(body), Err(firmware_protocol::message::MessageFault::OtherVersion(9)));
}

#[test]
fn settings_that_no_sensor_can_have_are_refused() {
    let refused = |settings, source| Sensor::new(settings, source, 0).unwrap_err().to_string();
    let good = Settings::default();
    assert!(refused(Settings { serial: "µ".into(), ..good.clone() }, hand()).contains("serial number `µ`"));
    assert!(refused(Settings { interval_ns: 10, ..good.clone() }, hand()).contains("interval in ns is 10"));
    let channels = converter::Settings { channels: 9, ..converter::Settings::default() };
    assert!(refused(Settings { converter: channels, ..good.clone() }, hand()).contains("channels is 9"));
    let trace = Trace { time_s: vec![0.0, 1.0], force_n: vec![0.0, 900.0] };
    assert!(
        refused(good, Source::Rows(trace))
            .contains("row 2 of the trace is 900 N, the converter's range is ±209.7 N")
    );
}

#[test]
fn a_seed_gives_the_same_bytes_however_time_is_cut() {
    let run = |step_ns: u64| {
        let faults = Faults { drop: 0.1, flip: 0.1, duplicate: 0.1, ..Faults::default() };
        let mut sensor = Sensor::new(Settings { faults, ..Settings::default() }, hand(), 0).unwrap();
        let mut bytes: Vec<u8> = Vec::new();
        let mut now_ns = 0;
        sensor.hear(&message(HostMessage::Start), 200 * MS);
        while now_ns < 2_000 * MS {
            now_ns = (now_ns + step_ns).min(2_000 * MS);
            sensor.advance(now_ns.max(200 * MS));
            while !sensor.output().is_empty() {
                bytes.extend(sensor.output());
                sensor.take(sensor.output().len());
            }
        }
        bytes
    };
    let fine = run(MS);
    assert!(fine.len() > 5_000);
    // Steps that end on the same moments as the frames: the time of a frame's closing is the same.
    assert_eq!(fine, run(2 * MS));
    assert_eq!(fine, run(5 * MS));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    /// Under any mixture of faults, with any reader: produced is delivered plus lost, the host has exactly the delivered
    /// samples, bit by bit, and after a stop it knows of every sample.
    #[test]
    fn every_sample_is_accounted_for(
        seed in any::<u64>(),
        rates in prop::array::uniform3(0.0_f64..0.4),
        unplug_s in prop::option::of(0.0_f64..1.5),
        return_s in 0.0_f64..0.7,
        reset_s in prop::option::of(0.0_f64..1.5),
        plugged_s in prop::option::of(0.3_f64..1.0),
        unplug_resets in any::<bool>(),
        reset_abruptly in any::<bool>(),
        clock_drift_ppm in -500.0_f64..500.0,
        interval_ns in prop::sample::select(vec![100_000_u32, 333_333, 1_000_000, 12_500_000, 50_000_000]),
        channels in 1_u8..=8,
        port_takes in prop::sample::select(vec![2_usize, 7, 60, 500, usize::MAX]),
        settles_ms in prop::sample::select(vec![1_u64, 40, 300]),
        run_ms in 50_u64..2_500,
    ) {
        let faults = Faults {
            drop: rates[0], flip: rates[1], duplicate: rates[2],
            unplug_after_s: unplug_s, return_after_s: Some(return_s), reset_after_s: reset_s,
            every_s: plugged_s.map(|plugged_s| return_s + plugged_s),
            unplug_resets, reset_abruptly, clock_drift_ppm, ..Faults::default()
        };
        let converter = converter::Settings { channels, ..converter::Settings::default() };
        let settings = Settings { seed, faults, interval_ns, converter, ..Settings::default() };
        let mut world = World::new(settings, hand(), port_takes);
        world.settles_ms = settles_ms;
        world.stream_ms(run_ms);
        world.port_takes = usize::MAX;
        let streams = world.finish();
        world.agrees(&streams);
        if let Some(last) = streams.last().filter(|_| world.asked) {
            prop_assert_eq!(last.known_samples, last.produced_samples);
            prop_assert_eq!(last.left_samples, 0);
        }
        // Only repeated resets can keep a host from ever hearing the end.
        prop_assert!(world.asked || reset_s.is_some() || unplug_resets);
    }
}
