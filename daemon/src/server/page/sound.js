// What is heard: spoken words by voices of this machine only (nothing is sent anywhere), tones where there is none.

import { language, t } from "/language.js";

export class Sound {
  constructor() {
    this.muted = localStorage.getItem("muted") === "yes";
    this.context = null;
    this.alarming = null;
    this.timer = null;
  }

  /** To be called in a handler of a key or a tap: browsers allow sound only then. */
  unlock() {
    if (!window.AudioContext) return;
    this.context ??= new AudioContext();
    if (this.context.state !== "running") this.context.resume().catch(() => {});
  }

  get running() {
    return this.context?.state === "running";
  }

  /** Somebody can be warned by this page: it is seen, and heard where the browser has sound at all. */
  get warns() {
    return document.visibilityState === "visible" && (this.running || !window.AudioContext);
  }

  mute(muted) {
    this.muted = muted;
    localStorage.setItem("muted", muted ? "yes" : "no");
    if (muted) window.speechSynthesis?.cancel();
  }

  voice() {
    const own = (window.speechSynthesis?.getVoices() ?? []).filter((voice) => voice.localService);
    return own.find((voice) => voice.lang.startsWith(language));
  }

  /** Says it; without a voice of this machine, or where that fails, the tones instead. */
  say(text, tones = [[660, 0.12]]) {
    if (this.muted) return;
    const voice = this.voice();
    if (!voice) return this.tones(tones);
    const words = new SpeechSynthesisUtterance(text);
    words.voice = voice;
    words.lang = voice.lang;
    words.rate = 1.2;
    words.onerror = (event) => {
      if (event.error !== "canceled" && event.error !== "interrupted") this.tones(tones);
    };
    speechSynthesis.cancel();
    speechSynthesis.speak(words);
  }

  /** Tones one after the other: frequency (Hz; 0 pause), length (s). */
  tones(list, kind = "sine", loud = 0.4) {
    if (!this.running) return;
    let at = this.context.currentTime + 0.005;
    for (const [frequency, seconds] of list) {
      if (frequency > 0) {
        const tone = this.context.createOscillator();
        const gain = this.context.createGain();
        tone.type = kind;
        tone.frequency.value = frequency;
        gain.gain.setValueAtTime(0, at);
        gain.gain.linearRampToValueAtTime(loud, at + 0.008);
        gain.gain.setValueAtTime(loud, at + seconds - 0.02);
        gain.gain.linearRampToValueAtTime(0, at + seconds);
        tone.connect(gain).connect(this.context.destination);
        tone.start(at);
        tone.stop(at + seconds);
      }
      at += seconds;
    }
  }

  count(number) {
    if (number === 0) this.say(t.say.enough, [[880, 0.4]]);
    else this.say(String(number), [[520, 0.09]]);
  }

  /** Near the limit: heard whatever is muted. */
  warn() {
    this.tones([[880, 0.12], [0, 0.06], [880, 0.12]], "square", 0.3);
  }

  /** Sounds until it is told to stop (`null`): `cap` or `lost`. Heard whatever is muted. */
  alarm(why) {
    if (this.alarming === why) return;
    this.alarming = why;
    clearInterval(this.timer);
    if (!why) return;
    window.speechSynthesis?.cancel();
    const tones = why === "cap" ? [[1200, 0.1], [0, 0.05], [1200, 0.1], [0, 0.05]] : [[700, 0.15], [450, 0.15]];
    const sound = () => this.tones(tones, "square", 0.5);
    sound();
    this.timer = setInterval(sound, 320);
  }
}
