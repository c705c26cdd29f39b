//! A guided session on the pages: the same guide as at the terminal, its audience, and what came of it.
//!
//! Comes in: what the core says, what the page's user types. Goes out: where the guide stands, to the [`Board`]; actions for
//! the journal; at the end a [`Judged`].

use super::board::Board;
use crate::clock::Clock;
use crate::command::calibrate::asked::Asked;
use crate::command::calibrate::outcome::DONE;
use crate::command::calibrate::session::unfit;
use crate::core::{Begun, Said};
use crate::guide::Guide;
use crate::guide::programme::Step;
use crate::health::Health;
use crate::shell::{Audience, Ports};
use crate::visit::engine::Visit;
use analysis::report::sensor as told;
use analysis::sensor::certificate::Certificate;
use analysis::sensor::check::Check;
use serde::Serialize;
use std::path::PathBuf;
use std::sync::Arc;

/// Name, value, ± of 95 %.
type Figure = (String, String, String);

/// What a guided session came to, as a page shows it.
#[derive(Debug, Clone, Serialize)]
#[serde(tag = "task", rename_all = "kebab-case")]
pub enum Judged {
    /// A calibration that is not kept yet.
    Calibration {
        /// The record, as it would be kept.
        record: Box<Certificate>,
        /// Of each direction, in words: what it is, the curve, the figures of merit (name, value, ± of 95 %).
        branches: Vec<(String, String, Vec<Figure>)>,
    },
    /// A check, which is kept.
    Check {
        /// The check.
        check: Check,
        /// It in a line.
        words: String,
        /// Where it failed: visits with this sensor since the last good check or calibration.
        recordings_since_last_good: Vec<PathBuf>,
    },
}

impl Judged {
    /// A calibration.
    pub fn calibration(record: Certificate) -> Judged {
        let of = |branch| {
            let figures = told::of_branch(branch).into_iter().map(|row| (row.name, row.value, row.expanded));
            (told::branch_words(branch), told::curve_words(branch), figures.collect())
        };
        Judged::Calibration {
            branches: record.calibration.branches.iter().map(of).collect(),
            record: Box::new(record),
        }
    }

    /// A check, and the recordings that a failed one puts in doubt.
    pub fn check((check, recordings_since_last_good): (Check, Vec<PathBuf>)) -> Judged {
        Judged::Check { words: check.words(), check, recordings_since_last_good }
    }
}

/// The page's user at the bench.
pub struct Bench<'a> {
    board: &'a mut Board,
    guide: Guide,
    asked: Asked,
    refusal: Option<anyhow::Error>,
}

impl<'a> Bench<'a> {
    /// Through these steps.
    pub fn new(board: &'a mut Board, steps: Vec<Step>, asked: &Asked) -> Bench<'a> {
        let guide = Guide::new(steps, asked.still, asked.channel);
        Bench { board, guide, asked: asked.clone(), refusal: None }
    }

    /// The guide, once all is over.
    pub fn take(&mut self) -> Guide {
        std::mem::replace(&mut self.guide, Guide::new(Vec::new(), 0.0, self.asked.channel))
    }
}

impl Audience for Bench<'_> {
    fn begin(&mut self, _: &Begun, clock: &Arc<dyn Clock>) {
        self.board.begin_guided(self.asked.check, self.asked.channel, clock);
    }

    fn hear(&mut self, said: &[Said], _: Option<&Visit>, ports: &Ports) {
        for said in said {
            if let Said::Pipeline(output) = said {
                self.guide.hear(output);
            }
        }
        self.refusal = unfit(&self.guide, &self.asked);
        self.board.guided(said, &self.guide, self.asked.channel, ports);
    }

    fn tick(&mut self, _: u64, health: &Health) -> Vec<String> {
        self.board.counted(health);
        self.guide.take().iter().filter_map(crate::guide::Out::to_json).collect()
    }

    fn typed(&mut self, bytes: &[u8], _: u64) -> Vec<String> {
        self.guide.typed(&String::from_utf8_lossy(bytes));
        Vec::new()
    }

    fn has_enough(&self) -> Option<&'static str> {
        self.guide.is_done().then_some(DONE)
    }

    fn end(&mut self) {}

    fn refusal(&mut self) -> Option<anyhow::Error> {
        self.refusal.take().or_else(|| self.board.refusal())
    }
}
