// After a visit: the results, each trial's trace with its marks, what was seen, the report.
//
// A mark can be moved: who moves it says why, the automatic one stays beside it, and the next recording is made. What is
// listed is always what the latest recording holds.

import { ask, h, table, when, write } from "/dom.js";
import { t } from "/language.js";

export const force = (value) => (value === null || value === undefined ? "—" : value.toFixed(value < 9.95 ? 2 : 1));

export class Done {
  constructor(now, again, check) {
    const d = t.done;
    const ended = now.ended ?? {};
    this.now = now;
    this.saved = h("p", { id: "saved", role: "status", text: ended.recording ? d.saved(ended.recording) : d.notSaved });
    this.tables = h("div", { class: "tables" });
    this.review = h("div", { id: "review" });
    this.missing = h("div", { id: "missing" });
    this.since = h("div", { id: "since" });
    this.seen = h("div", {});
    this.report = h("a", { class: "button", href: "/report", target: "_blank", text: d.report });
    this.error = h("p", { class: "error", role: "alert" });
    this.by = h("input", { id: "by", maxlength: 32, autocomplete: "off", value: now.examiner });
    this.why = h("input", { id: "why", maxlength: 200, autocomplete: "off" });
    const open = now.trials.every((trial) => trial.peak_zero_n !== null || trial.kind === "");
    this.element = h("section", { class: "done" },
      h("h2", { text: d.title }), this.saved,
      ended.folder && h("p", { class: "note", text: ended.folder }),
      ended.error && h("p", { class: "error", role: "alert", text: ended.error }),
      h("p", { text: d.ended(ended.reason ?? "") }),
      this.missing, this.tables, this.since, this.error,
      ended.recording && h("div", { class: "sheet" },
        h("h3", { text: d.correct }),
        h("div", { class: "pair" },
          h("p", { class: "field" }, h("label", { for: "by", text: d.by }), this.by),
          h("p", { class: "field" }, h("label", { for: "why", text: d.why }), this.why)),
        this.review, this.observation(now)),
      this.seen,
      h("p", { class: "caution", text: now.cautions }),
      h("p", { class: "buttons" },
        ended.recording && open && this.report,
        h("button", { class: "main", type: "button", text: d.another, onclick: again }),
        h("button", { type: "button", text: t.setup.check, onclick: check })));
    this.list({ ...now, procedure: [], corrections: [], missing: [] });
    if (ended.recording) {
      this.tried(async () => this.list(await ask("/api/results")));
      if (now.participant) this.tried(() => this.earlier(now.participant, ended.folder.split("/").pop()));
    }
  }

  list({ trials, results, procedure, corrections, observed, missing }) {
    const d = t.done;
    this.toComplete(missing);
    this.seen.replaceChildren(...(observed.length ? [h("h3", { text: d.observed }), h("ul", {}, ...observed.map((text) => h("li", { text })))] : []));
    const reviewed = Boolean(this.now.ended?.recording);
    const unknown = results.some((r) => r.mean_of_peaks_n !== null && r.instrument_n === null);
    const notes = [...procedure, ...(unknown ? [d.unknown] : [])];
    this.tables.replaceChildren(
      table(d.title, [d.item, d.mean, d.instrument, d.sem, d.cv, d.best, d.used], results.map((r) => [
        `${r.muscle}, ${t.tests[r.test] ?? r.test}`, force(r.mean_of_peaks_n), force(r.instrument_n), r.procedure_sem ?? "—",
        r.cv_percent === null ? "—" : r.cv_percent.toFixed(1), force(r.best_n), String(r.trials_used)])),
      ...(notes.length ? [h("ul", { class: "note" }, ...notes.map((text) => h("li", { text })))] : []),
      table(d.trials, [d.trial, d.item, d.peak, d.meanForce, d.how, d.counts, ...(reviewed ? [d.look] : [])], trials.map((r) => [
        String(r.order), `${r.muscle || "—"} ${t.tests[r.test] ?? r.test}`, force(r.peak_zero_n), force(r.mean_n), t.outcomes[r.outcome] ?? r.outcome, r.valid ? d.yes : r.why_not,
        ...(reviewed ? [h("button", { type: "button", text: d.lookAt(r.order), onclick: () => this.look(r.order, r.valid) })] : [])])),
      ...(corrections.length ? [h("h3", { text: d.corrections }), h("ol", {}, ...corrections.map((it) =>
        h("li", { text: `${it.who}: ${it.why} (${it.changed.join("; ")})` })))] : []));
  }

