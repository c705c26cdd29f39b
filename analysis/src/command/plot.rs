//! `fingerforce plot`: figures of a recording: each trial, repeated trials, sides, the whole; of several those of `compare`
//! (one participant) or `reliability` (a study). The data folder is told where they go.

use super::compare::{self, BasisArgs, OwnArgs};
use super::reliability;
use crate::console::{self, advised};
use crate::documents;
use crate::export::register::{self, To};
use crate::measures::repeats::{self, Item};
use crate::plot::decimate::Reducer;
use crate::plot::files::{self, Format};
use crate::plot::overview::{self, OverviewFigure, Shaded};
use crate::plot::repeats::{Column, Overlaid, OverlayFigure, PointsFigure};
use crate::plot::together::{Together, TogetherFigure};
use crate::plot::trial::TrialFigure;
use crate::plot::{Figure, names};
use crate::prose::counted;
use crate::recording::layout::{Sensor, TrialRow};
use crate::recording::plan;
use crate::recording::read::{ReadError, Recording};
use crate::study::procedure::{OfVisit, Procedure};
use crate::study::series::By;
use crate::study::visit::Visit;
use crate::trial::{Muscle, Side, Test};
use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

/// Shown before a hold's onset and after its end, s.
const AROUND_S: f64 = 1.0;

/// Plots: traces per trial, repeated trials, sides, the whole recording; of several recordings visits and agreement
///
/// Of one participant's visits a figure an item: its results over the visits. Of several participants' visits two figures an
/// item: everybody's results over the visits, and Bland–Altman. Example: fingerforce plot recording-1.h5 --out plots
#[derive(Debug, Default, clap::Args)]
pub struct Args {
    /// A recording; or several, of one participant (the earliest visit first) or of a study
    #[arg(required = true)]
    pub files: Vec<PathBuf>,
    /// Folder for the figures [default: plots, beside the first recording]
    #[arg(long)]
    pub out: Option<PathBuf>,
    /// Kind of files
    #[arg(long, value_enum, default_value_t)]
    pub format: Format,
    /// Of several participants: what to compare, a participant's visits or the examiners
    #[arg(long, value_enum, default_value_t)]
    pub by: By,
    /// Print the files that were written as JSON
    #[arg(long)]
    pub json: bool,
    /// The site's own repeats: the procedure's error beside each result, and the change that can be shown.
    #[command(flatten)]
    pub own: OwnArgs,
}

/// Runs the command.
pub fn run(args: &Args) -> anyhow::Result<()> {
    let Some(first) = args.files.first() else { return Ok(()) };
    let out = args.out.clone().unwrap_or_else(|| first.with_file_name("plots"));
    let written =
        if args.files.len() == 1 { of_recording(first, &out, args)? } else { of_visits(&out, args)? };
    let text = if args.json {
        documents::files(&written)?
    } else {
        format!("{} in {}\n", counted(written.len(), "figure"), out.display())
    };
    console::result(&text)?;
    Ok(())
}

/// One participant's visits over time; of several participants how they agree.
fn of_visits(out: &Path, args: &Args) -> anyhow::Result<Vec<PathBuf>> {
    let visits: Result<Vec<Visit>, _> = args.files.iter().map(|file| Visit::read(file)).collect();
    let visits = visits.map_err(advised)?;
    visits.iter().filter_map(|visit| visit.replaced.as_deref()).for_each(console::note);
    let codes: BTreeSet<String> = visits.iter().map(|visit| visit.participant.clone()).collect();
    let to = (out, args.format);
    let tell = |to: &To| register::tell(&args.files, codes.iter().map(String::as_str), to, false);
    if codes.len() == 1 {
        let basis = BasisArgs { own: args.own.clone(), ..BasisArgs::default() };
        let comparison = compare::compared(&visits, &basis.rules()?)?;
        return compare::draw(&visits, &comparison, to, tell);
    }
    reliability::draw(&reliability::of_visits(visits, (args.by, &[]), reliability::WIDTH)?, to, tell)
}

