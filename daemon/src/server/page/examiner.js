// The examiner's page. It shows what the program decided and tells it what the examiner does; it decides nothing but when
// it must raise an alarm by itself: when nothing has come for too long while somebody pulls.

import { Bench, BenchSetup, Judged, words } from "/bench.js";
import { Connection, STALE_MS } from "/connection.js";
import { ask, fill, h, write } from "/dom.js";
import { Done, force } from "/done.js";
import { hand } from "/hand.js";
import { t } from "/language.js";
import { Gate, Setup } from "/setup.js";
import { Sound } from "/sound.js";
import { Switch } from "/switch.js";
import { SECONDS, Trace } from "/trace.js";

const $ = (id) => document.getElementById(id);
const sound = new Sound();
let seat = localStorage.getItem("seat") ?? "opposite";
let view = null;
let shown = null;

const act = (line) => ask("/api/visit/act", { line }).catch((error) => view?.tell?.(error.message));
const state = () => connection.state;
/** Somebody pulls, or may at any moment. */
const loaded = () => state()?.phase === "visit" && (state().stage?.name === "pull" || state().feel === "pull");
const inVisit = () => state()?.phase === "visit" && state().stage?.name !== "gate";
const pedal = new Switch(loaded, act);

// --- the visit's view

function button(text, line, properties = {}) {
  return h("button", {
    type: "button", text, ...properties,
    onclick: (event) => {
      act(typeof line === "function" ? line() : line);
      event.currentTarget.blur();
    },
  });
}

class Visit {
  constructor() {
    this.task = h("h2", { id: "task" });
    this.which = h("p", { id: "which" });
    this.hint = h("p", { id: "hint" });
    this.drawing = h("div", { id: "drawing" });
    this.force = h("p", { id: "force" });
    this.peak = h("p", { id: "peak" });
    this.count = h("p", { id: "count", "aria-hidden": "true" });
    this.pace = h("div", { id: "pace", hidden: true });
    this.paceMark = h("span", { class: "mark" });
    this.paceWord = h("span", { class: "word" });
    this.pace.append(h("span", { class: "name", text: t.pace.title }), h("span", { class: "range" }, h("span", { class: "good" }), this.paceMark), this.paceWord);
    this.canvas = h("canvas", { id: "trace", role: "img", "aria-label": t.trace(SECONDS) });
    this.trace = new Trace(this.canvas);
    this.trials = h("div", { id: "trials" });
    this.then = h("p", { id: "then" });
    this.beside = h("p", { id: "beside" });
    this.told = h("p", { id: "told", role: "status" });
    this.tools = h("div", { id: "tools", role: "group" });
    this.element = h("section", { class: "visit" },
      h("div", { class: "what" }, this.task, this.which, this.hint),
      this.drawing,
      h("div", { class: "numbers" }, this.count, this.force, this.peak, this.pace),
      h("div", { class: "trace" }, this.canvas),
      h("div", { class: "list" }, this.trials, this.then, this.beside, this.told),
      this.tools);
    this.buttons();
  }

  tell(text) {
    write(this.told, text);
  }

  buttons() {
    const pain = h("select", { "aria-label": t.do.painLevel },
      h("option", { value: "", text: t.do.painUnknown }),
      ...Array.from({ length: 11 }, (_, level) => h("option", { value: level, text: level })));
    const note = h("input", { "aria-label": t.do.noteText, placeholder: t.do.noteText, maxlength: 200 });
    const grade = h("input", { "aria-label": t.do.grade, size: 3, maxlength: 3 });
    this.look = h("span", { class: "look" });
    this.seat = h("button", { type: "button", onclick: () => turnSeat() });
    this.tools.append(
      button(t.do.press, "", { class: "main" }), this.look,
      button(t.do.stop, "x", { class: "stop" }),
      button(t.do.pain, () => `p ${pain.value}`.trim()), pain,
      button(t.do.repeat, "r"),
      h("details", {}, h("summary", { text: t.do.more }), h("div", { class: "more" },
        button(t.do.slipped, "l"), button(t.do.invalid, "i"), button(t.do.skip, "s"), button(t.do.zero, "t"),
        button(t.do.accept, "y"),
        grade, button(t.do.grade, () => `g ${grade.value}`),
        note, button(t.do.note, () => `o text: ${note.value}`),
        this.seat,
        h("button", { type: "button", text: t.do.screen, onclick: () => this.screen() }))));
  }

