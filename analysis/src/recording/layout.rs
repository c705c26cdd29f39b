//! Layout 1 of the recording file, in one place: the daemon writes by it, everything reads by it.
//!
//! ```text
//! /                       attributes: layout, layout_version, Conventions, content_sha256 and the fields of [`Root`]
//! /participant            attributes: codes and classes, all optional
//! /plan/toml              the plan as it was run
//! /sensors/<k>            k from 1; attributes: the fields of [`Sensor`]
//! /sensors/<k>/samples/   counts i32 [n, channels] as sent · force_n f32 [n, channels] · device_time_s f64 [n] since
//!                         the segment's start · time_s f64 [n] since started_utc, strictly increasing · channel
//! /sensors/<k>/channels/ frames/ segments/ gaps/ tares/   tables
//! /trials/ observations/ events/                          tables
//! ```
//!
//! A table is a group of 1-D columns with a row-number scale `row`. Unknown is NaN (f64), −1 (i64), 0 (u8), "" (text); so
//! are the values of a column that was added `later` in a recording that was made before.
//! Every dataset has `units` ("1" for a number without one, "" for text) and `long_name`.

/// `layout` attribute of the root.
pub const LAYOUT: &str = "finger-force recording";
/// `layout_version` attribute of the root.
pub const LAYOUT_VERSION: i64 = 1;
/// Samples (or rows) in a chunk.
pub const CHUNK_SAMPLES: usize = 16384;
/// `kind` of the event that a sensor's segment began.
pub const SEGMENT_BEGAN: &str = "segment began";
/// `kind` of the event that the port was closed: the segment is over.
pub const PORT_CLOSED: &str = "port closed";
/// `kind` of the event that the port was opened; its detail is JSON.
pub const PORT_OPENED: &str = "port opened";
/// In that detail where the recording has several ports: the number of the sensor that this one is for, from 1. The events
/// of such a recording's ports are placed at their own sensors, those of a single port at sensor 1.
pub const FOR_SENSOR: &str = "for_sensor";
/// `kind` of the event that a calibration is in force; its detail is the whole record (`sensor::certificate`, JSON).
pub const CALIBRATION: &str = "calibration in force";
/// Value of a grade that takes the muscle's one before it back.
pub const TAKEN_BACK: &str = "taken back";
/// `kind` of the event that the recording was ended; its detail says why. Without it the program was cut off.
pub const FINISHED: &str = "finished";
/// That reason where the plan was done to its end.
pub const PLAN_FINISHED: &str = "plan finished";
/// Detail of a port that was closed because the program was cut off: what follows was recorded after it went on.
pub const INTERRUPTED: &str = "interrupted";
/// `kind` of the event that holds the host's clocks against each other; its detail is JSON with `utc_ns`.
pub const CLOCKS: &str = "clocks";
/// `kind` of the event that says what else is known of a sensor (`sensor::properties`, JSON).
pub const PROPERTIES: &str = "sensor's properties";
/// Channels a sensor may have.
pub const CHANNELS_MAX: usize = 256;

/// What the root, `/participant` and `/plan` say about the visit.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Root {
    /// UUID of the visit.
    pub visit_id: String,
    /// Which recording of the visit this is, from 1.
    pub revision: i64,
    /// The recording that this one supersedes, or "": its `content_sha256`; its file name where it was damaged or older
    /// than its journal.
    pub supersedes: String,
    /// Participant's code.
    pub participant: String,
    /// Examiner's code.
    pub examiner: String,
    /// When the visit started (RFC 3339, UTC): zero of `time_s`.
    pub started_utc: String,
    /// Local time's offset from UTC where the visit took place, as `+02:00`.
    pub utc_offset: String,
    /// Name and version of the program that wrote the recording.
    pub software: String,
    /// SHA-256 of the journal the recording was made from, or "".
    pub journal_sha256: String,
    /// Attributes of `/participant`: names and values.
    pub participant_fields: Vec<(String, String)>,
    /// The plan as it was run (TOML), or "".
    pub plan: String,
}