fn of_recording(file: &PathBuf, out: &Path, args: &Args) -> anyhow::Result<Vec<PathBuf>> {
    let recording = Recording::open(file).map_err(advised)?;
    let rows = recording.trials().map_err(advised)?;
    let repeats = args.own.repeats()?;
    let visit = Visit::of(&recording, file).map_err(advised)?;
    visit.replaced.as_deref().into_iter().for_each(console::note);
    let procedure = OfVisit::of(&visit, repeats.as_ref());
    // Only now, so that a file that cannot be read leaves no empty folder.
    files::make_folder(out)?;
    let items = repeats::items(&rows);
    let names = names_of_all(&recording, &rows, &items);
    let files = args.format.files(names.iter().cloned());
    let participant = [recording.root().participant.as_str()];
    register::tell(std::slice::from_ref(file), participant, &To::Folder(out, files), false)?;
    let bar = indicatif::ProgressBar::new(rows.len() as u64 + items.len() as u64 + 3);
    let mut drawing = Drawing {
        recording: &recording,
        out,
        names,
        format: args.format,
        procedure,
        written: Vec::new(),
        bar,
    };
    drawing.overviews(&rows)?;
    drawing.together()?;
    for row in rows.iter().filter(|row| row.kind == repeats::HOLD) {
        drawing.trial(row, &items)?;
    }
    for item in &items {
        drawing.overlay(item, &rows)?;
    }
    drawing.points(&items)?;
    drawing.bar.finish_and_clear();
    Ok(drawing.written)
}

/// The figure of every channel of every sensor.
const TOGETHER: &str = "overview-together";

fn overview_file(sensor: usize, channel: usize) -> String {
    format!("overview-sensor-{sensor}-channel-{channel}")
}

/// The names of all figures that may be drawn, without their ends: they are told before the first one is.
fn names_of_all(recording: &Recording, rows: &[TrialRow], items: &[Item]) -> BTreeSet<String> {
    let channels = (1..).zip(recording.sensors()).flat_map(|(sensor, about)| {
        (1..=about.channels.len()).map(move |channel| overview_file(sensor, channel))
    });
    let trials = rows.iter().filter(|row| row.kind == repeats::HOLD).map(names::trial_file);
    let of_items =
        items.iter().filter_map(|item| rows.iter().find(|row| row.item == item.item)).map(names::item_file);
    let muscles = items.iter().filter_map(|item| item.muscle.parse().ok()).map(names::muscle_file);
    channels.chain([TOGETHER.to_owned()]).chain(trials).chain(of_items).chain(muscles).collect()
}

struct Drawing<'a> {
    recording: &'a Recording,
    out: &'a Path,
    /// What was told: nothing else is drawn.
    names: BTreeSet<String>,
    format: Format,
    procedure: OfVisit,
    written: Vec<PathBuf>,
    bar: indicatif::ProgressBar,
}

/// Samples of one channel: device time (s) and force (N).
struct Slice {
    time_s: Vec<f64>,
    force_n: Vec<f64>,
}