  async screen() {
    const { url } = await ask("/api/links", { role: "participant" });
    this.tell(`${t.do.screenTold} ${url}`);
  }

  update(now) {
    const stage = now.stage?.name ?? "free";
    const item = now.item;
    document.body.dataset.stage = stage;
    write(this.which, item
      ? [`${cap(t.muscle(item))} — ${t.testOf(item)}`, now.window && item.loaded ? (now.window.familiarisation ? t.familiarisation : t.trialOf(...now.window.trial)) : t.itemOf(item)].join(", ")
      : now.title);
    write(this.hint, hint(now));
    fill(this.drawing, [item && [item.number, item.palm, item.push], seat], () => (item ? hand(item, seat) : []));
    write(this.seat, t.seat[seat]);
    write(this.count, now.count === null ? "" : String(now.count));
    this.list(now);
    fill(this.look, stage === "look" ? item.test : stage, () => {
      if (stage === "pain") return Array.from({ length: 11 }, (_, level) => button(String(level), `p ${level}`));
      return stage === "look" ? t.do.look[item.test].map((word) => button(word, `o ${item.test.replace("-", " ")}: ${word}`)) : [];
    });
    write(this.then, stage === "rest" || !item ? "" : afterwards(now));
    const told = now.said.at(-1) ?? "";
    if (told !== this.toldLast) this.tell((this.toldLast = told));
    // What was said before it is not true of a pull.
    else if (stage === "pull" && this.stageLast !== stage) this.tell("");
    this.stageLast = stage;
  }

  list(now) {
    const number = now.item?.number;
    const trials = now.trials.filter((trial) => trial.item === number);
    const result = now.results.find((result) => result.item === number);
    fill(this.trials, [number, trials, result], () => [
      h("h3", { text: t.trialsHere }),
      h("ol", {}, ...trials.map((trial) => h("li", { class: trial.valid ? "" : "not" },
        h("strong", { text: trial.peak_zero_n === null ? t.outcomes[trial.outcome] : `${force(trial.peak_zero_n)} N` }),
        trial.peak_zero_n !== null && trial.outcome !== "released" ? ` ${t.outcomes[trial.outcome]}` : "",
        trial.why_not ? ` — ${trial.why_not}` : ""))),
      !trials.length && h("p", { text: t.noTrials }),
      result?.mean_of_peaks_n && h("p", { class: "mean", text: t.mean(force(result.mean_of_peaks_n)) + (result.cv_percent === null ? "" : ` · ${t.cv(result.cv_percent.toFixed(0))}`) }),
    ]);
  }

  draw() {
    const now = state();
    const live = connection.live;
    const stale = connection.age() > STALE_MS;
    this.element.classList.toggle("stale", stale);
    // What was to be done when the last word came is not what is to be done without one.
    write(this.task, stale && loaded() ? t.task.lost : whatToDo(now));
    const hidden = !now.sees_force || ["look", "turn"].includes(now.stage?.name);
    write(this.force, stale ? t.noSignal : hidden ? "" : `${Math.max(-99, live.force_n).toFixed(1)} N`);
    write(this.peak, stale || hidden || !now.window ? "" : t.peak(force(live.peak_n)));
    write(this.beside, hidden ? "" : t.beside(now.sensor, live.beside ?? []));
    this.drawPace(now.window, live, stale);
    if (now.sees_force) this.trace.draw(connection, now.window);
    this.canvas.hidden = !now.sees_force;
  }

  drawPace(window, live, stale) {
    const range = window?.pace_n_per_s;
    this.pace.hidden = !range;
    if (!range) return;
    const [slow, fast] = range;
    const pace = live.pace_n_per_s ?? 0;
    const pulling = !stale && live.force_n > 0.2 * window.expected_n && pace > 0.2 * slow;
    this.pace.style.setProperty("--low", slow / (2 * fast));
    this.pace.style.setProperty("--at", pulling ? Math.min(1, pace / (2 * fast)) : 0);
    write(this.paceWord, !pulling ? t.pace.none : pace < slow ? t.pace.slow : pace > fast ? t.pace.fast : t.pace.good);
    this.pace.dataset.pace = !pulling ? "none" : pace < slow ? "slow" : pace > fast ? "fast" : "good";
  }
}

