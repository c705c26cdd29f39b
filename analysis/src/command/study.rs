//! `fingerforce study`: who was measured when, what is due, missing, excluded or out of the ordinary.
//!
//! Comes in: a study's recordings and, where there is one, its protocol. Goes out: a listing as a table or JSON.
use super::report::{Given, read};
use crate::cautions::CAUTIONS;
use crate::console::{self, Usage, advised, clean};
use crate::documents;
use crate::prose::counted;
use crate::report::listing::{HEAD, Listing};
use crate::report::methods::Source;
use crate::study::protocol::Protocol;
use crate::study::visit::Visit;
use comfy_table::Table;
use comfy_table::presets::UTF8_FULL_CONDENSED;
use jiff::civil::Date;
use std::path::PathBuf;

/// A study's visits: done, due, missing; exclusions, deviations, calibrations, analysis settings
///
/// Example: fingerforce study DATA/visits/*/recording-*.h5 --protocol study.toml
#[derive(Debug, clap::Args)]
pub struct Args {
    /// The study's recordings
    #[arg(required = true)]
    pub files: Vec<PathBuf>,
    /// Who is to come when, by whom, with which analysis settings (TOML)
    #[arg(long, value_name = "FILE.toml")]
    pub protocol: Option<PathBuf>,
    /// The day to ask about, YYYY-MM-DD [default: today, UTC]
    #[arg(long, value_name = "DAY")]
    pub on: Option<String>,
    /// Print JSON
    #[arg(long)]
    pub json: bool,
}

/// Runs the command.
pub fn run(args: &Args) -> anyhow::Result<()> {
    let protocol = args.protocol.as_deref().map(Protocol::read).transpose().map_err(advised)?;
    let on = day(args.on.as_deref())?;
    let Given { visits: read, left_out } = read(&args.files)?;
    // Today's listing shows all there is, even what a wrong clock dates later; of an earlier day, what was there then.
    let is_later = |visit: &Visit| args.on.is_some() && began(visit).is_some_and(|day| day > on);
    let (later, sources): (Vec<Source>, Vec<Source>) = read
        .iter()
        .map(|(recording, visit)| Source { recording, visit })
        .partition(|source| is_later(source.visit));
    let mut listing = Listing::of(&sources, &left_out, protocol.as_ref(), on).map_err(advised)?;
    if !later.is_empty() {
        let told = counted(later.len(), "recording");
        listing.notes.push(format!("{told} of later days than {on} left out"));
    }
    let text = if args.json { documents::json(documents::LISTING, &listing)? } else { text(&listing) };
    console::result(&text)?;
    Ok(())
}

/// The day on which a visit began, UTC.
fn began(visit: &Visit) -> Option<Date> {
    let at = visit.started_utc.parse::<jiff::Timestamp>().ok()?;
    Some(jiff::tz::TimeZone::UTC.to_datetime(at).date())
}

/// The day that was given, or today.
pub(super) fn day(given: Option<&str>) -> Result<Date, Usage> {
    let Some(given) = given else {
        return Ok(jiff::tz::TimeZone::UTC.to_datetime(jiff::Timestamp::now()).date());
    };
    given.parse().map_err(|_| Usage(format!("--on {}: give a day as YYYY-MM-DD", clean(given))))
}

fn text(of: &Listing) -> String {
    let mut table = Table::new();
    table.load_style(UTF8_FULL_CONDENSED);
    table.set_header(HEAD);
    for visit in &of.visits {
        table.add_row(visit.cells().map(|cell| clean(&cell)));
    }
    let mut text = format!("{}\n{table}\n", clean(&of.standing()));
    let excluded = of.visits.iter().flat_map(|visit| {
        visit.excluded.iter().map(|line| format!("left out, {} {}: {line}", visit.participant, visit.file))
    });
    for line in of.lines().into_iter().chain(excluded) {
        text += &format!("{}\n", clean(&line));
    }
    if of.protocol.as_ref().is_none_or(|protocol| protocol.settings.is_empty()) && !of.settings.is_empty() {
        let quoted: Vec<String> = of.settings.iter().map(|digest| format!("\"{digest}\"")).collect();
        text += &format!(
            "To freeze these analysis settings, write into the protocol: settings = [{}]\n",
            quoted.join(", ")
        );
    }
    text + CAUTIONS + "\n"
}
