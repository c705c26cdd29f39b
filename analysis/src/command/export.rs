//! `fingerforce export`: recordings out into other tools.
//!
//! Comes in: recordings. Goes out: CSV or Parquet (a table), JSON (everything but samples), FHIR (results and trials) or BIDS
//! (traces), to files that were not there or to stdout. An export of a data folder's recordings is noted there first, so that `erase`
//! finds it.
use super::compare::OwnArgs;
use crate::code;
use crate::console::{self, Hint, Usage, advised};
use crate::documents;
use crate::export::deidentify::deidentify;
use crate::export::register::{self, To};
use crate::export::{self, Document, Table};
use crate::recording::later;
use crate::recording::read::Recording;
use crate::study::procedure::OfVisit;
use crate::study::visit::Visit;
use anyhow::{Context as _, anyhow};
use std::fs;
use std::io::{Read, Write};
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};

/// Name of the secret in a data folder.
const SECRET: &str = "deidentify.key";
/// Bytes of it.
const SECRET_BYTES: usize = 32;

/// Recordings out into other tools
///
/// Examples:
///   fingerforce export recording-1.h5 --to csv --out trials.csv
///   fingerforce export DATA/visits/*/recording-1.h5 --to json --deidentify --out study.json
///   fingerforce export DATA/visits/*/recording-1.h5 --to parquet --site S1 --out dataset
#[derive(Debug, clap::Args)]
#[command(verbatim_doc_comment)]
pub struct Args {
    /// Recordings
    #[arg(required = true)]
    pub files: Vec<PathBuf>,
    /// Format; FHIR is a Bundle of R4 Observations, BIDS a folder with traces
    #[arg(long, value_parser = ["csv", "json", "parquet", "fhir", "bids"])]
    pub to: String,
    /// The table that CSV or Parquet holds
    #[arg(long, value_parser = ["trials", "observations"], default_value = "trials")]
    pub table: String,
    /// Leave out what could say who somebody is: free text, examiner, ids; move dates and times of day, band ages
    #[arg(long)]
    pub deidentify: bool,
    /// What dates and times are moved by is computed from this [default: a secret kept in the data folder]
    #[arg(long, requires = "deidentify")]
    pub seed: Option<String>,
    /// Free text that looks like a name is none
    #[arg(long)]
    pub sure: bool,
    /// The file to write; it must not be there yet [default: stdout]
    #[arg(long)]
    pub out: Option<PathBuf>,
    /// Parquet as a dataset in the folder --out, partitioned by this site's code and by date
    #[arg(long, value_name = "CODE", requires = "out")]
    pub site: Option<String>,
    /// Print the files that were written as JSON
    #[arg(long, requires = "out")]
    pub json: bool,
    /// The site's own repeats: the procedure's error beside the instrument's (CSV, JSON, Parquet, FHIR).
    #[command(flatten)]
    pub own: OwnArgs,
}

/// What is written.
enum Made {
    /// One file, or stdout.
    One(Vec<u8>),
    /// Files in a folder, each with its path in it.
    Many(Vec<(PathBuf, Vec<u8>)>),
}

/// Runs the command.
pub fn run(args: &Args) -> anyhow::Result<()> {
    let recordings: Result<Vec<_>, _> = args.files.iter().map(|file| Recording::open(file)).collect();
    let recordings = recordings.map_err(advised)?;
    let documents: Result<Vec<_>, _> = recordings.iter().map(Document::read).collect();
    let mut documents = documents.map_err(advised)?;
    refuse_twice(&args.files, &documents)?;
    let replaced = args.files.iter().zip(&recordings);
    replaced
        .filter_map(|(file, recording)| later::replaced(file, recording.root()))
        .for_each(|told| console::note(&told));
    if let Some(repeats) = args.own.repeats()? {
        for ((file, recording), document) in args.files.iter().zip(&recordings).zip(&mut documents) {
            let visit = Visit::of(recording, file).map_err(advised)?;
            document.procedure = OfVisit::of(&visit, Some(&repeats));
        }
    }
    let participants: Vec<String> =
        documents.iter().map(|document| document.root.participant.clone()).collect();
    if args.deidentify {
        for (file, document) in args.files.iter().zip(&mut documents) {
            deidentify(document, &secret(args, file)?);
        }
        export::tell_apart(&mut documents);
    }
    question(args, &documents)?;
    let written = write(args, &participants, made(args, &recordings, &documents)?)?;
    if args.json {
        console::result(&documents::files(&written)?)?;
    }
    Ok(())
}

/// Writes what was made, and gives the files; the export is noted before.
fn write(args: &Args, participants: &[String], made: Made) -> anyhow::Result<Vec<PathBuf>> {
    let tell =
        |to: &To| register::tell(&args.files, participants.iter().map(String::as_str), to, args.deidentify);
    let mut written = Vec::new();
    match made {
        Made::One(bytes) => {
            let out = args.out.as_deref().map(create).transpose()?;
            tell(&args.out.as_deref().map_or(To::Stdout, To::File))?;
            match out {
                None => console::bytes(&bytes)?,
                Some(mut out) => out.write_all(&bytes).and_then(|()| out.sync_all())?,
            }
            written.extend(args.out.clone());
        }
        Made::Many(files) => {
            let folder = args.out.as_deref().unwrap_or(Path::new("."));
            make_folder(folder)?;
            let names = files.iter().map(|(path, _)| path.display().to_string());
            tell(&To::Folder(folder, names.collect()))?;
            for (path, bytes) in files {
                let path = folder.join(path);
                path.parent().map_or(Ok(()), make_folder)?;
                let mut file = create(&path)?;
                file.write_all(&bytes).and_then(|()| file.sync_all())?;
                written.push(path);
            }
        }
    }
    Ok(written)
}