const cap = (text) => text.charAt(0).toUpperCase() + text.slice(1);

function afterwards({ item, after }) {
  if (!after) return t.nothingAfter;
  return after.number === item.number ? t.onceMore : `${t.after} ${t.muscle(after)}, ${t.testOf(after)}`;
}

function whatToDo(now) {
  const stage = now.stage?.name;
  if (now.cap?.reached) return t.task.stop;
  if (now.phase === "sealing") return t.task.sealing;
  if (["waiting", "gone", "silent", "other"].includes(now.sensor.link)) return t.link[now.sensor.link];
  switch (stage) {
    case "rest": return t.task.rest(now.stage.rest_s);
    case "turn": return t.task.turn(now.item);
    case "ready": return now.feel === "contact" ? t.task.touching : t.task.ready;
    case "pull": return now.count === 0 ? t.task.enough : now.window?.familiarisation ? t.task.half : t.task.pull[now.item.test];
    case "look": return t.task.look[now.item.test];
    case "zero": return t.task.zero;
    case "pain": return t.task.pain(now.stage.side);
    case "halted": return t.task.halted;
    default: return now.title ? t.task.done : t.task.free;
  }
}

function hint(now) {
  const stage = now.stage?.name;
  if (now.sensor.note) return now.sensor.note;
  if (stage === "ready" && !now.can_warn) return t.hint.cannotWarn;
  const said = now.item && ["ready", "rest", "look"].includes(stage) ? now.item.say && `“${now.item.say}”` : "";
  return [t.hint[stage], said].filter(Boolean).join(" ");
}

// --- what is on the page

function show(next) {
  view?.stop?.();
  view = next;
  $("main").replaceChildren(next.element);
}

let note = "";

function another() {
  shown = state().phase === "done" ? "again" : "setup";
  show(new Setup(state().refused, bench, note));
  note = "";
}

/** To the bench, from before or after a visit. */
function bench(isCheck) {
  shown = "bench setup";
  show(new BenchSetup(isCheck, another));
}

function render(now) {
  if (!now) return bar(now);
  const stage = now.stage?.name;
  const isBench = now.phase === "bench" || (now.phase === "sealing" && now.bench);
  const wanted = isBench ? "bench" : ["setup", "done", "judged"].includes(now.phase) ? now.phase : stage === "gate" ? "gate" : "visit";
  // Before and after a visit the page may be where the program does not know it to be.
  const elsewhere = (wanted === "done" && shown === "again") || (["setup", "done"].includes(wanted) && shown === "bench setup");
  if (wanted !== shown && !elsewhere) {
    shown = wanted;
    if (wanted === "setup") another();
    else if (wanted === "bench") show(new Bench());
    else if (wanted === "judged") show(new Judged((told) => (note = told)));
    else if (wanted === "gate") show(new Gate(now.stage.gate, now.ask_about));
    else if (wanted === "done") show(new Done(now, another, () => bench(true)));
    else show(new Visit());
  }
  if (wanted !== "visit") delete document.body.dataset.stage;
  if (view instanceof Visit || view instanceof Bench) view.update(now);
  else if (view instanceof Setup) write(view.error, now.refused || view.error.textContent);
  bar(now);
  hear(now);
}

function bar(now) {
  const sensor = now?.sensor;
  const name = !connection.open ? "offline" : ["visit", "bench"].includes(now?.phase) ? sensor.link : "setup";
  const text = typeof t.link[name] === "function" ? t.link[name](sensor.serial) : t.link[name] ?? name;
  write($("link"), [text, sensor?.missing_samples ? t.link.missing(sensor.missing_samples) : ""].filter(Boolean).join(" · "));
  $("link").dataset.state = name;
  write($("whose"), now?.participant ?? "");
  write($("left"), now?.phase === "visit" && now.remaining_s ? t.minutesLeft(now.remaining_s) : "");
  $("end").hidden = now?.phase !== "visit";
  write($("end"), t.end);
  const lacks = window.AudioContext && !sound.running;
  write($("sound"), lacks ? t.sound.off : sound.muted ? t.sound.muted : t.sound.on);
  $("sound").setAttribute("title", t.sound.mute);
  $("sound").classList.toggle("wanted", Boolean(lacks && now?.phase === "visit"));
}

