// The bench: a sensor is calibrated, or checked with one mass. The same guide leads here as at the terminal; the page shows its
// steps, tells it when one is done, and asks at the end whether the calibration is to be used.

import { STALE_MS } from "/connection.js";
import { ask, fill, h, s, table, write } from "/dom.js";
import { language, t } from "/language.js";
import { field, select } from "/setup.js";
import { SECONDS, Trace } from "/trace.js";

const b = t.bench;
/** What was entered last time is there again; how local gravity is known is always chosen anew. */
const LAST = "bench";
const remembered = () => JSON.parse(localStorage.getItem(LAST) ?? "{}");
const LOADS = 5;

/** The program names what is wrong by its options; here they are fields. */
const inFields = (text) => text.replace(/--([a-z-]+)/g, (option, name) => {
  const label = b.fields[{ mass: "masses", load: "loads" }[name] ?? name.replaceAll("-", "_")];
  return label ? `“${label}”` : option;
});

/** What is to be done, with what, how well known. */
export class BenchSetup {
  constructor(isCheck, back) {
    const last = remembered();
    const number = (name, more = {}) => field(b.fields[name], h("input", { name, type: "number", step: "any", inputmode: "decimal", value: last[name] ?? b.usual[name], ...more }), b.hints[name]);
    this.isCheck = isCheck;
    this.error = h("p", { class: "error", role: "alert" });
    this.sensor = h("select", { name: "port", required: true });
    this.masses = this.loads("masses", last);
    this.forces = this.loads("loads", last);
    const reference = select("reference", [["", b.masses], ["reference", b.reference]], { onchange: () => this.chosen() });
    const gravity = select("known", [["", t.setup.choose], ["place", b.byPlace], ["measured", b.measured]], { onchange: () => this.chosen() });
    this.parts = {
      reference: h("div", { class: "bench-part" }, this.forces, h("div", { class: "pair" }, number("reference_uncertainty", { min: 0, max: 10 }))),
      masses: h("div", { class: "bench-part" }, this.masses, h("div", { class: "pair" }, number("tolerance", { min: 0, max: 10 }), number("density", { min: 500, max: 25000 })), field(b.gravity, gravity)),
      place: h("div", { class: "pair" }, number("latitude", { min: -90, max: 90 }), number("height", { min: -500, max: 9000 })),
      measured: h("div", { class: "pair" }, number("gravity", { min: 9.75, max: 9.85 }), number("gravity_uncertainty", { min: 0, max: 0.1 })),
    };
    const more = ["air_density", "creep", "temperature", "temperature_effect"];
    this.form = h("form", { class: "sheet", onsubmit: (event) => this.begin(event) },
      h("div", { class: "pair" }, field(t.setup.sensor, this.sensor), number("channel", { min: 1, step: 1 })),
      !isCheck && field(b.with, reference),
      this.parts.masses, this.parts.place, this.parts.measured, this.parts.reference,
      h("div", { class: "pair" },
        field(b.fields.direction, select("direction", Object.entries(b.ways).filter(([way]) => !isCheck || way !== "both"))),
        !isCheck && number("mountings", { min: 1, max: 8, step: 1 }), number("still", { min: 0, max: 600 }),
        !isCheck && number("valid_days", { min: 1, max: 3650, step: 1 }),
        field(b.fields.operator, h("input", { name: "operator", autocomplete: "off", spellcheck: "false", maxlength: 32 }), t.setup.codes)),
      !isCheck && h("details", {}, h("summary", { text: b.more }), h("div", { class: "pair" }, ...more.map((name) => number(name)))),
      h("p", { class: "note", text: b.mind }),
      this.error,
      h("p", { class: "buttons" }, h("button", { class: "main", text: b.begin }), h("button", { type: "button", text: b.back, onclick: back })));
    this.element = h("section", { class: "setup" }, h("h2", { text: isCheck ? b.check : b.calibrate }), this.form);
    this.chosen();
    this.look();
  }

  /** A list of loads, an empty one at its end. */
  loads(name, last) {
    const list = h("div", { class: "loads" });
    const add = (value = "") => {
      const input = h("input", { name, type: "number", step: "any", min: 0, inputmode: "decimal", value, "aria-label": b.loadOf(b.fields[name], list.childElementCount + 1) });
      list.append(input);
      return input;
    };
    const given = (last[name] ?? []).slice(0, this.isCheck ? 1 : undefined);
    given.forEach(add);
    while (list.childElementCount < (this.isCheck ? 1 : LOADS)) add();
    return h("fieldset", { class: "loaded" }, h("legend", { text: this.isCheck ? b.fields.mass : b.fields[name] }), list,
      !this.isCheck && h("button", { type: "button", text: b.oneMore, onclick: () => add().focus() }));
  }

  chosen() {
    const elements = this.form.elements;
    const [byReference, known] = [elements.reference?.value === "reference", elements.known.value];
    const shown = { reference: byReference, masses: !byReference, place: !byReference && known === "place", measured: !byReference && known === "measured" };
    for (const [name, part] of Object.entries(this.parts)) part.hidden = !shown[name];
  }