/// What `/sensors/<k>` says about a sensor.
#[derive(Debug, Clone, PartialEq)]
pub struct Sensor {
    /// Serial number.
    pub serial: String,
    /// Firmware's name and version.
    pub firmware: String,
    /// Nominal sample interval, ns.
    pub interval_ns: i64,
    /// Delay of the sensor's filter, taken off the device time, s.
    pub group_delay_s: f64,
    /// Bandwidth, Hz; NaN where unknown.
    pub bandwidth_hz: f64,
    /// Settling time, s; NaN where unknown.
    pub settling_s: f64,
    /// Its channels, in order.
    pub channels: Vec<Channel>,
    /// Number of samples: the length of the datasets in `samples`.
    pub samples: u64,
}

/// A column's values.
#[derive(Debug, Clone, PartialEq)]
pub enum Values {
    /// Measures and times; unknown is NaN.
    F64(Vec<f64>),
    /// Indexes and counts; unknown is −1.
    I64(Vec<i64>),
    /// Flags.
    U8(Vec<u8>),
    /// Words; unknown is "".
    Text(Vec<String>),
}

/// A type that can stand in a column.
pub trait Cell: Sized + Clone {
    /// Gathers cells into a column's values.
    fn gather(cells: Vec<Self>) -> Values;
    /// The column's cells, if its values are of this type.
    fn spread(values: &Values) -> Option<Vec<Self>>;
    /// What stands for a value that nobody knows.
    fn unknown() -> Self;
}

macro_rules! cell {
    ($($type:ty => $variant:ident, $unknown:expr);+) => {$(
        impl Cell for $type {
            fn gather(cells: Vec<Self>) -> Values {
                Values::$variant(cells)
            }
            fn spread(values: &Values) -> Option<Vec<Self>> {
                match values { Values::$variant(cells) => Some(cells.clone()), _ => None }
            }
            fn unknown() -> Self {
                $unknown
            }
        }
    )+};
}
cell!(f64 => F64, f64::NAN; i64 => I64, -1; u8 => U8, 0; String => Text, String::new());

/// A column of a table: name, unit ("" for none), long name, values.
#[derive(Debug, Clone, PartialEq)]
pub struct Column {
    /// Dataset name.
    pub name: &'static str,
    /// `units` attribute.
    pub units: &'static str,
    /// `long_name` attribute.
    pub long_name: &'static str,
    /// The values, one a row.
    pub values: Values,
}

impl Column {
    /// How many rows it has.
    pub(crate) fn len(&self) -> usize {
        match &self.values {
            Values::F64(values) => values.len(),
            Values::I64(values) => values.len(),
            Values::U8(values) => values.len(),
            Values::Text(values) => values.len(),
        }
    }
}

