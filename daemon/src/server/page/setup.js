// Before a visit: sensor, machine, codes, plan; then, with the sensor's zero taken, the gate.

import { force } from "/done.js";
import { ask, fill, h, table, when } from "/dom.js";
import { t } from "/language.js";

/** A field with its label. */
export function field(label, input, hint) {
  const id = `f-${input.name || label.replaceAll(/\W/g, "")}`;
  input.id = id;
  return h("p", { class: "field" }, h("label", { for: id, text: label }), input, hint && h("small", { text: hint }));
}

export function select(name, options, properties = {}) {
  return h("select", { name, ...properties }, ...options.map(([value, text]) => h("option", { value, text })));
}

/** The form that begins a visit. It looks again every two seconds whether the sensor is there. */
export class Setup {
  /** `bench(isCheck)` goes to the bench; `note` was said last. */
  constructor(refused, bench, note = "") {
    this.bench = bench;
    this.sensors = h("p", { class: "buttons" });
    this.ready = h("ul", { class: "checks" });
    this.error = h("p", { class: "error", role: "alert", text: refused });
    this.form = h("form", { class: "sheet", onsubmit: (event) => this.begin(event) });
    this.element = h("section", { class: "setup" }, note && h("p", { id: "kept", role: "status", text: note }),
      h("h2", { text: t.setup.title }), this.ready, this.sensors, this.form);
    this.load();
    this.timer = setInterval(() => this.load(), 2000);
  }

  stop() {
    clearInterval(this.timer);
  }

  async load() {
    let setup;
    try {
      setup = await ask("/api/setup");
    } catch (error) {
      this.error.textContent = error.message;
      return;
    }
    const lines = [[setup.port ? "good" : "failure", t.setup.sensor, setup.port ? t.setup.found(setup.port) : setup.port_problem]];
    for (const check of setup.checks.filter((check) => check.state !== "good")) {
      lines.push([check.state, check.what, [check.told, check.hint].filter(Boolean).join(" — ")]);
    }
    for (const sensor of setup.sensors.filter((sensor) => sensor.check_due)) {
      lines.push(["warning", t.setup.sensorOf(sensor.serial), t.setup.due(sensor.check_due)]);
    }
    if (setup.checks.every((check) => check.state === "good")) lines.push(["good", t.setup.machine, t.setup.ready]);
    fill(this.ready, lines, () => lines.map(([state, what, told]) =>
      h("li", { class: state }, h("strong", { text: `${what}: ` }), told)));
    const go = (text, isCheck) => h("button", { type: "button", id: isCheck ? "go-check" : "go-calibrate", text, onclick: () => this.bench(isCheck) });
    const calibrated = setup.sensors.some((sensor) => sensor.calibrated);
    fill(this.sensors, [setup.sensors.length > 0, calibrated], () => (setup.sensors.length
      ? [calibrated && go(t.setup.check, true), go(t.setup.calibrate, false)] : []));
    if (!this.plans) this.fields(setup);
  }

  fields(setup) {
    this.plans = setup.plans;
    const code = (name, label, more) => field(label, h("input", { name, autocomplete: "off", spellcheck: "false", maxlength: 32, ...more }), t.setup.codes);
    const plan = select("plan", [
      ...setup.plans.map((plan) => [plan.name, `${plan.title} (${plan.duration.split(":")[0]})`]),
      ["", t.setup.noPlan],
    ], { onchange: () => this.chosen() });
    this.note = h("p", { class: "note" });
    this.last = h("div", { id: "last" });
    this.about = setup.about.map(({ name, words, range }) => [name, words.length
      ? select(`about ${name}`, [["", t.setup.notSaid], ...words.map((word) => [word, t.setup.words[word] ?? word])])
      : h("input", range
        ? { name: `about ${name}`, type: "number", min: range[0], max: range[1], step: "any", inputmode: "decimal" }
        : { name: `about ${name}`, maxlength: 40, autocomplete: "off" })]);
    this.consent = h("div", { hidden: true },
      field(t.setup.consentVersion, h("input", { name: "consent_version", autocomplete: "off", maxlength: 32 })),
      field(t.setup.consentDate, h("input", { name: "consent_date", type: "date" })));
    this.form.append(
      code("participant", t.setup.participant, { onchange: (event) => this.before(event.target.value.trim()) }),
      this.last,
      code("examiner", t.setup.examiner),
      field(t.setup.plan, plan),
      field(t.setup.ownPlan, h("input", { name: "file", type: "file", accept: ".toml", onchange: () => this.chosen() })),
      this.note,
      field(t.setup.involved, select("involved", [["", t.setup.none], ["left", t.side.left], ["right", t.side.right]])),
      h("details", {}, h("summary", { text: t.setup.about }), h("div", { class: "pair" },
        ...this.about.map(([name, input]) => field(t.setup.asked[name] ?? name, input, t.setup.asks[name])))),
      this.consent,
      this.error,
      h("p", { class: "buttons" },
        h("button", { class: "main", text: t.setup.begin }),
        setup.interrupted && h("button", { type: "button", text: t.setup.resume, onclick: () => this.send({ resume: true }) })),
    );
    this.chosen();
  }

