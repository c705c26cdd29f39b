// The drawing of the hand: which digit, which way the person pushes, which way the examiner's force goes, palm up or
// down, left or right, as it lies before the examiner. Drawn here, from no picture.
//
// The drawing is of a right hand seen from its back, fingers upwards, thumb on the left: towards the thumb is -x. A left
// hand, and a palm, are its mirror image; seen from opposite it is turned by half a turn.

import { s } from "/dom.js";
import { t } from "/language.js";

const FINGERS = {
  thumb: { x: -50, y: 34, length: 74, width: 27, angle: -46 },
  index: { x: -36, y: -28, length: 84, width: 23, angle: -7 },
  middle: { x: -10, y: -36, length: 94, width: 23, angle: -1 },
  ring: { x: 16, y: -31, length: 86, width: 22, angle: 5 },
  little: { x: 39, y: -14, length: 64, width: 20, angle: 13 },
};

const PERSON = "#005a9c";
const EXAMINER = "#b34700";

/** The drawing of an item. */
export function hand(item, seat, words = t.drawing) {
  const mirror = (item.side === "left") !== (item.palm === "up") ? -1 : 1;
  const turn = seat === "opposite" ? -1 : 1;
  /** A point of the drawing as it is seen. */
  const seen = (x, y) => [x * mirror * turn, y * turn];
  const skin = s("g", { transform: `scale(${turn * mirror} ${turn})` });
  skin.append(palm(), ...Object.keys(FINGERS).map((name) => finger(name, item)));
  if (item.palm === "up") skin.append(creases());
  const picture = s("svg", {
    viewBox: "-235 -165 470 330",
    role: "img",
    "aria-label": t.drawing.label(item, seat),
    class: "hand",
  }, skin, ...forces(item, seen, words));
  const [x, y] = seen(-96, 66);
  picture.append(text(x, y, "middle", t.drawing.thumb, "#444", 17));
  return picture;
}

function palm() {
  return s("path", {
    d: "M-52 -24 C-30 -44 26 -46 52 -6 C58 24 50 76 36 112 L36 140 L-34 140 L-34 112 C-52 92 -66 60 -62 30 C-62 6 -60 -14 -52 -24 Z",
    class: "skin",
  });
}

function finger(name, item) {
  const { x, y, length, width, angle } = FINGERS[name];
  const on = name === item.digit;
  const held = name === item.held_digit;
  const group = s("g", { transform: `translate(${x} ${y}) rotate(${angle})` });
  group.append(s("rect", {
    x: -width / 2, y: -length, width, height: length + 16, rx: width / 2,
    class: on ? "skin on" : held ? "skin held" : "skin",
  }));
  if (item.palm !== "up") {
    group.append(s("rect", { x: -width / 4, y: -length + 5, width: width / 2, height: 13, rx: 5, class: "nail" }));
  } else {
    for (const share of [0.36, 0.68]) {
      group.append(s("path", { d: `M${-width / 2 + 3} ${-length * share} h${width - 6}`, class: "crease" }));
    }
  }
  return group;
}

function creases() {
  return s("path", { d: "M-56 18 C-20 14 10 -2 44 -14 M-50 30 C-20 26 20 30 46 22 M-44 24 C-18 40 -14 80 -22 106", class: "crease" });
}

/** The arrows and their words. */
function forces(item, seen, told) {
  const { x, y, length, width, angle } = FINGERS[item.digit];
  const radians = (angle * Math.PI) / 180;
  /** A point beside the finger: how far up it, how far across (+ towards the little finger). */
  const beside = (along, across) => [
    x + along * Math.sin(radians) + across * Math.cos(radians),
    y - along * Math.cos(radians) + across * Math.sin(radians),
  ];
  const push = item.push === "radial" ? -1 : 1;
  const marks = [];
  if (item.test !== "length") {
    const from = beside(length * 0.86, push * (width / 2 + 4));
    const to = beside(length * 0.86, push * (width / 2 + 56));
    marks.push(arrow(seen(...from), seen(...to), PERSON, 11));
    const words = { "active-motion": told.move, break: told.hold };
    marks.push(label(seen(...from), seen(...to), words[item.test] ?? told.push, PERSON));
  }
  if (item.test !== "active-motion") {
    // It comes from the side of the contact.
    const side = item.contact_side === "radial" ? -1 : 1;
    const inwards = item.pull === (side < 0 ? "ulnar" : "radial");
    const near = beside(length * 0.36, side * (width / 2 + 14));
    const far = beside(length * 0.36, side * (width / 2 + 66));
    const [from, to] = inwards ? [far, near] : [near, far];
    const pad = beside(length * 0.36, side * (width / 2 + 5));
    marks.push(sensor(seen(...pad)));
    marks.push(arrow(seen(...from), seen(...to), EXAMINER, 11, true));
    const words = { make: told.keep, free: told.keep, submaximal: told.keep, concentric: told.give, length: told.stretch };
    marks.push(label(seen(...near), seen(...far), words[item.test] ?? told.pull, EXAMINER));
  }
  return marks;
}

function sensor([x, y]) {
  return s("rect", { x: x - 6, y: y - 13, width: 12, height: 26, rx: 3, fill: "#222" });
}

/** An arrow; a hollow one is told from a full one without its colour. */
function arrow([x1, y1], [x2, y2], colour, width, hollow = false) {
  const length = Math.hypot(x2 - x1, y2 - y1);
  const angle = (Math.atan2(y2 - y1, x2 - x1) * 180) / Math.PI;
  const head = 24;
  const d = `M0 ${-width / 2} H${length - head} V${-width * 1.4} L${length} 0 L${length - head} ${width * 1.4} V${width / 2} H0 Z`;
  return s("path", {
    d,
    transform: `translate(${x1} ${y1}) rotate(${angle})`,
    fill: hollow ? "#fff" : colour,
    stroke: hollow ? colour : "#fff",
    "stroke-width": hollow ? 4 : 2,
    "stroke-linejoin": "round",
  });
}

/** A word beyond the outer end of an arrow. */
function label([x1, y1], [x2, y2], words, colour) {
  const outwards = x2 > x1 ? 1 : -1;
  return text(x2 + 9 * outwards, y2 + (y2 - y1) / 8, outwards > 0 ? "start" : "end", words, colour);
}

function text(x, y, anchor, words, colour, size = 23) {
  return s("text", {
    x, y: y + size / 3, text: words, fill: colour, "font-size": size, "font-weight": 700, "text-anchor": anchor,
    stroke: "#fff", "stroke-width": 5, "paint-order": "stroke",
  });
}
