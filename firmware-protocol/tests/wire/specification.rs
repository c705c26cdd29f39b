//! The specification against the code: its tables, its numbers, its examples, and whether it was read again since the
//! sources last changed.

use crate::table::{Table, hex};
use firmware_protocol::frame::{self, MAX_BODY, MAX_FRAME, MAX_MESSAGE};
use firmware_protocol::{board, message};
use std::path::{Path, PathBuf};

fn here() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

fn specification() -> String {
    std::fs::read_to_string(here().join("SPECIFICATION.md")).expect("SPECIFICATION.md")
}

/// The cells of a line of a table, without back quotes.
fn cells(line: &str) -> Option<Vec<String>> {
    let line = line.strip_prefix('|')?.strip_suffix('|')?;
    Some(line.split('|').map(|cell| cell.trim().trim_matches('`').to_string()).collect())
}

/// All tables after a heading that begins with `heading`, up to the next heading: their rows, without the two lines of
/// names.
fn tables(text: &str, heading: &str) -> Vec<Vec<Vec<String>>> {
    let start = text.find(&format!("\n{heading}")).unwrap_or_else(|| panic!("no heading {heading}")) + 1;
    let mut tables = vec![];
    let mut table = vec![];
    for line in text[start..].lines().skip(1).take_while(|line| !line.starts_with('#')).chain([""]) {
        match cells(line) {
            Some(row) => table.push(row),
            None if table.len() > 2 => tables.push(std::mem::take(&mut table).split_off(2)),
            None => table.clear(),
        }
    }
    tables
}

/// Every Rust source, in order of its path.
fn sources(folder: &Path, found: &mut Vec<PathBuf>) {
    let mut entries: Vec<_> = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()).collect();
    entries.sort();
    for path in entries {
        if path.is_dir() {
            sources(&path, found);
        } else if path.extension().is_some_and(|extension| extension == "rs") {
            found.push(path);
        }
    }
}

/// CRC-32/ISO-HDLC of all sources, each after its path; comments and blank lines do not count.
fn digest() -> String {
    let (crc, mut found) = (crc::Crc::<u32>::new(&crc::CRC_32_ISO_HDLC), vec![]);
    sources(&here().join("src"), &mut found);
    assert!(found.len() > 5, "the sources are where they were: {found:?}");
    let mut digest = crc.digest();
    for path in found {
        let name = path.strip_prefix(here()).unwrap().to_string_lossy().replace('\\', "/");
        digest.update(format!("{name}\n").as_bytes());
        for line in std::fs::read_to_string(&path).unwrap().lines().map(str::trim) {
            if !line.is_empty() && !line.starts_with("//") {
                digest.update(format!("{line}\n").as_bytes());
            }
        }
    }
    format!("{:08x}", digest.finalize())
}

#[test]
fn it_was_read_again_since_the_sources_changed() {
    let (text, now) = (specification(), digest());
    let line =
        text.lines().find_map(|line| line.strip_prefix("- Sources: `")).expect("a line '- Sources: `…`'");
    let then = &line[..8];
    assert!(
        then == now,
        "firmware-protocol/src has changed since SPECIFICATION.md was last checked against it.\n\
         hint: read the specification with the change in mind and correct it (tables, rules, version ladder);\n\
         hint: correct fixtures/wire/make_vectors.py too and run it, if messages or frames changed;\n\
         hint: then write the line `- Sources: `{now}`` in place of `{then}`."
    );
}

