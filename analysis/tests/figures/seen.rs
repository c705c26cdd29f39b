//! What stands in a figure's SVG: its texts and their boxes, the trace, the shapes of its marks.
use super::*;

/// A text on the page: what it says and its box (left, top, right, bottom).
#[derive(Debug, Clone)]
pub struct Seen {
    pub text: String,
    pub area: [f64; 4],
}

pub fn attribute<'a>(tag: &'a str, name: &str) -> Option<&'a str> {
    tag.split_once(&format!(" {name}=\""))?.1.split('"').next()
}

pub fn unescaped(text: &str) -> String {
    let plain = text.replace("&lt;", "<").replace("&gt;", ">").replace("&quot;", "\"").replace("&apos;", "'");
    plain.replace("&amp;", "&")
}

/// The texts of an SVG; those of the page's axes too.
pub fn texts(svg: &str) -> Vec<Seen> {
    let number = |tag: &str, name: &str| attribute(tag, name).unwrap().parse::<f64>().unwrap();
    let seen = |element: &str| {
        let (tag, rest) = element.split_once('>').unwrap();
        let text = unescaped(rest.split("</text>").next().unwrap().trim());
        let (x, y, size) = (number(tag, "x"), number(tag, "y"), number(tag, "font-size"));
        let style = if tag.contains("font-weight=\"bold\"") { FontStyle::Bold } else { FontStyle::Normal };
        let width = f64::from((FAMILY, size * 1.24, style).into_font().layout_box(&text).unwrap().1.0);
        let left = match attribute(tag, "text-anchor").unwrap() {
            "start" => x,
            "middle" => x - width / 2.0,
            _ => x - width,
        };
        let top = match attribute(tag, "dy").unwrap() {
            "0.76em" => y,
            "0.5ex" => y - size / 2.0,
            _ => y - size,
        };
        if tag.contains("rotate(270") {
            return Seen { text, area: [y.min(x), y - width / 2.0, x + size, y + width / 2.0] };
        }
        Seen { text, area: [left, top, left + width, top + size] }
    };
    svg.split("<text").skip(1).map(seen).collect()
}

/// Corners of the trace's lines.
pub fn trace(svg: &str) -> Vec<(f64, f64)> {
    let color = format!("stroke=\"#{:02X}{:02X}{:02X}\"", TRACE.0, TRACE.1, TRACE.2);
    let lines = svg.split("<polyline").skip(1).map(|rest| rest.split("/>").next().unwrap());
    let corner = |pair: &str| pair.split_once(',').map(|(x, y)| (x.parse().unwrap(), y.parse().unwrap()));
    lines
        .filter(|line| line.contains(&color))
        .flat_map(|line| attribute(line, "points").unwrap().split_whitespace().filter_map(corner))
        .collect()
}

/// All that a figure says.
pub fn told(svg: &str) -> String {
    texts(svg).into_iter().map(|seen| seen.text).collect::<Vec<_>>().join("\n")
}

/// The shapes of filled marks of any size, by colour: where each corner lies as seen from the first.
pub fn shapes(svg: &str) -> BTreeMap<String, BTreeSet<String>> {
    let mut shapes: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
    for element in svg.split("<polygon").skip(1).map(|rest| rest.split("/>").next().unwrap()) {
        let corners = attribute(element, "points").unwrap();
        let corners = corners.split_whitespace().map(|pair| pair.split_once(',').unwrap());
        let corners: Vec<(i32, i32)> =
            corners.map(|(x, y)| (x.parse().unwrap(), y.parse().unwrap())).collect();
        let (x, y) = corners[0];
        let shape =
            corners.iter().map(|of| format!("{},{} ", (of.0 - x).signum(), (of.1 - y).signum())).collect();
        shapes.entry(attribute(element, "fill").unwrap().to_owned()).or_default().insert(shape);
    }
    shapes
}