impl Drawing<'_> {
    fn write(&mut self, figure: &impl Figure, name: &str) -> anyhow::Result<()> {
        anyhow::ensure!(self.names.contains(name), "the figure {name} was not told to the data folder");
        self.written.extend(files::write(figure, self.out, name, self.format)?);
        self.bar.inc(1);
        Ok(())
    }

    fn trial(&mut self, row: &TrialRow, items: &[Item]) -> anyhow::Result<()> {
        let slice = around(self.recording, row).map_err(advised)?;
        let numbers = items.iter().filter(|item| item.item == row.item).flat_map(|item| &item.trials);
        let of = numbers.map(|trial| trial.number).max().unwrap_or(row.number);
        let figure = TrialFigure {
            title: names::trial_title(row, of),
            source: source(self.recording),
            time_s: &slice.time_s,
            force_n: &slice.force_n,
            row,
            procedure_sem_n: self.procedure.get(row.item).and_then(|of| of.trial_sem_n),
        };
        self.write(&figure, &names::trial_file(row))
    }

    fn overlay(&mut self, item: &Item, rows: &[TrialRow]) -> anyhow::Result<()> {
        let Some(row) = rows.iter().find(|row| row.item == item.item) else { return Ok(()) };
        let figure = overlay_figure(self.recording, item, rows, &self.procedure).map_err(advised)?;
        self.write(&figure, &names::item_file(row))
    }

    /// A figure a muscle: its sides and tests side by side.
    fn points(&mut self, items: &[Item]) -> anyhow::Result<()> {
        for (muscle, figure) in points_figures(items, &source(self.recording), &self.procedure) {
            self.write(&figure, &names::muscle_file(muscle))?;
        }
        Ok(())
    }

    /// A figure a channel: the whole recording.
    fn overviews(&mut self, rows: &[TrialRow]) -> anyhow::Result<()> {
        for sensor in 1..=self.recording.sensors().len() {
            let Some(about) = self.recording.sensors().get(sensor - 1) else { continue };
            let (serial, channels, samples) = (about.serial.clone(), about.channels.len(), about.samples);
            if samples == 0 {
                continue;
            }
            for channel in 1..=channels {
                let figure = self.overview(sensor, channel, samples, rows, &serial).map_err(advised)?;
                self.write(&figure, &overview_file(sensor, channel))?;
            }
        }
        Ok(())
    }

    /// Every channel of every sensor in one figure, where there is more than one.
    fn together(&mut self) -> anyhow::Result<()> {
        let recording = self.recording;
        let of = (1..).zip(recording.sensors()).filter(|(_, of)| of.samples > 0);
        let of: Vec<(usize, &Sensor)> = of.collect();
        if of.iter().map(|(_, of)| of.channels.len()).sum::<usize>() < 2 {
            return Ok(());
        }
        let figure = together_figure(recording, &of).map_err(advised)?;
        self.write(&figure, TOGETHER)
    }

    fn overview(
        &self,
        sensor: usize,
        channel: usize,
        samples: u64,
        rows: &[TrialRow],
        serial: &str,
    ) -> Result<OverviewFigure, ReadError> {
        let at = |position: u64| -> Result<Option<f64>, ReadError> {
            Ok(self.recording.samples(sensor, position..position + 1)?.time_s.first().copied())
        };
        let (from_s, to_s) = spanned_s(self.recording, sensor, samples)?;
        let interval_s =
            self.recording.sensors().get(sensor - 1).map_or(0.0, |about| about.interval_ns as f64 * 1e-9);
        let mut reducer = Reducer::new(from_s, to_s, overview::columns(), interval_s);
        for block in self.recording.blocks(sensor)? {
            let block = block?;
            for (time_s, force_n) in block.time_s.iter().zip(block.channel_force_n(channel)) {
                reducer.push(*time_s, force_n);
            }
        }
        let mut holds = Vec::new();
        let plan = plan::read(&self.recording.root().plan);
        let planned = !plan.items.is_empty() || rows.iter().any(|row| row.item > 0);
        let ours = |row: &&TrialRow| row.sensor == sensor as i64 && row.channel == channel as i64;
        for row in rows.iter().filter(ours).filter(|row| row.kind == repeats::HOLD) {
            let (first, last) =
                (row.first_sample.max(0).unsigned_abs(), row.last_sample.max(0).unsigned_abs());
            holds.push(Shaded {
                label: row.order.to_string(),
                from_s: at(first)?.unwrap_or(from_s),
                to_s: at(last)?.unwrap_or(to_s),
                counts: counts(row, planned),
            });
        }
        Ok(OverviewFigure {
            title: format!("The whole recording, channel {channel}"),
            subtitle: format!(
                "sensor {serial}, {samples} samples in {:.1} s, {}{}",
                to_s - from_s,
                counted(holds.len(), "hold"),
                self.before_the_zero(sensor, channel)?
            ),
            source: source(self.recording),
            trace: reducer.finish(),
            range_s: (from_s, to_s),
            holds,
        })
    }

    /// What the force is before a channel's first zero, which it is above from then on; "" where there is no such time.
    fn before_the_zero(&self, sensor: usize, channel: usize) -> Result<String, ReadError> {
        let tares = self.recording.tares(sensor)?;
        let own = tares.iter().filter(|tare| usize::try_from(tare.channel) == Ok(channel));
        let Some(first) = own.map(|tare| tare.from_sample).min() else {
            return Ok("; force by the sensor's own zero: no other was taken".to_owned());
        };
        let first = first.max(0).unsigned_abs();
        let at_s = self.recording.samples(sensor, first..first + 1)?.time_s.first().copied();
        Ok(match at_s {
            Some(at_s) if first > 0 => {
                format!("; zero taken at {at_s:.1} s, force before it by the sensor's own zero")
            }
            _ => String::new(),
        })
    }
}

