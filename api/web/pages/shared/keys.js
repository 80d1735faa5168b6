// Catches what a caliper that types like a keyboard sends, wherever the focus is.
//
// The theory. Such a caliper types 5 to 60 ms a character; a person is rarely under 100.
// So characters that follow each other faster than GAP_MS and end in Enter or Tab are a
// burst: one reading, decoded by the server from the keys as they were struck. Anything
// slower is a person, and goes into the field for typed values, so that nothing is lost.
// Only event.timeStamp is asked for the time: a busy page handles keys late and in heaps.
// Silence alone is no key and has no stamp: where it ended a burst and a key turns out to have
// been struck right behind, the burst goes on, and the part that was sent is withdrawn.

export const GAP_MS = 100;
// A caliper set to send no end key: so many characters, so fast, then silence.
const BARE_LEAST = 4;
const BARE_GAP_MS = 60;
const BARE_SILENCE_MS = 300;
// Text that stands in the field already is a person's; a burst behind it must be plain.
const AFTER_TEXT_LEAST = 4;
const LONGEST = 250;

const KEYPAD = /^Numpad(\d|Decimal|Comma|Add|Subtract)$/;
const KEYPAD_TEXT = { NumpadDecimal: ".", NumpadComma: ",", NumpadAdd: "+", NumpadSubtract: "-" };
const NOT_TEXT = new Set(["button", "checkbox", "radio", "submit", "reset", "range", "color", "file", "image"]);

/** Whether keys typed at `element` become text or a choice there. */
export function takesText(element) {
  if (!element) return false;
  if (element.isContentEditable) return true;
  if (element.tagName === "INPUT") return !NOT_TEXT.has(element.type);
  return element.tagName === "TEXTAREA" || element.tagName === "SELECT";
}

/**
 * Begin to catch. `field` is the field for typed values; `take(strokes, takenAt)` gets each
 * burst, its end key included. `withdraw(sent)` gets what `take` returned for a burst that was
 * not over; `take` gets all of it later. Returns a function that stops.
 */