  async look() {
    try {
      const { sensors, port_problem } = await ask("/api/setup");
      this.sensor.replaceChildren(...sensors.map(({ port, serial }) => h("option", { value: port, text: serial ? `${serial} (${port})` : port })));
      write(this.error, sensors.length ? "" : port_problem);
    } catch (error) {
      this.error.textContent = error.message;
    }
  }

  async begin(event) {
    event.preventDefault();
    const [asked, last] = [{ check: this.isCheck }, remembered()];
    for (const input of this.form.querySelectorAll("[name]")) {
      const { name, value } = input;
      const isList = name === "masses" || name === "loads";
      if (isList) last[name] = [];
      else if (input.type === "number") last[name] = value;
      if (["port", "known"].includes(name) || input.closest("[hidden]") || value === "") continue;
      if (name === "reference") asked.reference = true;
      else if (isList) (asked[name] ??= []).push(input.valueAsNumber);
      else asked[name] = input.type === "number" ? input.valueAsNumber : value.trim();
    }
    for (const name of ["masses", "loads"]) last[name] = asked[name] ?? [];
    localStorage.setItem(LAST, JSON.stringify({ ...remembered(), ...last }));
    write(this.error, "");
    try {
      await ask("/api/calibration", { port: this.sensor.value, asked });
    } catch (error) {
      this.error.textContent = inFields(error.message);
    }
  }
}

/** One step at a time, readable from two metres. */
export class Bench {
  constructor() {
    this.task = h("h2", { id: "task" });
    this.which = h("p", { id: "which" });
    this.hint = h("p", { id: "hint" });
    this.force = h("p", { id: "force" });
    this.still = h("p", { id: "still" });
    this.canvas = h("canvas", { id: "trace", role: "img", "aria-label": t.trace(SECONDS) });
    this.trace = new Trace(this.canvas);
    this.told = h("p", { id: "told", role: "status" });
    this.scale = h("p", { class: "note" });
    this.value = h("input", { name: "value", type: "number", step: "any", inputmode: "decimal", autocomplete: "off" });
    this.typed = h("form", { hidden: true, onsubmit: (event) => { event.preventDefault(); this.press(); } }, field(b.shows, this.value));
    const button = (text, line, properties = {}) => h("button", { type: "button", text, ...properties, onclick: (event) => { this.act(line); event.currentTarget.blur(); } });
    this.done = h("button", { type: "button", class: "main", text: b.done, onclick: (event) => { this.press(); event.currentTarget.blur(); } });
    this.element = h("section", { class: "visit bench" },
      h("div", { class: "what" }, this.task, this.which, this.hint, this.typed),
      h("div", { class: "numbers" }, this.force, this.still),
      h("div", { class: "trace" }, this.canvas),
      h("div", { class: "list" }, this.told, this.scale),
      h("div", { id: "tools", role: "group" }, this.done, button(b.again, "r"),
        h("button", { type: "button", class: "stop", text: t.do.stop, onclick: () => this.end() })));
  }

  /** The step is done: by key, foot switch, touch. */
  press() {
    this.act(this.typed.hidden ? "" : this.value.value);
  }

  async act(line) {
    try {
      await ask("/api/calibration/act", { line });
    } catch (error) {
      this.tell(error.message);
    }
  }

  end() {
    if (confirm(b.endSure)) ask("/api/visit/end", {}).catch((error) => this.tell(error.message));
  }

  tell(text) {
    write(this.told, text);
  }

  update(now) {
    const { bench, sensor } = now;
    write(this.task, now.phase === "sealing" ? t.task.sealing : words(now));
    write(this.which, bench.of ? b.which(bench) : "");
    write(this.hint, sensor.link === "flowing" ? b.doing[bench.doing](bench) : sensor.note);
    const typed = bench.doing === "asking" && Boolean(bench.instruction?.typed);
    if (typed && this.typed.hidden) this.value.value = "";
    this.typed.hidden = !typed;
    this.done.disabled = bench.doing !== "asking";
    write(this.still, bench.still === null ? "" : bench.still ? b.still : b.moving);
    this.still.dataset.still = bench.still;
    write(this.scale, b.scale(bench.scale, bench.channel));
    this.tell([bench.said, now.said.at(-1)].filter(Boolean).join(" · "));
  }

  draw(connection) {
    const stale = connection.age() > STALE_MS;
    this.element.classList.toggle("stale", stale);
    write(this.force, stale ? t.noSignal : `${connection.live.force_n.toFixed(2)} N`);
    this.trace.draw(connection, null);
  }
}

/** What is to be done now. */
export function words({ bench, sensor }) {
  if (sensor.link !== "flowing") return typeof t.link[sensor.link] === "string" ? t.link[sensor.link] : "";
  return bench.instruction ? b.instruction[bench.instruction.kind](bench.instruction, bench) : "";
}

