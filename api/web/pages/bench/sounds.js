// The answer to a press as a sound: six sounds that differ in number, pitch and direction, so
// that they can be told apart beside a dust collector. And the result said aloud.

import { memory } from "../shared/http.js";

// Each note: [start s, length s, from Hz, to Hz, wave].
/** @type {Record<string, [number, number, number, number, "sine" | "triangle" | "square"][]>} */
const SOUNDS = {
  kept: [[0, 0.09, 880, 880, "sine"]],
  complete: [[0, 0.1, 880, 880, "sine"], [0.12, 0.22, 1320, 1320, "sine"]],
  "kept beside": [[0, 0.09, 880, 880, "sine"], [0.12, 0.09, 880, 880, "sine"], [0.24, 0.26, 587, 587, "sine"]],
  "taken back": [[0, 0.32, 700, 300, "triangle"]],
  swapped: [[0, 0.08, 560, 560, "triangle"], [0.1, 0.08, 840, 840, "triangle"], [0.2, 0.1, 560, 560, "triangle"]],
  refused: [[0, 0.14, 170, 170, "square"], [0.2, 0.14, 170, 170, "square"], [0.4, 0.2, 150, 150, "square"]],
};

/** @type {AudioContext | null} */
let context = null;
/** @type {OscillatorNode[]} */
let playing = [];

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
 * Play the sound of `name`; names it in `data-sounded`, so that tests can see it.
 * @param {string} name
 */
export function play(name) {
  const notes = SOUNDS[name];
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
