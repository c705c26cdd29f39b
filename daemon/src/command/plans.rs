//! `fingerforced plans`: the plans that are built in, and whether a plan of one's own can be run.

use crate::visit::plan::{Plan, builtin};
use analysis::console::{self, Hint, Usage};
use anyhow::Context;
use std::path::PathBuf;

/// The plans that are built in; the text of one; or whether a plan of one's own can be run
///
/// Examples:
///   fingerforced plans
///   fingerforced plans interossei-clinic > mine.toml
///   fingerforced plans --check mine.toml
#[derive(Debug, clap::Args)]
#[command(verbatim_doc_comment)]
pub struct Args {
    /// Print the text of this built-in plan
    pub name: Option<String>,
    /// Check this file, and list what it would do, in order, and how long it takes
    #[arg(long, value_name = "FILE", conflicts_with = "name")]
    pub check: Option<PathBuf>,
}

/// Runs the command.
pub fn run(args: &Args) -> anyhow::Result<()> {
    let text = match (&args.name, &args.check) {
        (Some(name), _) => named(name)?.to_owned(),
        (_, Some(path)) => {
            let text =
                std::fs::read_to_string(path).with_context(|| format!("cannot read {}", path.display()))?;
            let plan = Plan::parse(&text).map_err(|error| {
                anyhow::anyhow!("plan {}: {error}", path.display())
                    .context(Hint::new("`fingerforced plans NAME` prints a plan to begin from"))
            })?;
            listed(&plan)
        }
        _ => {
            let line = |(name, text): &(&str, &str)| {
                let plan = Plan::parse(text).with_context(|| format!("the built-in plan {name}"))?;
                Ok(format!("{name:<20} {}; {}\n", plan.title, plan.duration()))
            };
            builtin::ALL.iter().map(line).collect::<anyhow::Result<String>>()?
        }
    };
    Ok(console::result(&text)?)
}

fn named(name: &str) -> anyhow::Result<&'static str> {
    builtin::text(name).ok_or_else(|| {
        Usage(format!("no plan `{}` is built in: there are {}", console::clean(name), builtin::names()))
            .into()
    })
}

/// The plan's items in the order in which they are written, and its duration.
fn listed(plan: &Plan) -> String {
    let item = |(number, item): (usize, &crate::visit::plan::Item)| {
        let first = match item.familiarisation {
            0 => String::new(),
            pulls => format!("{pulls} to get used to it and "),
        };
        let trials =
            if item.is_loaded() { format!(", {first}{} trials", item.trials) } else { String::new() };
        format!("{number:>3}  {}{trials}\n", item.name())
    };
    let items: String = (1..).zip(&plan.items).map(item).collect();
    let order = if plan.randomise.is_empty() { "" } else { "The order is drawn when the visit begins.\n" };
    format!("{}\n{items}{order}{}\n", plan.title, plan.duration())
}
