//! What `analysis/JSON.md` says of a document that a command printed.

use serde_json::Value;

/// Kinds of documents, each with its version, and the text of its section.
pub fn sections() -> Vec<(&'static str, &'static str)> {
    let page = include_str!("../../JSON.md");
    let sections = page.split("\n## ").skip(1);
    sections.map(|section| section.split_once('\n').unwrap_or((section, ""))).collect()
}

/// The values of a document that the page does not tell of; everything where it knows no such kind and version.
pub fn undocumented(document: &Value) -> Vec<String> {
    let name = format!("{}, version {}", document["kind"].as_str().unwrap_or_default(), document["version"]);
    let Some((_, section)) = sections().into_iter().find(|(heading, _)| *heading == name) else {
        return vec![format!("the document itself: {name}")];
    };
    let rows = section.lines().filter_map(|line| line.strip_prefix("| `")?.split_once("` | "));
    let (wholes, all): (Vec<_>, Vec<_>) = rows.partition(|(_, told)| told.starts_with("object"));
    let path = |rows: Vec<(&'static str, _)>| rows.into_iter().map(|(path, _)| path).collect::<Vec<_>>();
    let (known, wholes) = (path(all), path(wholes));
    let mut found = Vec::new();
    paths(document, "", &wholes, &mut found);
    // What is null may be told field by field.
    let told = |path: &str| {
        ["kind", "version"].contains(&path)
            || known.iter().any(|known| *known == path || known.starts_with(&format!("{path}.")))
    };
    found.retain(|path| !told(path));
    found
}

/// The paths of a document's values, but for those that are told as a whole.
pub fn paths(value: &Value, path: &str, wholes: &[&str], found: &mut Vec<String>) {
    let is_estimate = |map: &serde_json::Map<String, Value>| {
        map.len() == 3 && ["value", "low", "high"].iter().all(|key| map.contains_key(*key))
    };
    match value {
        _ if wholes.contains(&path) => {}
        Value::Object(map) if !is_estimate(map) => {
            let dot = if path.is_empty() { "" } else { "." };
            map.iter().for_each(|(key, value)| paths(value, &format!("{path}{dot}{key}"), wholes, found));
        }
        Value::Array(all) => {
            found.push(path.to_owned());
            let objects = all.iter().filter(|value| value.is_object());
            objects.for_each(|value| paths(value, &format!("{path}[]"), wholes, found));
        }
        _ => found.push(path.to_owned()),
    }
}