export function catchKeys({ field, take, withdraw = () => {} }) {
  let strokes = [];
  let last = -Infinity;
  let before = ""; // what the field held when this burst began
  let endedAt = -Infinity;
  let timer = null;
  let early = null; // the burst that silence ended, in case the rest of it comes late
  let loose = false; // whether the burst's keys were taken and stand nowhere yet
  let focused = null; // what had the focus when it began
  const held = new Set(); // keys taken, whose keyup must do nothing either

  const isCharacter = (event) => event.key.length === 1 || KEYPAD.test(event.code);
  const isEnd = (event) => event.key === "Enter" || event.key === "Tab" || event.code === "NumpadEnter";
  const textOf = (list) =>
    list
      .map((s) => (s.key.length === 1 ? s.key : (KEYPAD_TEXT[s.code] ?? s.code.replace("Numpad", ""))))
      .join("");
  const blank = () => strokes.every((s) => s.key === " ");

  function taken(event) {
    event.preventDefault();
    event.stopPropagation();
    held.add(event.code);
  }

  function forget() {
    clearTimeout(timer);
    strokes = [];
    loose = false;
  }

  function finish(end) {
    const burst = end ? [...strokes, end] : strokes;
    const age = performance.now() - burst[burst.length - 1].at_ms;
    if (field.value !== before) field.value = before;
    forget();
    const sent = take(burst, new Date(Date.now() - Math.max(0, age)));
    early = end ? null : { strokes: burst, sent };
  }

  function takeUpAgain(part, inField) {
    strokes = part.strokes;
    if (inField) field.value = before + textOf(strokes);
    withdraw(part.sent);
  }

  const bare = () =>
    strokes.length >= BARE_LEAST && strokes.every((s, i) => i === 0 || s.at_ms - strokes[i - 1].at_ms <= BARE_GAP_MS);

  function arm() {
    clearTimeout(timer);
    timer = setTimeout(quiet, GAP_MS + 20);
  }

  // Keys that a busy page has not handled yet come before a second turn of the timer.
  function quiet() {
    timer = setTimeout(() => {
      if (!strokes.length) return;
      if (bare()) {
        const left = last + BARE_SILENCE_MS - performance.now();
        if (left <= 0) finish(null);
        else timer = setTimeout(quiet, left);
      } else {
        giveBack();
      }
    }, 0);
  }

  // What was taken turns out to be a person's: it gets its meaning back.
  function giveBack() {
    if (!loose) return;
    loose = false;
    if (blank()) {
      // Space does what it would have done, a tenth of a second late.
      if (focused?.matches("button, input, summary, a, [role=button]")) focused.click();
      else scrollBy({ top: innerHeight * 0.85 });
      return;
    }
    const text = textOf(strokes);
    if (!/[0-9.,+-]/.test(text) || strokes.every((s) => s.key.length > 1)) return;
    // The strokes stay: should the rest of a burst come late, it is taken whole after all.
    field.value = before + text;
    if (!takesText(document.activeElement)) field.focus();
  }

  function keydown(event) {
    if (event.ctrlKey || event.metaKey || event.altKey || event.isComposing) return;
    const inField = event.target === field;
    if (!inField && takesText(event.target)) {
      giveBack();
      forget();
      return;
    }
    if (event.repeat) {
      // A key that sticks, or a caliper unplugged in mid-press, types one character.
      if (held.has(event.code)) event.preventDefault();
      return;
    }
    if (["Shift", "CapsLock", "NumLock", "AltGraph"].includes(event.key)) return;
    const at = event.timeStamp;
    const part = at - last < GAP_MS ? early : null;
    early = null;
    if (part && isEnd(event)) {
      taken(event); // Only the end key came late: what was sent is the whole.
      endedAt = at;
      return;
    }
    if (part && isCharacter(event)) takeUpAgain(part, inField);
    const fast = strokes.length > 0 && at - last < GAP_MS;
    const stroke = { key: event.key, code: event.code, shift: event.shiftKey, at_ms: Math.round(at * 10) / 10 };

    if (isEnd(event)) {
      const caliper = fast && !blank() && (!inField || before === "" || strokes.length >= AFTER_TEXT_LEAST);
      if (caliper) {
        taken(event);
        finish(stroke);
        endedAt = at;
      } else if (event.key !== "Tab" && at - endedAt < GAP_MS) {
        taken(event); // Carriage return and line feed can come as two Enters.
      } else {
        giveBack();
        forget();
      }
      return;
    }
    if (event.key === "ArrowDown" && at - endedAt < GAP_MS) {
      taken(event); // ... or as Enter and Down.
      return;
    }
    if (!isCharacter(event)) {
      giveBack();
      forget();
      return;
    }
    if (!fast) {
      giveBack();
      strokes = [];
      before = field.value;
      focused = document.activeElement;
    }
    if (strokes.length >= LONGEST) return;
    strokes.push(stroke);
    last = at;
    loose = !inField;
    if (!inField) taken(event);
    else if (event.key.length > 1) event.preventDefault(); // NumLock off: no jumping about
    arm();
  }

  function keyup(event) {
    if (held.delete(event.code)) event.preventDefault();
  }

  document.addEventListener("keydown", keydown, true);
  document.addEventListener("keyup", keyup, true);
  return () => {
    document.removeEventListener("keydown", keydown, true);
    document.removeEventListener("keyup", keyup, true);
    clearTimeout(timer);
  };
}

/**
 * Tell `changed(listening, why)` now and whenever it may have changed: a keyboard caliper's
 * keys reach this page only while it is in front.
 */
export function watchListening(field, changed) {
  const look = () => {
    const active = document.activeElement;
    if (document.hidden || !document.hasFocus()) changed(false, "this page is not in front: tap it");
    else if (active !== field && takesText(active)) changed(false, "typing goes into the form");
    else changed(true, "");
  };
  for (const kind of ["focus", "blur", "pageshow"]) addEventListener(kind, look);
  document.addEventListener("visibilitychange", look);
  document.addEventListener("focusin", look);
  document.addEventListener("focusout", () => setTimeout(look, 0));
  look();
}