/** What it came to; a calibration is kept, or not. */
export class Judged {
  constructor(seen) {
    this.seen = seen;
    this.error = h("p", { class: "error", role: "alert" });
    this.element = h("section", { class: "done" }, this.error);
    this.load();
  }

  async load() {
    try {
      const it = await ask("/api/calibration");
      this.element.replaceChildren(...(it.task === "check" ? this.check(it) : this.calibration(it)), this.error);
    } catch (error) {
      this.error.textContent = error.message;
    }
  }

  button(text, keep, note, properties = {}) {
    return h("button", { type: "button", text, ...properties, onclick: async () => {
      try {
        this.seen(note);
        await ask("/api/calibration/seen", { keep });
      } catch (error) {
        this.error.textContent = error.message;
      }
    } });
  }

  check({ check, words: told, recordings_since_last_good: doubtful }) {
    return [
      h("h2", { id: "verdict", "data-passed": check.passed, text: check.passed ? b.passed : b.failed }),
      h("p", { text: b.of(check) }),
      h("p", { text: told }),
      !check.passed && h("h3", { text: b.doubtful(doubtful.length) }),
      !check.passed && h("ul", { class: "note" }, ...doubtful.map((text) => h("li", { text }))),
      h("p", { class: "caution", text: b.kept }),
      h("p", { class: "buttons" }, this.button(b.close, false, "", { class: "main" })),
    ].filter(Boolean);
  }

  calibration({ record: it, branches }) {
    const { calibration } = it;
    const worst = Math.max(...calibration.branches.flatMap((branch) => branch.loads.map((load) => load.budget.expanded)));
    const signed = (value) => (value === null ? "–" : (value < 0 ? "" : "+") + value.toFixed(5));
    return [
      h("h2", { text: b.result }),
      h("p", { text: b.of(it) }),
      h("p", { id: "verdict", text: b.uncertain(worst.toFixed(3)) }),
      h("p", { class: "caution", text: it.statement }),
      calibration.notes.length > 0 && h("ul", { class: "warnings" }, ...calibration.notes.map((text) => h("li", { text }))),
      ...calibration.branches.flatMap((branch, at) => {
        const [name, curve, figures] = branches[at];
        return [
          h("h3", { text: name }),
          deviations(branch.loads),
          table(b.loadsOf(name), b.loadHead, branch.loads.map((load) => [
            load.reference_n.toFixed(4), load.indication.toFixed(3), signed(load.interpolation_n), signed(load.reversibility_n), load.budget.combined.toFixed(5),
            load.budget.k.toFixed(2), load.budget.expanded.toFixed(5)])),
          table(b.figuresOf(name), b.figureHead, figures),
          h("p", { class: "note", text: curve }),
        ];
      }),
      h("p", { class: "note", text: b.how(it) }),
      h("p", { class: "buttons" },
        this.button(b.keep(it.valid_until), true, b.isKept(it), { class: "main" }),
        this.button(b.leave, false, b.isLeft)),
    ].filter(Boolean);
  }
}

/** How far each load's mean is from the curve, with its expanded uncertainty: a picture of the table. */
function deviations(loads) {
  const [width, height, left, foot] = [Math.max(300, Math.min(720, innerWidth - 40)), 260, 90, 46];
  const greatest = Math.max(...loads.map((load) => Math.abs(load.interpolation_n) + (load.budget.expanded ?? 0))) * 1.1 || 1;
  const forces = loads.map((load) => load.reference_n);
  const [low, high] = [Math.min(0, ...forces), Math.max(0, ...forces)];
  const x = (force) => left + 20 + ((force - low) / (high - low || 1)) * (width - left - 50);
  const y = (n) => (height - foot) / 2 - (n / greatest) * ((height - foot) / 2 - 14);
  const digits = Math.max(0, 2 - Math.floor(Math.log10(greatest)));
  const text = (at, to, words, anchor) => s("text", { x: at, y: to, "text-anchor": anchor, text: words });
  // Names that would stand on each other are left out; the table has all.
  let named = -Infinity;
  const name = (load) => {
    if (x(load.reference_n) - named < 50) return [];
    named = x(load.reference_n);
    return [text(named, height - foot + 20, load.reference_n.toFixed(1), "middle")];
  };
  const line = (x1, y1, x2, y2, kind) => s("line", { x1, y1, x2, y2, class: kind });
  return s("svg", { viewBox: `0 0 ${width} ${height}`, class: "plot", role: "img", "aria-label": b.plot, lang: language },
    line(left, y(0), width, y(0), "axis"), line(left, 0, left, height - foot, "axis"),
    ...[-1, 0, 1].map((part) => text(left - 8, y(part * greatest * 0.9) + 6, (part * greatest * 0.9).toFixed(digits), "end")),
    ...loads.flatMap((load) => {
      const [at, n, wide] = [x(load.reference_n), load.interpolation_n, load.budget.expanded ?? 0];
      return [line(at, y(n - wide), at, y(n + wide), "bar"), s("circle", { cx: at, cy: y(n), r: 6 }), ...name(load)];
    }),
    text((left + width) / 2, height - 4, b.plotAxis, "middle"));
}
