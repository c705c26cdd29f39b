// The participant's page: what to do, the count, and of the force what the plan allows. And a button that stops.

import { Connection, STALE_MS } from "/connection.js";
import { ask, fill, h, write } from "/dom.js";
import { hand } from "/hand.js";
import { t } from "/language.js";
import { Sound } from "/sound.js";
import { SECONDS, Trace } from "/trace.js";

const $ = (id) => document.getElementById(id);
const sound = new Sound();
const task = h("h2", { id: "task" });
const count = h("p", { id: "count" });
const force = h("p", { id: "force" });
const drawing = h("div", { id: "drawing" });
const canvas = h("canvas", { id: "trace", role: "img", "aria-label": t.trace(SECONDS), hidden: true });
const trace = new Trace(canvas);
const stop = h("button", { class: "stop", type: "button", text: t.you.stopButton, onclick: () => ask("/api/visit/stop?as=participant", {}).catch(() => {}) });
$("main").append(h("section", { class: "visit you" }, h("div", { class: "what" }, task, count), drawing,
  h("div", { class: "numbers" }, force), h("div", { class: "trace" }, canvas), h("div", { id: "tools" }, stop)));

function whatToDo(now) {
  const stage = now.phase === "visit" ? now.stage?.name : now.phase;
  if (now.cap?.reached) return t.you.stop;
  switch (stage) {
    case "rest": return t.you.rest;
    case "turn": return t.you.turn;
    case "ready": return t.you.ready;
    case "pull": return now.count === 0 ? t.you.enough : now.window?.familiarisation ? t.you.half : t.you.pull[now.item.test];
    case "look": return t.you.look[now.item.test];
    case "halted": return t.you.rest;
    case "done": return t.you.done;
    default: return t.you.wait;
  }
}

function render(now) {
  if (!now) return;
  document.body.dataset.stage = now.stage?.name ?? "";
  write(task, whatToDo(now));
  write(count, now.count === null ? "" : String(now.count));
  fill(drawing, now.item && [now.item.number, now.item.palm], () => (now.item ? hand(now.item, "beside", { ...t.drawing, ...t.you.drawing }) : []));
  canvas.hidden = !now.sees_force;
  write($("link"), connection.open ? "" : t.link.offline);
  write($("sound"), sound.running ? (sound.muted ? t.sound.muted : t.sound.on) : t.sound.off);
}

$("sound").addEventListener("click", () => {
  if (sound.running) sound.mute(!sound.muted);
  sound.unlock();
  render(connection.state);
});

function frame() {
  const now = connection.state;
  if (now && connection.live) {
    const stale = connection.age() > STALE_MS;
    write(force, !now.sees_force ? "" : stale ? t.noSignal : `${connection.live.force_n.toFixed(1)} N`);
    if (now.sees_force) trace.draw(connection, now.window);
    connection.word(false);
  }
  requestAnimationFrame(frame);
}

let counted = null;
const connection = new Connection((now) => {
  render(now);
  if (now && now.count !== counted && now.count !== null) sound.count(now.count);
  counted = now?.count ?? null;
}, "participant");
requestAnimationFrame(frame);
