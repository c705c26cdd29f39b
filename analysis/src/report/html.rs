//! HTML, piece by piece. Whatever comes from a file is escaped here, and nowhere else is HTML made.
use crate::console::clean;
use crate::prose::{Piece, Prose};
use std::fmt::Write;

/// Text made fit for HTML: markup escaped, control characters and those that turn the direction of writing taken out.
pub fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in clean(text).chars() {
        match c {
            '&' => out += "&amp;",
            '<' => out += "&lt;",
            '>' => out += "&gt;",
            '"' => out += "&quot;",
            '\'' => out += "&#39;",
            '\u{200B}'..='\u{200F}' | '\u{2028}'..='\u{202E}' | '\u{2066}'..='\u{2069}' | '\u{FEFF}' => {}
            c => out.push(c),
        }
    }
    out
}

/// A cell of a table.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Cell {
    html: String,
    class: &'static str,
}

impl Cell {
    /// Words.
    pub fn text(text: &str) -> Cell {
        Cell { html: escape(text), class: "" }
    }

    /// A few words that stay on one line.
    pub fn short(text: &str) -> Cell {
        Cell::text(text).unbroken()
    }

    /// The same on one line.
    #[must_use]
    pub fn unbroken(self) -> Cell {
        Cell { class: " class=\"s\"", ..self }
    }

    /// A number with its id.
    pub fn number(value: Option<f64>, digits: usize, id: &str) -> Cell {
        let shown = value.map_or_else(|| "–".to_owned(), |value| format!("{value:.digits$}"));
        Cell { html: with_id(&shown, id), class: " class=\"r\"" }
    }

    /// Words in which numbers carry their ids.
    pub fn prose(prose: &Prose) -> Cell {
        Cell { html: marked_up(prose), class: "" }
    }

    /// Several numbers with their ids, already marked up by [`with_id`].
    pub fn numbers(parts: &[String]) -> Cell {
        Cell { html: parts.join(" &ensp;"), class: "" }
    }
}

/// A printed number that carries its id.
pub fn with_id(shown: &str, id: &str) -> String {
    let id = escape(id);
    format!("<span class=\"n\" id=\"{id}\" title=\"{id}\">{}</span>", escape(shown))
}

/// Running text, its numbers with their ids; one that stands elsewhere has its id there, and names it.
fn marked_up(prose: &Prose) -> String {
    let piece = |piece: &Piece| match piece {
        Piece::Words(words) => escape(words),
        Piece::Number { shown, id } => with_id(shown, id),
        Piece::Again { shown, id } => {
            format!("<span class=\"n\" title=\"{}\">{}</span>", escape(id), escape(shown))
        }
    };
    prose.0.iter().map(piece).collect()
}

/// The same with a small mark behind it, by which its id can be told on paper.
pub fn marked(shown: &str, id: &str, mark: &str) -> String {
    format!("{}<sub>{}</sub>", with_id(shown, id), escape(mark))
}

/// How every page begins.
const HEAD: &str = "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
     <meta http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'; style-src 'unsafe-inline'\">\n";

/// Whether a text is a page that was made here.
pub fn is_ours(text: &[u8]) -> bool {
    text.starts_with(HEAD.as_bytes())
}

/// A page that is being written.
#[derive(Debug, Default)]
pub struct Page(String);

impl Page {
    /// A heading, of level 1 to 3.
    pub fn heading(&mut self, level: u8, text: &str) {
        // Writing to a string cannot fail.
        let _ = writeln!(self.0, "<h{level}>{}</h{level}>", escape(text));
    }

    /// A paragraph.
    pub fn paragraph(&mut self, text: impl Into<Prose>) {
        let _ = writeln!(self.0, "<p>{}</p>", marked_up(&text.into()));
    }

    /// A paragraph of a class: `quiet`, `warning`.
    pub fn classed(&mut self, class: &'static str, text: &str) {
        let _ = writeln!(self.0, "<p class=\"{class}\">{}</p>", escape(text));
    }

    /// A list; nothing where it is empty.
    pub fn list(&mut self, lines: &[impl Clone + Into<Prose>]) {
        if !lines.is_empty() {
            let item = |line: Prose| format!("<li>{}</li>\n", marked_up(&line));
            let items: String = lines.iter().map(|line| item(line.clone().into())).collect();
            let _ = writeln!(self.0, "<ul>\n{items}</ul>");
        }
    }