  /** What was to be seen and was not entered: an answer each, with one touch. */
  toComplete(missing) {
    const d = t.done;
    const line = ({ item, muscle, kind }) => {
      const answers = t.do.look[kind.replace(" ", "-")] ?? Array.from({ length: 11 }, (_, level) => String(level));
      const enter = (value) => this.correct({ change: "observe", item, kind, value, scale: d.scales[kind] ?? "" }, d.enteredLater);
      return h("li", {}, h("span", { text: `${muscle}, ${kind}: ` }), h("span", { class: "look" },
        ...answers.map((value) => h("button", { type: "button", text: value, "aria-label": `${muscle}, ${kind}: ${value}`, onclick: () => enter(value) }))));
    };
    this.missing.replaceChildren(...(missing.length ? [h("h3", { text: d.missing(missing.length) }), h("ul", { class: "choices" }, ...missing.map(line))] : []));
  }

  /** The changes since an earlier visit, which is chosen from a list. */
  async earlier(participant, own) {
    const d = t.done;
    const visits = (await ask(`/api/visits?participant=${encodeURIComponent(participant)}`)).filter((it) => it.visit < own);
    if (!visits.length) return;
    const chosen = h("select", { id: "since-visit", onchange: () => this.tried(() => this.changes(chosen.value)) },
      ...visits.map((it) => h("option", { value: it.visit, text: when(it.began_utc) })));
    this.changed = h("div", {});
    this.since.replaceChildren(h("h3", { text: d.changes }),
      h("p", { class: "field" }, h("label", { for: "since-visit", text: d.since }), chosen), this.changed);
    await this.changes(chosen.value);
  }

  async changes(visit) {
    const d = t.done;
    this.report.href = `/report?since=${encodeURIComponent(visit)}`;
    const { changes, told, hidden } = await ask(`/api/changes?since=${encodeURIComponent(visit)}`);
    const signed = (value, digits) => (value === null ? "—" : (value > 0 ? "+" : "") + value.toFixed(digits));
    const two = (value) => (value === null ? "—" : value.toFixed(2));
    this.changed.replaceChildren(
      table(d.changes, [d.item, d.then, d.now, d.change, d.percent, d.limit, d.verdict], changes.map((c) => [
        `${c.muscle}, ${t.tests[c.test] ?? c.test}${c.primary ? " *" : ""}`, two(c.earlier_n), two(c.later_n), signed(c.change_n, 2),
        signed(c.change_percent, 1), c.limit || "—", c.verdict])),
      ...(hidden ? [h("p", { text: d.hidden(hidden) })] : []),
      h("ul", { class: "note" }, ...told.map((text) => h("li", { text }))));
  }

  async look(order, valid) {
    await this.tried(async () => {
      const { automatic, current } = await ask(`/api/trace?trial=${order}`);
      this.review.replaceChildren(new Marks(order, valid, automatic, current, (change) => this.correct(change)).element);
      this.review.querySelector("button, input")?.focus();
    });
  }

  observation(now) {
    const d = t.done;
    const item = h("select", { id: "seen-item" }, h("option", { value: "-1", text: d.ofVisit }),
      ...now.results.map((r) => h("option", { value: r.item, text: `${r.muscle}, ${t.tests[r.test] ?? r.test}` })));
    const kind = h("select", { id: "seen-kind" }, ...d.kinds.map((kind) => h("option", { value: kind, text: kind })));
    const value = h("input", { id: "seen-value", maxlength: 200, autocomplete: "off" });
    const field = (label, input) => h("p", { class: "field" }, h("label", { for: input.id, text: label }), input);
    return h("details", {}, h("summary", { text: d.addSeen }), h("div", { class: "pair" },
      field(d.item, item), field(d.kind, kind), field(d.seen, value)),
    h("button", { type: "button", text: d.add, onclick: () => this.correct({ change: "observe", item: Number(item.value), kind: kind.value, value: value.value, scale: "" }) }));
  }

