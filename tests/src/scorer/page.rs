//! The generated parts of the page of documentation: the parameters, and the errors of a run.
//!
//! Comes in: the page as it is. Goes out: the page with both parts written anew. What stands between the marks is made by
//! `score-holds --write-page` and by nobody else: the part about errors ends with a digest over its own text and over the
//! bits of what the finder says about a few traces of every kind, so that neither a typed figure nor a figure of another
//! finder goes unnoticed.

use super::figure::Figure;
use super::find::{Job, library};
use super::kind::Kind;
use super::scene::Scene;
use super::targets::judge;
use super::{NOISE_N, RATES_HZ, Run, score_all, table};
use analysis::holds::Parameters;
use sha2::{Digest, Sha256};
use std::fmt::Write;
use std::path::PathBuf;
use std::{fs, io};

/// What the page's figures are from. The seed is nobody's to tune on.
pub const RUN: Run = Run { seed: 48_611, count: 100, rates_hz: &RATES_HZ, noise_n: NOISE_N };
/// Traces of each kind whose holds are in the digest, bit for bit.
const FINGERPRINTED: u64 = 2;

const PARAMETERS: [&str; 2] = ["<!-- parameters, generated -->\n", "<!-- end of parameters -->"];
const ERRORS: [&str; 2] = ["<!-- errors, generated -->\n", "<!-- end of errors -->"];

/// Where the page is.
pub fn path() -> PathBuf {
    crate::fixtures().join("../analysis/METHODS_AND_ERRORS.md")
}

/// Writes both parts anew.
pub fn write() -> io::Result<PathBuf> {
    let path = path();
    let page = fs::read_to_string(&path)?;
    let page = put(&page, PARAMETERS, &parameters()).and_then(|page| put(&page, ERRORS, &errors()));
    fs::write(&path, page.ok_or_else(|| io::Error::other("the page lacks its marks"))?)?;
    Ok(path)
}

fn put(page: &str, marks: [&str; 2], part: &str) -> Option<String> {
    let (before, rest) = page.split_once(marks[0])?;
    let (_, after) = rest.split_once(marks[1])?;
    Some(format!("{before}{}{part}{}{after}", marks[0], marks[1]))
}

fn part<'a>(page: &'a str, marks: [&str; 2]) -> &'a str {
    let (_, rest) = page.split_once(marks[0]).expect("the page has its marks");
    rest.split_once(marks[1]).expect("the page has its marks").0
}

/// Asserts that both parts of the page are what the tool writes with this finder.
pub fn check(page: &str) -> Result<(), String> {
    let again = "cargo run -p tests --release --bin score-holds -- --write-page";
    if part(page, PARAMETERS) != parameters() {
        return Err(format!("the page's parameters are not the finder's: {again}"));
    }
    let (text, digest) = part(page, ERRORS).rsplit_once("Digest: ").ok_or("the page has no digest")?;
    if digest.trim() != format!("`{}`", digest_of(text)) {
        return Err(format!("the page's errors are typed, or another finder's: {again}"));
    }
    Ok(())
}

/// The parameters as a table.
fn parameters() -> String {
    let mut text = String::from(
        "\n| name | what | unit | default | weak | from | to |\n|---|---|---|--:|--:|--:|--:|\n",
    );
    for n in Parameters::NUMBERS {
        // (Writing to a string cannot fail.)
        let _ = writeln!(
            text,
            "| `{}` | {} | {} | {} | {} | {} | {} |",
            n.name,
            n.about.trim(),
            n.unit,
            n.standard,
            n.weak,
            n.least,
            n.most
        );
    }
    text + "\n"
}

/// The errors of the page's run.
fn errors() -> String {
    let rows = score_all(&RUN, &Kind::ALL, &library);
    let mut text = format!(
        "\nSoftware version {}, seed {}, {} traces of each kind, {} N of white noise on every sample.\n\n",
        env!("CARGO_PKG_VERSION"),
        RUN.seed,
        RUN.count,
        RUN.noise_n
    );
    text += "What was to be reached (set before the finder was written), what should be, and what is; errors are those that \
             95 % of absolute errors are within:\n\n";
    text += &table::verdicts(&judge(&rows));
    text += "\nCounts:\n\n";
    text += &table::counts(&rows);
    text += "\nTimes, and rates and forces: mean error / 95 % of absolute errors within.\n\n";
    text += &table::errors(&rows, &Figure::TIMES);
    text += "\n";
    text += &table::errors(&rows, &Figure::FORCES);
    text += "\n";
    let digest = digest_of(&text);
    text + &format!("Digest: `{digest}`\n\n")
}

/// SHA-256 over a text and over what the finder says about the first traces of every kind.
fn digest_of(text: &str) -> String {
    let mut digest = Sha256::new();
    digest.update(text);
    for kind in Kind::ALL {
        for number in 0..FINGERPRINTED {
            let scene = Scene::new(kind, RUN.seed, number);
            for rate_hz in [80, 1000] {
                let samples = scene.sample(rate_hz, RUN.noise_n);
                let interval_s = 1.0 / f64::from(rate_hz);
                let job = Job { samples: &samples, interval_s, parameters: &kind.parameters() };
                // (Debug prints doubles with every digit that tells them apart.)
                digest.update(format!("{:?}", library(&job)));
            }
        }
    }
    digest.finalize().iter().map(|byte| format!("{byte:02x}")).collect()
}