    /// A table with its head.
    pub fn table(&mut self, head: &[&str], rows: &[Vec<Cell>]) {
        self.table_of(head, &[("", rows)]);
    }

    /// A table whose rows stand in groups, each with its name.
    pub fn grouped_table(&mut self, head: &[&str], groups: &[(&str, Vec<Vec<Cell>>)]) {
        let groups: Vec<(&str, &[Vec<Cell>])> =
            groups.iter().map(|(name, rows)| (*name, &rows[..])).collect();
        self.table_of(head, &groups);
    }

    fn table_of(&mut self, head: &[&str], groups: &[(&str, &[Vec<Cell>])]) {
        let width = head.len();
        let head: String = head.iter().map(|cell| format!("<th>{}</th>", escape(cell))).collect();
        let _ = writeln!(self.0, "<table>\n<thead><tr>{head}</tr></thead>\n<tbody>");
        for (name, rows) in groups {
            if !name.is_empty() {
                let _ = writeln!(
                    self.0,
                    "<tr class=\"group\"><td colspan=\"{width}\">{}</td></tr>",
                    escape(name)
                );
            }
            for row in *rows {
                let cells = row.iter().map(|cell| format!("<td{}>{}</td>", cell.class, cell.html));
                let _ = writeln!(self.0, "<tr>{}</tr>", cells.collect::<String>());
            }
        }
        self.0 += "</tbody>\n</table>\n";
    }

    /// A figure that this program drew, as SVG.
    pub fn figure(&mut self, svg: &str) {
        let _ = writeln!(self.0, "<figure>{svg}</figure>");
    }

    /// Who and when, beside an empty box of this name.
    pub fn identity(&mut self, label: &str, lines: &[String]) {
        let _ = writeln!(self.0, "<div class=\"identity\"><div class=\"label\">{}</div>", escape(label));
        self.list(lines);
        self.0 += "</div>\n";
    }

    /// Lines to be copied as they stand.
    pub fn plain(&mut self, lines: &[Prose]) {
        let lines: Vec<String> = lines.iter().map(marked_up).collect();
        let _ = writeln!(self.0, "<pre>{}</pre>", lines.join("\n"));
    }

    /// Lines to be written on.
    pub fn signature(&mut self, names: &[&str]) {
        let names: String = names.iter().map(|name| format!("<span>{}</span>", escape(name))).collect();
        let _ = writeln!(self.0, "<p class=\"sign\">{names}</p>");
    }

    /// A part that begins on a new sheet when printed.
    pub fn sheet(&mut self) {
        self.0 += "<hr class=\"sheet\">\n";
    }

    /// The whole document; every sheet has `foot` at its foot, beside its number.
    pub fn finish(self, title: &str, foot: &str) -> String {
        // It stands in a style: only what cannot end a string of one.
        let plain = |c: &char| c.is_ascii_alphanumeric() || " .,:-_".contains(*c);
        let foot: String = foot.chars().filter(plain).collect();
        format!(
            "{HEAD}<meta name=\"viewport\" content=\"width=device-width\">\n<title>{}</title>\n<style>\n{STYLE}@page {{ @bottom-left {{ content: \"{foot}\" }} }}\n</style>\n\
             </head>\n<body>\n{}</body>\n</html>\n",
            escape(title),
            self.0
        )
    }
}

/// Black on white, readable in print without colours.
const STYLE: &str = include_str!("style.css");

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_from_a_file_becomes_markup() {
        let mut page = Page::default();
        let bad = "<script>alert(1)</script>\u{202e}\u{1b}[2J\"'&";
        page.heading(1, bad);
        page.paragraph(bad);
        page.list(&[bad.to_owned()]);
        page.table(
            &[bad],
            &[vec![Cell::text(bad), Cell::number(Some(1.0), 2, bad), Cell::numbers(&[with_id("1", bad)])]],
        );
        page.identity(bad, &[bad.to_owned()]);
        page.plain(&[bad.into()]);
        page.signature(&[bad]);
        let html = page.finish(bad, "</style><script>\"; } a:b");
        assert!(
            !html.contains("<script") && !html.contains('\u{202e}') && !html.contains('\u{1b}'),
            "{html}"
        );
        assert_eq!(html.matches("&lt;script&gt;").count(), 14, "{html}");
        assert!(html.contains("content: \"stylescript  a:b\""), "{html}");
        assert!(!html.contains("\"'&"));
    }
}
