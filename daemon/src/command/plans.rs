//! `fingerforced plans`: the plans that are built in, and whether a plan of one's own can be run.

use crate::visit::plan::{Item, Plan, Procedure, Shuffle, builtin};
use analysis::console::{self, Hint, Usage};
use analysis::documents;
use analysis::measures::repeats::SCORED;
use analysis::trial::{Muscle, Test};
use anyhow::Context;
use serde::Serialize;
use std::path::{Path, PathBuf};

/// The plans that are built in; the text of one; or whether a plan of one's own can be run
///
/// Examples:
///   fingerforced plans
///   fingerforced plans interossei-clinic > mine.toml
///   fingerforced plans --check mine.toml
///   fingerforced plans --json
#[derive(Debug, clap::Args)]
#[command(verbatim_doc_comment)]
pub struct Args {
    /// Print the text of this built-in plan
    pub name: Option<String>,
    /// Check this file (or built-in plan), and list what it would do, in order, and how long it takes
    #[arg(long, value_name = "FILE", conflicts_with = "name")]
    pub check: Option<PathBuf>,
    /// Print JSON: what each plan, or the one that is named, would do
    #[arg(long)]
    pub json: bool,
}

/// A plan as JSON tells it.
#[derive(Debug, Serialize)]
struct Told<'p> {
    name: &'p str,
    title: &'p str,
    note: &'p str,
    procedure: Procedure,
    population: &'p str,
    randomise: &'p [Shuffle],
    takes: String,
    items: Vec<ToldItem>,
}

#[derive(Debug, Serialize)]
struct ToldItem {
    item: usize,
    muscle: Muscle,
    test: Test,
    sensor: usize,
    channel: usize,
    primary: bool,
    /// None where the muscle is not loaded.
    trials: Option<u32>,
    familiarisation: u32,
    hold_s: f64,
    rest_s: f64,
}

/// Runs the command.
pub fn run(args: &Args) -> anyhow::Result<()> {
    let text = match (&args.name, &args.check) {
        (Some(name), _) if !args.json => named(name)?.to_owned(),
        (_, Some(path)) if !args.json => listed(&of_file(path)?),
        _ => {
            let plans = asked_for(args)?;
            if args.json {
                let told: Vec<Told> = plans.iter().map(|(name, plan)| told(name, plan)).collect();
                documents::json(documents::PLANS, &serde_json::json!({ "plans": told }))?
            } else {
                let line = |(name, plan): &(String, Plan)| {
                    format!("{name:<20} {}; {}\n", plan.title, plan.duration())
                };
                plans.iter().map(line).collect()
            }
        }
    };
    Ok(console::result(&text)?)
}

/// The plan that is named or in the file, or all that are built in; each with its name.
fn asked_for(args: &Args) -> anyhow::Result<Vec<(String, Plan)>> {
    let built_in = |name: &str, text: &str| {
        let plan = Plan::parse(text).with_context(|| format!("the built-in plan {name}"))?;
        Ok((name.to_owned(), plan))
    };
    match (&args.name, &args.check) {
        (Some(name), _) => Ok(vec![built_in(name, named(name)?)?]),
        (_, Some(path)) => Ok(vec![(path.display().to_string(), of_file(path)?)]),
        _ => builtin::ALL.iter().map(|(name, text)| built_in(name, text)).collect(),
    }
}

fn of_file(path: &Path) -> anyhow::Result<Plan> {
    Plan::parse(&text_of(path)?).map_err(|error| {
        anyhow::anyhow!("plan {}: {error}", path.display())
            .context(Hint::new("`fingerforced plans NAME` prints a plan to begin from"))
    })
}

fn told<'p>(name: &'p str, plan: &'p Plan) -> Told<'p> {
    let item = |(number, item): (usize, &Item)| ToldItem {
        item: number,
        muscle: item.muscle,
        test: item.test,
        sensor: item.sensor,
        channel: item.channel,
        primary: item.primary,
        trials: item.is_loaded().then_some(item.trials),
        familiarisation: if item.is_loaded() { item.familiarisation } else { 0 },
        hold_s: item.hold_s,
        rest_s: item.rest_s,
    };
    Told {
        name,
        title: &plan.title,
        note: &plan.note,
        procedure: plan.procedure,
        population: &plan.population,
        randomise: &plan.randomise,
        takes: plan.duration(),
        items: (1..).zip(&plan.items).map(item).collect(),
    }
}

/// The text of a plan: a file, or one that is built in where there is no file of that name.
///
/// # Errors
/// There is neither.
pub(crate) fn text_of(path: &Path) -> anyhow::Result<String> {
    let built_in = path.to_str().and_then(builtin::text).filter(|_| !path.exists());
    if let Some(text) = built_in {
        return Ok(text.to_owned());
    }
    std::fs::read_to_string(path).with_context(|| format!("cannot read the plan {}", path.display())).map_err(
        |error| {
            error.context(Hint::new(format!("give the path of a TOML file, or one of: {}", builtin::names())))
        },
    )
}

fn named(name: &str) -> anyhow::Result<&'static str> {
    builtin::text(name).ok_or_else(|| {
        Usage(format!("no plan `{}` is built in: there are {}", console::clean(name), builtin::names()))
            .into()
    })
}

/// The plan's items in the order in which they are written, and its duration.
fn listed(plan: &Plan) -> String {
    let counted = |n: u32, what: &str| format!("{n} {what}{}", if n == 1 { "" } else { "s" });
    let item = |(number, item): (usize, &Item)| {
        let first = match item.familiarisation {
            0 => String::new(),
            pulls => format!("{pulls} to get used to it and "),
        };
        let trials = if item.is_loaded() {
            format!(", {first}{}", counted(item.trials, "trial"))
        } else {
            String::new()
        };
        format!("{number:>3}  {}{trials}\n", item.name())
    };
    let items: String = (1..).zip(&plan.items).map(item).collect();
    let order = if plan.randomise.is_empty() { "" } else { "The order is drawn when the visit begins.\n" };
    let few = plan.items.iter().any(|item| item.is_loaded() && (item.trials as usize) < SCORED);
    let few = if few { "No verdict on change can rest on results of fewer than 3 trials.\n" } else { "" };
    format!("{}\n{items}{order}{few}{}\n", plan.title, plan.duration())
}
