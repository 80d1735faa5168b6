// The answer to a press or an act as a sound: sounds that differ in number, pitch and direction, so
// that they can be told apart beside a dust collector. And the result said aloud.

import { memory } from "./http.js";

// Each note: [start s, length s, from Hz, to Hz, wave].
/** @type {Record<string, [number, number, number, number, "sine" | "triangle" | "square"][]>} */
const SOUNDS = {
  kept: [[0, 0.09, 880, 880, "sine"]],
  complete: [[0, 0.1, 880, 880, "sine"], [0.12, 0.22, 1320, 1320, "sine"]],
  "kept beside": [[0, 0.09, 880, 880, "sine"], [0.12, 0.09, 880, 880, "sine"], [0.24, 0.26, 587, 587, "sine"]],
  "taken back": [[0, 0.32, 700, 300, "triangle"]],
  undone: [[0, 0.32, 300, 700, "triangle"]],
  swapped: [[0, 0.08, 560, 560, "triangle"], [0.1, 0.08, 840, 840, "triangle"], [0.2, 0.1, 560, 560, "triangle"]],
  corrected: [[0, 0.1, 560, 560, "triangle"], [0.12, 0.16, 840, 840, "triangle"]],
  finished: [[0, 0.12, 660, 660, "sine"], [0.14, 0.12, 880, 880, "sine"], [0.28, 0.34, 1100, 1100, "sine"]],
  "not connected": [[0, 0.3, 440, 440, "triangle"], [0.34, 0.5, 330, 165, "triangle"]],
  "connected again": [[0, 0.2, 330, 330, "triangle"], [0.24, 0.3, 440, 660, "triangle"]],
  asked: [[0, 0.12, 500, 620, "sine"], [0.16, 0.26, 700, 1250, "sine"]],
  refused: [[0, 0.14, 170, 170, "square"], [0.2, 0.14, 170, 170, "square"], [0.4, 0.2, 150, 150, "square"]],
};

/** @type {AudioContext | null} */
let context = null;
/** @type {OscillatorNode[]} */
let playing = [];
let count = 0;

export const settings = {
  get sounds() {
    return memory.get("sounds", true);
  },
  set sounds(on) {
    memory.set("sounds", on);
  },
  get speech() {
    return memory.get("speech", true);
  },
  set speech(on) {
    memory.set("speech", on);
    if (!on) globalThis.speechSynthesis?.cancel();
  },
};

/** Whether a person must touch the page before it may sound. */
export function locked() {
  return settings.sounds && "AudioContext" in globalThis && context?.state !== "running";
}

/** To be called while handling a tap or a key; true once the page may sound. */
export async function unlock() {
  if (!("AudioContext" in globalThis)) return false;
  context ??= new AudioContext();
  if (context.state !== "running") await context.resume().catch(() => {});
  return context.state === "running";
}

/**
 * Let the first tap or key allow sounds, whatever it is for.
 * @param {() => void} [then] done after it
 */
export function unlockByTouch(then = () => {}) {
  // Not on pointerdown: a line that asks would disappear while the finger is down, and what the
  // person taps would move away.
  for (const kind of ["click", "keydown"]) addEventListener(kind, () => locked() && unlock().then(then), { passive: true });
}

/** How many sounds this page was asked for. */
export const asked = () => count;

/**
 * Play the sound of `name` to its end, as before the page is left.
 * @param {string} name
 */
export async function playOut(name) {
  if (!settings.sounds) return;
  // A browser without any sound may never say that it is unlocked.
  await Promise.race([unlock(), pause(0.2)]);
  play(name);
  if (context?.state === "running") await pause(Math.max(...(SOUNDS[name] ?? []).map(([start, length]) => start + length)));
}

/** @param {number} seconds */
const pause = (seconds) => new Promise((done) => setTimeout(done, 1000 * seconds));

/**
 * Play the sound of `name`; names it in `data-sounded`, so that tests can see it.
 * @param {string} name
 */
export function play(name) {
  const notes = SOUNDS[name];
  count += 1;
  if (!notes || !settings.sounds) return;
  document.documentElement.dataset.sounded = name;
  if (context?.state !== "running") return;
  // Only the newest: several at once, as after a break of the connection, could not be told apart.
  for (const tone of playing) tone.stop();
  playing = [];
  const now = context.currentTime + 0.005;
  for (const [start, length, from, to, wave] of notes) {
    const tone = context.createOscillator();
    const volume = context.createGain();
    tone.type = wave;
    tone.frequency.setValueAtTime(from, now + start);
    if (to !== from) tone.frequency.exponentialRampToValueAtTime(to, now + start + length);
    // Soft edges: a sudden start or end clicks, and the click would be the loudest part.
    volume.gain.setValueAtTime(0, now + start);
    volume.gain.linearRampToValueAtTime(wave === "sine" ? 0.5 : 0.3, now + start + 0.01);
    volume.gain.setValueAtTime(wave === "sine" ? 0.5 : 0.3, now + start + length - 0.03);
    volume.gain.linearRampToValueAtTime(0, now + start + length);
    tone.connect(volume).connect(context.destination);
    tone.start(now + start);
    tone.stop(now + start + length + 0.02);
    playing.push(tone);
  }
}

/**
 * Say `sentence` aloud, in place of anything still being said.
 * @param {string} sentence
 */
export function say(sentence) {
  if (!settings.speech || !globalThis.speechSynthesis) return;
  speechSynthesis.cancel();
  const words = new SpeechSynthesisUtterance(sentence);
  words.lang = "en";
  speechSynthesis.speak(words);
}