/// Offsets follow from sizes, types have their sizes, and the fields are those of the vectors, in order.
#[test]
fn byte_tables_agree_with_the_vectors() {
    let (text, vectors) = (specification(), Table::read("messages.csv"));
    for (kind, name, vector) in [
        (message::kind::IDENTITY, "identity", "identity_one_channel"),
        (message::kind::SAMPLES, "samples", "samples_one"),
        (message::kind::CONDITION, "condition", "condition_known"),
        (message::kind::PONG, "pong", "pong"),
        (message::kind::IDENTIFY, "identify", "identify"),
        (message::kind::START, "start", "start"),
        (message::kind::STOP, "stop", "stop"),
        (message::kind::SET_INTERVAL, "set_interval", "set_interval_80_hz"),
        (message::kind::PING, "ping", "ping"),
    ] {
        let tables = tables(&text, &format!("### `{kind:02x}` {name}\n"));
        let mut described = vec![];
        let mut length = 0;
        for table in &tables {
            let mut offset = 0;
            for row in table {
                assert_eq!(row.len(), 7, "{name}: {row:?}");
                let size: usize = row[1].parse().unwrap();
                assert_eq!(row[0].parse(), Ok(offset), "{name}: offset of {}", row[3]);
                let expected = match row[2].as_str() {
                    "u8" => 1,
                    "u16" => 2,
                    "u32" | "i32" => 4,
                    "u64" => 8,
                    "text" => 16,
                    other => panic!("{name}: type {other}"),
                };
                assert_eq!(size, expected, "{name}: size of {}", row[3]);
                assert!(row[3] == "kind" || !row[5].is_empty(), "{name}: what of {} is accepted?", row[3]);
                offset += size;
                described.push(row[3].clone());
            }
            length += offset;
        }
        let row = vectors.rows().find(|row| row.get("name") == vector).expect(vector);
        let body = row.bytes("body_hex");
        let counts = if name == "samples" { 4 } else { 0 };
        assert_eq!(length + counts, body.len(), "{name}: length");
        assert_eq!(body[0], kind, "{name}");
        let fields: Vec<_> =
            row.get("fields").split(';').map(|field| field.split('=').next().unwrap()).collect();
        assert_eq!(fields[0], name);
        let fields: Vec<_> = fields[1..].iter().filter(|field| **field != "counts").collect();
        assert_eq!(described[1..].iter().collect::<Vec<_>>(), fields, "{name}: fields");
    }
}

#[test]
fn numbers_agree_with_the_code() {
    let text = specification();
    let expected = [
        ("PROTOCOL_VERSION", u64::from(message::PROTOCOL_VERSION)),
        ("MAX_BODY", MAX_BODY as u64),
        ("MAX_MESSAGE", MAX_MESSAGE as u64),
        ("MAX_FRAME", MAX_FRAME as u64),
        ("MAX_CHANNELS", message::MAX_CHANNELS as u64),
        ("FRAME_US", board::FRAME_US),
        ("CONDITION_US", board::CONDITION_US),
        ("MAX_U64", message::MAX_U64),
    ];
    let [numbers] = &tables(&text, "## Numbers")[..] else { panic!("one table of numbers") };
    let stated: Vec<_> = numbers.iter().map(|row| (row[0].as_str(), row[1].parse().unwrap())).collect();
    assert_eq!(stated, expected);
    let most: Vec<_> = (1..=8).map(|channels| message::max_samples(channels).to_string()).collect();
    assert!(text.contains(&format!("channels: {}.", most.join(", "))), "most samples in a frame: {most:?}");
}

#[test]
fn examples_are_the_vectors() {
    let (text, vectors) = (specification(), Table::read("messages.csv"));
    let [examples] = &tables(&text, "## Examples")[..] else { panic!("one table of examples") };
    assert!(examples.len() >= 5);
    for example in examples {
        let row = vectors.rows().find(|row| row.get("name") == example[0]).expect("a vector of that name");
        assert_eq!(row.get("verdict"), "accepted");
        assert_eq!(example[1].replace(' ', ""), row.get("body_hex"), "{}", example[0]);
        assert_eq!(example[2].replace(' ', ""), row.get("frame_hex"), "{}", example[0]);
        let mut encoded = [0; MAX_FRAME];
        let length = frame::encode(&row.bytes("body_hex"), &mut encoded).unwrap();
        assert_eq!(hex(&encoded[..length]), row.get("frame_hex"));
    }
}

/// The ladder's top is the version in force, and no rung is missing.
#[test]
fn the_version_ladder_is_whole() {
    let text = specification();
    let [ladder] = &tables(&text, "## Versions")[..] else { panic!("one ladder") };
    let versions: Vec<u8> = ladder.iter().map(|row| row[0].parse().unwrap()).collect();
    assert_eq!(versions, (1..=message::PROTOCOL_VERSION).rev().collect::<Vec<_>>());
    assert!(text.contains(&format!("**Version {}**", message::PROTOCOL_VERSION)));
}