/// Whether a hold counts: in a recording of a plan as a trial of it, elsewhere as it is, for there are no trials.
fn counts(hold: &TrialRow, planned: bool) -> bool {
    if hold.item < 0 { !planned } else { hold.valid == 1 }
}

/// First and last time of a sensor's samples, s since the recording began.
fn spanned_s(recording: &Recording, sensor: usize, samples: u64) -> Result<(f64, f64), ReadError> {
    let at = |position: u64| -> Result<Option<f64>, ReadError> {
        Ok(recording.samples(sensor, position..position + 1)?.time_s.first().copied())
    };
    Ok((at(0)?.unwrap_or(0.0), at(samples.saturating_sub(1))?.unwrap_or(1.0)))
}

fn together_figure(recording: &Recording, of: &[(usize, &Sensor)]) -> Result<TogetherFigure, ReadError> {
    let spans = of.iter().map(|(number, of)| spanned_s(recording, *number, of.samples));
    let spans = spans.collect::<Result<Vec<_>, _>>()?;
    let from_s = spans.iter().map(|span| span.0).fold(f64::INFINITY, f64::min);
    let to_s = spans.iter().map(|span| span.1).fold(f64::NEG_INFINITY, f64::max);
    let (mut traces, mut placed) = (Vec::new(), Vec::new());
    for (number, about) in of {
        let reducer = || Reducer::new(from_s, to_s, overview::columns(), about.interval_ns as f64 * 1e-9);
        let mut reducers: Vec<Reducer> = about.channels.iter().map(|_| reducer()).collect();
        for block in recording.blocks(*number)? {
            let block = block?;
            for (channel, reducer) in (1..).zip(&mut reducers) {
                let forces = block.channel_force_n(channel);
                block.time_s.iter().zip(forces).for_each(|(time_s, force_n)| reducer.push(*time_s, force_n));
            }
        }
        traces.extend((1..).zip(reducers).map(|(channel, reducer)| Together {
            label: format!("sensor {number}, channel {channel} (n = {})", about.samples),
            trace: reducer.finish(),
        }));
        let bounds = recording.segments(*number)?.into_iter().map(|segment| segment.bound_s);
        let bound_ms = 1e3 * bounds.fold(0.0, f64::max);
        placed.push(format!("sensor {number}: {}, placed within ± {bound_ms:.1} ms", about.serial));
    }
    Ok(TogetherFigure {
        title: "All sensors and channels".to_owned(),
        subtitle: placed.join(" · "),
        source: source(recording),
        range_s: (from_s, to_s),
        traces,
    })
}

/// Whose figure it is, and when.
pub fn source(recording: &Recording) -> String {
    let root = recording.root();
    let participant = if root.participant.is_empty() { "not named" } else { &root.participant };
    let short = root.visit_id.chars().take(8).collect::<String>();
    let started = names::instant(&root.started_utc);
    format!("Visit {short}, participant {participant}, {started}, {}", root.software)
}

/// The samples of a row's hold with some before and after, within its segment.
fn around(recording: &Recording, row: &TrialRow) -> Result<Slice, ReadError> {
    let sensor = usize::try_from(row.sensor).unwrap_or(0);
    let segments = recording.segments(sensor)?;
    let Some(segment) = usize::try_from(row.segment).ok().and_then(|at| segments.get(at)) else {
        return Ok(Slice { time_s: Vec::new(), force_n: Vec::new() });
    };
    let around = (AROUND_S * 1e9 / segment.interval_ns.max(1) as f64) as i64;
    let end = segment.first_sample.saturating_add(segment.samples);
    let first = row.first_sample.saturating_sub(around).max(segment.first_sample).max(0);
    let last = row.last_sample.saturating_add(around).min(end).max(first);
    let samples = recording.samples(sensor, first.unsigned_abs()..last.unsigned_abs())?;
    let force_n = samples.channel_force_n(usize::try_from(row.channel).unwrap_or(0)).collect();
    Ok(Slice { time_s: samples.device_time_s, force_n })
}