/// A row type whose rows make a table.
pub trait Row: Sized {
    /// The table's columns, in order.
    fn columns(rows: &[Self]) -> Vec<Column>;
    /// Rebuilds the rows; `get` gives a column's values by its name, and is told whether it may be missing because it was
    /// added later (`None`: missing). The error names the column.
    fn rows(get: impl FnMut(&'static str, bool) -> Option<Values>) -> Result<Vec<Self>, &'static str>;
}

macro_rules! table {
    ($(#[$doc:meta])* $name:ident { $($field:ident: $type:ty, $units:literal, $long:literal $(, $later:ident)?;)+ }) => {
        $(#[$doc])*
        #[derive(Debug, Clone, PartialEq)]
        pub struct $name { $(#[doc = $long] pub $field: $type),+ }

        impl Row for $name {
            fn columns(rows: &[Self]) -> Vec<Column> {
                vec![$(Column {
                    name: stringify!($field),
                    units: $units,
                    long_name: $long,
                    values: <$type as Cell>::gather(rows.iter().map(|row| row.$field.clone()).collect()),
                }),+]
            }

            fn rows(mut get: impl FnMut(&'static str, bool) -> Option<Values>) -> Result<Vec<Self>, &'static str> {
                $(let later = !stringify!($($later)?).is_empty();
                let $field = match get(stringify!($field), later) {
                    None if later => None,
                    values => Some(values.and_then(|it| <$type as Cell>::spread(&it)).ok_or(stringify!($field))?),
                };)+
                let length = [$($field.as_ref().map(Vec::len)),+].into_iter().flatten().next().unwrap_or(0);
                $(let $field = $field.unwrap_or_else(|| vec![<$type as Cell>::unknown(); length]);)+
                let lengths = [$((stringify!($field), $field.len())),+];
                if let Some((name, _)) = lengths.iter().find(|(_, length)| *length != lengths[0].1) {
                    return Err(name);
                }
                $(let mut $field = $field.into_iter();)+
                let mut rows = Vec::with_capacity(lengths[0].1);
                while let ($(Some($field),)+) = ($($field.next(),)+) {
                    rows.push($name { $($field),+ });
                }
                Ok(rows)
            }
        }
    };
}

table! {
    /// `/sensors/<k>/channels`: how counts become force.
    Channel {
        zero_counts: f64, "", "counts without load";
        rated_counts: f64, "", "counts at the rated force above those without load";
        rated_force_n: f64, "N", "rated force";
        direction: String, "", "which way is positive";
        calibration: String, "", "where the factors come from; nominal: as the sensor declares them";
    }
}
table! {
    /// `/sensors/<k>/frames`: what came when.
    FrameRow {
        segment: i64, "", "segment number, from 0";
        sequence: i64, "", "frame sequence number as sent";
        counter: i64, "", "device's sample counter of the frame's first sample";
        first_sample: i64, "", "position in samples of the frame's first sample";
        samples: i64, "", "number of samples in the frame";
        device_time_us: i64, "us", "device time of the frame's first sample";
        arrival_ns: i64, "ns", "arrival of the frame's last byte on the host's monotonic clock";
        status: u8, "", "status flags as sent (1 saturated, 2 overrun)";
    }
}
table! {
    /// `/sensors/<k>/segments`: device epochs with their clock map and its bound.
    SegmentRow {
        first_sample: i64, "", "position in samples of the segment's first sample";
        samples: i64, "", "number of samples recorded";
        first_counter: i64, "", "device's sample counter at the segment's start";
        device_start_us: i64, "us", "device time at the segment's start";
        boot_id: i64, "", "device's boot id";
        interval_ns: i64, "ns", "declared sample interval, the one used";
        interval_measured_ns: f64, "ns", "sample interval measured by the device's clock, stored and not applied";
        reason: String, "", "why the segment began";
        start_s: f64, "s", "civil placement of device time 0 of the segment, since started_utc";
        rate: f64, "", "host seconds per device second";
        bound_s: f64, "s", "bound of the civil placement";
        utc_ns: i64, "ns", "civil time when the segment began, since 1970-01-01T00:00:00Z";
        monotonic_ns: i64, "ns", "host's monotonic clock when the segment began";
        boottime_ns: i64, "ns", "host's boottime clock when the segment began";
        host_boot_id: String, "", "host's boot id";
    }
}
table! {
    /// `/sensors/<k>/gaps`: what is missing and why.
    GapRow {
        segment: i64, "", "segment number, from 0";
        after_sample: i64, "", "position in samples of the last sample before the gap, -1 at the start";
        missing: i64, "", "number of samples missing, -1 where it cannot be known";
        start_s: f64, "s", "device time since the segment's start of the first missing sample";
        reason: String, "", "why: lost frame, device overrun, host overflow, unplugged, device reset";
    }
}
table! {
    /// `/sensors/<k>/tares`: each zero with its orientation.
    TareRow {
        channel: i64, "", "channel, from 1";
        first_sample: i64, "", "position in samples of the first sample averaged";
        samples: i64, "", "number of samples averaged";
        from_sample: i64, "", "position in samples from which this zero is in force";
        zero_counts: f64, "", "mean of the samples averaged, counts";
        sd_n: f64, "N", "standard deviation of the samples averaged";
        slope_n_per_s: f64, "N/s", "slope of the samples averaged";
        orientation: String, "", "sensor's orientation as entered";
    }
}
table! {
    /// `/trials`: one row a hold, attempt or free hold. Times are s since the segment's start, forces N.
    TrialRow {
        item: i64, "", "item of the plan, from 1; -1 unassigned";
        muscle: String, "", "muscle key: side, digit, direction";
        side: String, "", "side of the body";
        test: String, "", "kind of test";
        outcome: String, "", "how the trial ended";
        number: i64, "", "trial number within the item, from 1; -1 unassigned";
        order: i64, "", "order in the visit, from 1";
        attempt: i64, "", "attempt within the item, failed ones included, from 1; -1 unassigned";
        sensor: i64, "", "sensor, from 1";
        channel: i64, "", "channel, from 1";
        segment: i64, "", "segment number, from 0; -1 where no hold was found";
        kind: String, "", "hold, touch, or empty where no hold was found";
        first_sample: i64, "", "position in samples of the hold's first sample";
        last_sample: i64, "", "position in samples of the hold's last sample, included";
        onset_s: f64, "s", "model-fitted start of the pull";
        onset_sd_s: f64, "s", "spread of the onset over the rise shapes fitted";
        rise5_s: f64, "s", "crossing of 5 % of the peak on the way up";
        break_s: f64, "s", "moment of the yield";
        release_s: f64, "s", "start of the final fall";
        end_s: f64, "s", "crossing of 10 % of the peak on the way down";
        contact_s: f64, "s", "start of the steady contact before the pull";
        contact_n: f64, "N", "its level above zero";
        rest_n: f64, "N", "level the pull started from";
        peak_n: f64, "N", "peak above the level the pull started from";
        peak_zero_n: f64, "N", "peak above zero";
        peak_s: f64, "s", "time of the peak";
        mean_n: f64, "N", "best 1-s mean above the level the pull started from";
        break_n: f64, "N", "force at the break above the level the pull started from";
        loading_rate_n_per_s: f64, "N/s", "rate of rise over the last 0.5 s before the break or peak";
        pace_n_per_s: f64, "N/s", "mean slope of the rise from 5 to 90 % of the peak", later;
        drop_percent: f64, "%", "share of the force lost at the break";
        impulse_n_s: f64, "N s", "integral of force from onset to end";
        time_to_peak_s: f64, "s", "peak time minus onset";
        time_to_90_percent_s: f64, "s", "first time at 90 % of the peak minus onset";
        rfd_50_n_per_s: f64, "N/s", "rate of force development over 50 ms from onset";
        rfd_100_n_per_s: f64, "N/s", "rate of force development over 100 ms from onset";
        rfd_200_n_per_s: f64, "N/s", "rate of force development over 200 ms from onset";
        steadiness_percent: f64, "%", "coefficient of variation of the detrended plateau";
        arrangement: String, "", "single or pair";
        reaction: String, "", "examiner, neighbour or frame";
        coupling: String, "", "pad or loop";
        gap_mm: f64, "mm", "thickness of the sensor between the digits";
        lever_mm: f64, "mm", "distance of the contact from the joint's axis";
        moment_n_cm: f64, "N cm", "peak above zero times lever";
        palm: String, "", "palm's direction";
        position: String, "", "neutral, lengthened or shortened";
        feedback: String, "", "what the participant saw";
        cap_n: f64, "N", "force at which the pull was to stop", later;
        rest_before_s: f64, "s", "rest of this muscle before the trial";
        pain: f64, "", "pain 0 to 10 as entered";
        tare: i64, "", "row of the sensor's tares in force, from 0; -1 none";
        expanded_uncertainty_n: f64, "N", "instrument's expanded uncertainty of the peak";
        mean_expanded_uncertainty_n: f64, "N", "instrument's expanded uncertainty of the mean", later;
        moment_expanded_uncertainty_n_cm: f64, "N cm", "instrument's expanded uncertainty of the moment", later;
        uncertainty_budget: String, "", "instrument's uncertainty of the peak: its terms, and what is not included (JSON)", later;
        flags: String, "", "what is unusual, comma-separated";
        valid: u8, "", "1 where the trial counts";
        why_not: String, "", "why it does not count";
    }
}
table! {
    /// `/observations`: what the examiner entered.
    ObservationRow {
        item: i64, "", "item of the plan, from 1";
        kind: String, "", "active motion, length, trick movement, pain, grade, text";
        value: String, "", "as entered";
        scale: String, "", "scale of the value";
        entered_utc: String, "", "when (RFC 3339)";
        by: String, "", "by whom (code)";
    }
}
table! {
    /// `/events`: everything that happened, in order.
    EventRow {
        monotonic_ns: i64, "ns", "host's monotonic clock";
        sensor: i64, "", "sensor, from 1; -1 none";
        sample: i64, "", "position in samples before which it took effect; -1 none";
        kind: String, "", "what happened";
        detail: String, "", "details (JSON)";
    }
}
