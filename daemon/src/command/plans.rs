//! `fingerforced plans`: the plans that are built in, and whether a plan of one's own can be run.

use crate::visit::plan::{Plan, builtin};
use analysis::console::{self, Hint, Usage};
use analysis::measures::repeats::SCORED;
use anyhow::Context;
use std::path::{Path, PathBuf};

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
    /// Check this file (or built-in plan), and list what it would do, in order, and how long it takes
    #[arg(long, value_name = "FILE", conflicts_with = "name")]
    pub check: Option<PathBuf>,
}

/// Runs the command.
pub fn run(args: &Args) -> anyhow::Result<()> {
    let text = match (&args.name, &args.check) {
        (Some(name), _) => named(name)?.to_owned(),
        (_, Some(path)) => {
            let text = text_of(path)?;
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
    let item = |(number, item): (usize, &crate::visit::plan::Item)| {
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