/// The trials of an item, overlaid at their onsets.
pub fn overlay_figure(
    recording: &Recording,
    item: &Item,
    rows: &[TrialRow],
    procedure: &OfVisit,
) -> Result<OverlayFigure, ReadError> {
    let mut trials = Vec::new();
    for trial in item.trials.iter().filter(|trial| trial.kind == repeats::HOLD) {
        let Some(row) = rows.iter().find(|row| row.order == trial.order) else { continue };
        let slice = around(recording, row)?;
        let state = if trial.used { String::new() } else { format!(" ({})", trial.why_not_used) };
        trials.push(Overlaid {
            label: names::legend(row) + &state,
            time_s: slice.time_s.iter().map(|time_s| time_s - row.onset_s).collect(),
            force_n: slice.force_n,
            used: trial.used,
        });
    }
    let row = rows.iter().find(|row| row.item == item.item);
    Ok(OverlayFigure {
        title: row.map_or_else(String::new, |row| format!("{}, repeated trials", names::item_title(row))),
        subtitle: told(item, procedure),
        source: source(recording),
        trials,
    })
}

/// A figure a muscle: its sides and tests side by side.
pub fn points_figures(items: &[Item], source: &str, procedure: &OfVisit) -> Vec<(Muscle, PointsFigure)> {
    let key = |item: &Item| item.muscle.parse::<Muscle>().ok().map(|muscle| (muscle.digit, muscle.direction));
    let mut figures: Vec<(Muscle, PointsFigure)> = Vec::new();
    for item in items {
        let Ok(muscle) = item.muscle.parse::<Muscle>() else { continue };
        if figures.iter().any(|(done, _)| Some((done.digit, done.direction)) == key(item)) {
            continue;
        }
        let mut same: Vec<&Item> = items.iter().filter(|other| key(other) == key(item)).collect();
        same.sort_by_key(|item| (item.test.parse::<Test>().ok(), item.side.clone()));
        let columns = same.into_iter().map(|item| Column {
            name: format!("{}, {}", item.side, item.test),
            look: usize::from(item.side == Side::Right.word()),
            trials: item.trials.clone(),
            spread: item.spread.clone(),
            procedure_sem: procedure.get(item.item).and_then(Procedure::sem),
        });
        let title = format!("{}, trials and sides", names::sentence(&muscle.without_side()));
        let figure = PointsFigure { title, source: source.to_owned(), columns: columns.collect() };
        figures.push((muscle, figure));
    }
    figures
}

fn told(item: &Item, procedure: &OfVisit) -> String {
    let spread = &item.spread;
    let number =
        |name: &str, value: Option<f64>, unit: &str| value.map(|value| format!("{name} {value:.2} {unit}"));
    let parts = [
        number("mean of peaks", spread.mean_of_peaks_n, "N"),
        number("SD", spread.sd_n, "N"),
        // As many digits as everywhere.
        spread.cv_percent.map(|cv_percent| format!("CV {cv_percent:.1} %")),
        number("best", spread.best_n, "N"),
        Some(format!("n = {}", spread.trials_used)),
        number("instrument ±", spread.expanded_uncertainty_n, "N"),
        procedure.get(item.item).and_then(Procedure::sem).map(|sem| format!("procedure SEM {sem}")),
    ];
    parts.into_iter().flatten().collect::<Vec<_>>().join(" · ")
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::measures::repeats::tests::make_row;

    #[test]
    fn a_hold_outside_every_trial_counts_only_where_there_are_no_trials() {
        let outside = TrialRow { item: -1, valid: 0, ..make_row(1, 20.0) };
        assert!(!counts(&outside, true) && counts(&outside, false));
        let invalid = TrialRow { valid: 0, ..make_row(1, 20.0) };
        assert!(!counts(&invalid, true) && counts(&make_row(1, 20.0), true));
    }

    #[test]
    fn a_cv_has_as_many_digits_in_the_figure_of_an_item_as_elsewhere() {
        let items = repeats::items(&[make_row(1, 20.0), make_row(2, 21.0), make_row(3, 21.2)]);
        let told = told(&items[0], &OfVisit::default());
        let cv = items[0].spread.cv_percent.unwrap();
        assert!(told.contains(&format!("CV {cv:.1} %")), "{told}");
    }
}