/// A visit given twice is refused, be it the same recording or another one of it: its trials would count double.
fn refuse_twice(files: &[PathBuf], documents: &[Document]) -> anyhow::Result<()> {
    let Some((first, again)) = export::given_twice(documents) else { return Ok(()) };
    let (one, other) = (&documents[first].root, &documents[again].root);
    let (first, again) = (files[first].display(), files[again].display());
    if one.revision == other.revision {
        let (visit, revision) = (&other.visit_id, other.revision);
        let hint = Hint::new("give each recording once: its trials would count double");
        return Err(anyhow!("{first} and {again} are one recording: visit {visit}, revision {revision}")
            .context(hint));
    }
    let told = format!(
        "{first} and {again} are recordings of one visit, {}: revisions {} and {}",
        other.visit_id, one.revision, other.revision
    );
    Err(anyhow!(told).context(Hint::new(
        "give one of them, usually the latest: its trials would count double; each can be exported by itself",
    )))
}

fn made(args: &Args, recordings: &[Recording], documents: &[Document]) -> anyhow::Result<Made> {
    if args.site.is_some() && args.to != "parquet" {
        return Err(
            Usage("--site makes a dataset of Parquet files: use it with --to parquet".to_owned()).into()
        );
    }
    let table = if args.table == "observations" { Table::Observations } else { Table::Trials };
    let text = match args.to.as_str() {
        "json" => export::to_json(documents)?,
        "fhir" => export::fhir::to_fhir(documents)?,
        "parquet" => return parquet(args, documents, table),
        "bids" if args.out.is_none() => {
            return Err(Usage("BIDS is a folder: name it with --out".to_owned()).into());
        }
        "bids" if args.own.reliability.is_some() => {
            return Err(Usage(
                "BIDS holds traces, and no results that --reliability could stand beside".to_owned(),
            )
            .into());
        }
        "bids" => return Ok(Made::Many(export::bids::dataset(recordings, documents).map_err(advised)?)),
        _ => export::csv(documents, table)?,
    };
    Ok(Made::One(text.into_bytes()))
}

#[cfg(feature = "parquet")]
fn parquet(args: &Args, documents: &[Document], table: Table) -> anyhow::Result<Made> {
    use crate::export::parquet::{dataset, file};
    if args.out.is_none() {
        return Err(Usage("Parquet goes to a file: name it with --out".to_owned()).into());
    }
    Ok(match &args.site {
        Some(site) => {
            code::check("site", site).map_err(|error| Usage(error.to_string()))?;
            Made::Many(dataset(documents, site, table)?)
        }
        None => Made::One(file(documents, table)?),
    })
}

#[cfg(not(feature = "parquet"))]
fn parquet(_: &Args, _: &[Document], _: Table) -> anyhow::Result<Made> {
    Err(anyhow!("this build cannot write Parquet").context(Hint::new(
        "build it with `cargo build --release --locked -p analysis --features parquet`, or export CSV",
    )))
}

fn make_folder(folder: &Path) -> anyhow::Result<()> {
    fs::create_dir_all(folder).map_err(|error| {
        anyhow!("cannot make the folder {}: {error}", folder.display())
            .context(Hint::new("choose another with --out"))
    })
}

/// Text that looks as if it said who somebody is does not leave unasked.
fn question(args: &Args, documents: &[Document]) -> anyhow::Result<()> {
    let texts = documents.iter().flat_map(Document::free_texts);
    let found: Vec<String> = texts.filter_map(code::personal).collect();
    if args.sure || found.is_empty() {
        return Ok(());
    }
    Err(anyhow!("does free text in the recordings say who somebody is? `{}`", found.join("`, `"))
        .context(Hint::new("leave free text out with --deidentify; if these are no names, give --sure")))
}

/// A file that was not there, for its owner only.
fn create(path: &Path) -> anyhow::Result<fs::File> {
    fs::OpenOptions::new().write(true).create_new(true).mode(0o600).open(path).map_err(|error| {
        anyhow!("cannot make {}: {error}", path.display())
            .context(Hint::new("name a file that is not there yet, in a folder that may be written to"))
    })
}

fn secret(args: &Args, file: &Path) -> anyhow::Result<Vec<u8>> {
    if let Some(seed) = &args.seed {
        return Ok(seed.as_bytes().to_vec());
    }
    let Some(data) = register::data_folder(file) else {
        return Err(Usage(format!(
            "{} is in no data folder that keeps a secret: give --seed",
            file.display()
        ))
        .into());
    };
    let path = data.join(SECRET);
    if !path.exists() {
        make_secret(&path).with_context(|| format!("cannot make {}", path.display()))?;
    }
    let secret = fs::read(&path).with_context(|| format!("cannot read {}", path.display()))?;
    anyhow::ensure!(
        secret.len() == SECRET_BYTES,
        anyhow!("{} is not {SECRET_BYTES} bytes long", path.display())
            .context(Hint::new("put it back from a backup: with another one dates move differently"))
    );
    Ok(secret)
}

/// A secret from the kernel, in its place at once or not at all.
fn make_secret(path: &Path) -> std::io::Result<()> {
    let mut secret = [0; SECRET_BYTES];
    fs::File::open("/dev/urandom")?.read_exact(&mut secret)?;
    let partial = path.with_extension(format!("{}.partial", std::process::id()));
    let mut file = fs::OpenOptions::new().write(true).create_new(true).mode(0o600).open(&partial)?;
    file.write_all(&secret)?;
    file.sync_all()?;
    // Where another export was quicker, its secret holds.
    let linked = fs::hard_link(&partial, path);
    fs::remove_file(&partial)?;
    match linked {
        Err(error) if error.kind() == std::io::ErrorKind::AlreadyExists => Ok(()),
        done => done,
    }
}