  /** The participant's last visit, with its conditions; earlier ones can be chosen. */
  async before(participant) {
    const s = t.setup;
    this.last.replaceChildren();
    try {
      const visits = participant ? await ask(`/api/visits?participant=${encodeURIComponent(participant)}`) : [];
      if (!visits.length) return;
      const one = h("div", {});
      const show = async (visit) => {
        const it = await ask(`/api/earlier?visit=${encodeURIComponent(visit)}`);
        one.replaceChildren(
          h("p", { text: s.lastOf(it.title, it.examiner) }),
          table(s.lastResults, [t.done.item, t.done.mean, t.done.used, s.conditions], it.items.map((item) => [
            `${item.muscle}, ${t.tests[item.test] ?? item.test}`, force(item.mean_of_peaks_n), String(item.trials_used), item.conditions])),
          h("ul", { class: "note" }, ...it.observed.map((text) => h("li", { text }))));
      };
      const which = select("earlier", visits.map((it) => [it.visit, when(it.began_utc)]), { onchange: () => show(which.value) });
      this.last.replaceChildren(h("details", { open: true }, h("summary", { text: s.last(visits.length) }), field(s.lastWhich, which), one));
      await show(visits[0].visit);
    } catch (error) {
      this.last.replaceChildren(h("p", { class: "error", text: error.message }));
    }
  }

  async chosen() {
    const file = this.form.elements.file.files[0];
    this.text = file ? await file.text() : "";
    const plan = file ? null : this.plans.find((plan) => plan.name === this.form.elements.plan.value);
    this.note.textContent = plan?.note ?? "";
    this.consent.hidden = !(plan?.research || /^\s*research\s*=\s*true/m.test(this.text));
  }

  async begin(event) {
    event.preventDefault();
    const value = (name) => this.form.elements[name].value.trim();
    const wanted = { plan: this.text ? "" : value("plan"), plan_text: this.text };
    for (const name of ["participant", "examiner", "involved", "consent_version", "consent_date"]) wanted[name] = value(name);
    wanted.about = Object.fromEntries(this.about.map(([name, input]) => [name, input.value.trim()]));
    if (this.consent.hidden) [wanted.consent_version, wanted.consent_date] = ["", ""];
    await this.send(wanted);
  }

  async send(wanted) {
    this.error.textContent = "";
    try {
      await ask("/api/visit", wanted);
    } catch (error) {
      this.error.textContent = error.message;
    }
  }
}

/** The gate: an answer for every digit. */
export class Gate {
  constructor(missing, about) {
    const sides = [...new Set(missing.map((digit) => digit.split(" ")[0]))];
    this.error = h("p", { class: "error", role: "alert" });
    this.rows = missing.map((digit) => this.row(digit));
    this.element = h("section", { class: "gate" },
      h("h2", { text: t.setup.gate }),
      h("p", { class: "note", text: about }),
      h("form", { class: "sheet", onsubmit: (event) => this.answer(event) },
        ...sides.flatMap((side) => this.ofSide(side, missing)),
        this.error,
        h("p", { class: "buttons" }, h("button", { class: "main", text: t.setup.go }))));
  }

  ofSide(side, missing) {
    const rows = this.rows.filter((row) => row.digit.startsWith(`${side} `));
    const first = rows[0];
    const same = rows.length > 1 && h("button", {
      type: "button", text: t.setup.every,
      onclick: () => {
        for (const row of rows.slice(1)) {
          for (const name of ["allowed", "pain", "since", "cleared"]) row[name].value = first[name].value;
        }
      },
    });
    return [h("h3", { text: `${t.side[side]} (${missing.filter((digit) => digit.startsWith(side)).length})` }),
      first.element, same, ...rows.slice(1).map((row) => row.element)];
  }

  row(digit) {
    const [side, name] = digit.split(" ");
    const allowed = select(`allowed ${digit}`, [["", t.setup.choose], ...Object.entries(t.setup.allowed)], { required: true });
    const pain = h("input", { name: `pain ${digit}`, type: "number", min: 0, max: 10, step: 1, required: true, inputmode: "numeric" });
    const since = h("input", { name: `since ${digit}`, type: "date" });
    const cleared = h("input", { name: `cleared ${digit}`, maxlength: 40, autocomplete: "off" });
    const element = h("fieldset", {},
      h("legend", { text: `${t.side[side]} ${t.digits[name]}` }),
      field(t.setup.gate.split(":").pop().trim(), allowed), field(t.setup.pain, pain),
      field(t.setup.since, since), field(t.setup.cleared, cleared));
    return { digit, allowed, pain, since, cleared, element };
  }

  async answer(event) {
    event.preventDefault();
    this.error.textContent = "";
    try {
      for (const { digit, allowed, pain, since, cleared } of this.rows) {
        let line = `allow ${digit} ${allowed.value} pain ${pain.value}`;
        if (since.value) line += ` since ${since.value}`;
        if (cleared.value.trim()) line += ` cleared ${cleared.value.trim()}`;
        await ask("/api/visit/act", { line });
      }
    } catch (error) {
      this.error.textContent = error.message;
    }
  }
}