// --- what is heard

let heard = {};

function hear(now) {
  const next = { stage: now.stage?.name, item: now.item?.number, count: now.count, near: Boolean(now.cap && !now.cap.reached), trial: now.window && JSON.stringify(now.window.trial) + now.item?.number,
    step: now.bench?.doing === "asking" ? now.bench.number : undefined };
  const before = heard;
  heard = next;
  alarms();
  if (view instanceof Bench && next.step && next.step !== before.step) return sound.say(words(now), [[660, 0.15]]);
  if (now.phase !== "visit" || before.stage === undefined) return;
  if (next.near && !before.near) return sound.warn();
  if (now.cap?.reached) return;
  if (next.stage === "pull" && before.stage !== "pull") {
    const go = now.window?.familiarisation ? t.say.half : t.say.go[now.item.test];
    return sound.say(now.count === null ? go : `${go}. ${now.count}`, [[660, 0.1], [0, 0.05], [990, 0.2]]);
  }
  if (next.count !== null && next.count !== before.count) return sound.count(next.count);
  if (next.stage !== before.stage || next.item !== before.item) {
    const words = t.say[next.stage];
    if (!words || typeof words !== "string") return;
    const about = now.item && ["rest", "turn", "look", "ready"].includes(next.stage) && next.item !== before.item ? `${t.say.next(now.item)}: ` : "";
    sound.say(about + words, [[440, 0.15]]);
  }
}

/** Seen and heard, whatever is muted. */
function alarms() {
  const now = state();
  const lost = loaded() && connection.age() > STALE_MS;
  const reached = now?.phase === "visit" && now.cap?.reached;
  const near = now?.phase === "visit" && now.cap && !now.cap.reached;
  const why = lost ? "lost" : reached ? "cap" : null;
  sound.alarm(why);
  const text = lost ? t.alarm.lost : reached ? t.alarm.cap : near ? t.alarm.nearCap : "";
  write($("alarm"), text);
  $("alarm").hidden = !text;
  $("alarm").dataset.level = why ?? "near";
}

function turnSeat() {
  seat = seat === "opposite" ? "beside" : "opposite";
  localStorage.setItem("seat", seat);
  render(state());
}

// --- keys, taps, time

const isField = (element) => element.matches?.("input, select, textarea, summary, button, a");

function key(event) {
  const first = !sound.running && window.AudioContext;
  sound.unlock();
  if (event.type === "keydown") setTimeout(() => bar(state()), 50);
  if (event.key === "Escape" && inVisit()) {
    // The participant's own switch: it stops, whatever has the focus.
    event.preventDefault();
    if (event.type === "keydown" && !event.repeat) act("x stopped by the participant");
    return;
  }
  const pressed = event.key === "Enter" || event.key === " ";
  if (pressed && view instanceof Bench && !isField(event.target)) {
    event.preventDefault();
    if (event.type === "keydown" && !event.repeat) view.press();
    return;
  }
  if (!pressed || !inVisit() || event.ctrlKey || event.altKey || event.metaKey) return;
  // A pull is stopped whatever has the focus; otherwise a button is a button.
  if (!loaded() && isField(event.target)) return;
  event.preventDefault();
  // The key that turns the sound on does nothing else, unless somebody pulls.
  if (first && !loaded()) return;
  if (event.type === "keyup") pedal.up();
  else if (!event.repeat) pedal.down();
}

document.addEventListener("keydown", key, { capture: true });
document.addEventListener("keyup", key, { capture: true });
document.addEventListener("pointerdown", () => {
  sound.unlock();
  setTimeout(() => bar(state()), 50);
});
$("sound").addEventListener("click", () => {
  if (sound.running) sound.mute(!sound.muted);
  bar(state());
});
$("end").addEventListener("click", () => {
  if (confirm(t.endSure)) ask("/api/visit/end", {}).catch((error) => view?.tell?.(error.message));
});

function frame() {
  if ((view instanceof Visit || view instanceof Bench) && state() && connection.live) view.draw(connection);
  if (state()) connection.word(sound.warns);
  requestAnimationFrame(frame);
}

const connection = new Connection(render);
window.speechSynthesis?.getVoices();
setInterval(alarms, 25);
requestAnimationFrame(frame);