  async correct(change, why = this.why.value.trim()) {
    await this.tried(async () => {
      const made = await ask("/api/correct", { by: this.by.value.trim(), why, ...change });
      this.list(await ask("/api/results"));
      if (this.changed) await this.changes(document.getElementById("since-visit").value);
      write(this.saved, t.done.saved(made.recording.split("/").pop()));
      this.review.replaceChildren();
      this.why.value = "";
    });
  }

  async tried(what) {
    this.error.textContent = "";
    try {
      await what();
    } catch (error) {
      this.error.textContent = error.message;
      this.error.scrollIntoView({ block: "nearest" });
    }
  }
}

/** One trial's trace, with the marks as found and as they are. */
class Marks {
  constructor(order, valid, automatic, current, correct) {
    const d = t.done;
    this.automatic = new Map(automatic.marks);
    this.marks = new Map(current.marks);
    this.bins = current.bins;
    this.canvas = h("canvas", { class: "review", role: "img", "aria-label": d.traceOf(order) });
    const inputs = [...this.marks].map(([name, at]) => {
      const input = h("input", { type: "number", step: 0.001, value: at.toFixed(3), id: `mark-${name}`, oninput: () => {
        if (Number.isFinite(input.valueAsNumber)) this.marks.set(name, input.valueAsNumber);
        this.draw();
      } });
      const found = this.automatic.get(name);
      return h("p", { class: "field" },
        h("label", { for: input.id, text: d.marks[name] }), input,
        found !== undefined && h("small", { text: d.automatic(found.toFixed(3)) }),
        h("button", { type: "button", text: d.move(d.marks[name]), onclick: () => correct({ change: "mark", trial: order, mark: name, at: input.valueAsNumber }) }));
    });
    this.element = h("div", { class: "marks" }, h("h3", { text: d.traceOf(order) }), this.canvas,
      h("div", { class: "pair" }, ...inputs),
      h("button", { type: "button", text: valid ? d.exclude : d.include, onclick: () => correct({ change: valid ? "exclude" : "include", trial: order }) }));
    requestAnimationFrame(() => this.draw());
  }

  draw() {
    const canvas = this.canvas;
    const ratio = globalThis.devicePixelRatio || 1;
    const [width, height] = [canvas.clientWidth, canvas.clientHeight];
    [canvas.width, canvas.height] = [width * ratio, height * ratio];
    const pen = canvas.getContext("2d");
    pen.setTransform(ratio, 0, 0, ratio, 0, 0);
    pen.clearRect(0, 0, width, height);
    if (!this.bins.length) return;
    const [from, to] = [this.bins[0][0], this.bins.at(-1)[0]];
    const top = Math.max(1, ...this.bins.map((bin) => bin[2])) * 1.1;
    const x = (time) => 40 + ((time - from) / (to - from || 1)) * (width - 50);
    const y = (value) => height - 24 - (value / top) * (height - 44);
    pen.font = "14px system-ui, sans-serif";
    pen.fillStyle = "#333";
    pen.fillText(`${force(top / 1.1)} N`, 2, y(top / 1.1));
    pen.fillText("0", 26, y(0));
    pen.strokeStyle = "#0b3d5c";
    pen.lineWidth = 2;
    pen.beginPath();
    for (const [time, least, greatest] of this.bins) {
      pen.lineTo(x(time), y(least));
      pen.lineTo(x(time), y(greatest));
    }
    pen.stroke();
    const line = (time, dash, colour, name) => {
      pen.setLineDash(dash);
      pen.strokeStyle = pen.fillStyle = colour;
      pen.beginPath();
      pen.moveTo(x(time), 18);
      pen.lineTo(x(time), height - 18);
      pen.stroke();
      if (name) pen.fillText(name, Math.min(width - 60, x(time) + 3), height - 5);
    };
    for (const time of this.automatic.values()) line(time, [4, 4], "#666");
    for (const [name, time] of this.marks) line(time, [], "#b34700", t.done.marks[name]);
    pen.setLineDash([]);
  }
}
