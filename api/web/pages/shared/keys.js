// Catches what a caliper that types like a keyboard sends, whatever element has the focus.
//
// Such a caliper types 5 to 60 ms a character; a person is rarely under 100.
// So characters that follow each other faster than GAP_MS and end in Enter or Tab are a
// burst: one reading, decoded by the server from the keys as they were struck. Anything
// slower is a person, and goes into the field for typed values, so that nothing is lost.
// Times are taken from event.timeStamp alone: a busy page handles keys late and many at once.
// Silence has no time stamp: where it ended a burst and a later event shows that the next key
// followed at once, the burst continues, and the part that was sent is withdrawn.
// A burst less than DOUBT_MS behind other keys, with no end key between, may be the end of a
// value whose beginning was delayed: kept alone it would be a wrong, shorter value. This cannot
// be decided, so it is refused together with what came before it.

const GAP_MS = 100;
const DOUBT_MS = 1000;
// A caliper set to send no end key: so many characters, so fast, then silence.
const BARE_LEAST = 4;
const BARE_GAP_MS = 60;
const BARE_SILENCE_MS = 300;
// Text already in the field is a person's; a burst after it must be clearly one.
const AFTER_TEXT_LEAST = 4;
const LONGEST = 250;

// Keys that can be part of a number, under any layout.
const OF_NUMBER = /^(Digit\d|Numpad\w+|Period|Comma|Minus|Equal|Slash)$/;
const KEYPAD = /^Numpad(\d|Decimal|Comma|Add|Subtract)$/;
/** @type {Record<string, string>} */
const KEYPAD_TEXT = { NumpadDecimal: ".", NumpadComma: ",", NumpadAdd: "+", NumpadSubtract: "-" };
const NOT_TEXT = new Set(["button", "checkbox", "radio", "submit", "reset", "range", "color", "file", "image"]);

/**
 * Whether keys typed at `element` become text or a choice there.
 * @param {Partial<HTMLElement> | null} element
 */
export function takesText(element) {
  if (!element) return false;
  if (element.isContentEditable) return true;
  if (element.tagName === "INPUT") return !NOT_TEXT.has(/** @type {HTMLInputElement} */ (element).type);
  return element.tagName === "TEXTAREA" || element.tagName === "SELECT";
}

const focusedNow = () => /** @type {HTMLElement | null} */ (document.activeElement);

/**
 * Begin to catch. `field` is the field for typed values; `take(strokes, takenAt)` gets each
 * burst, its end key included. `withdraw(sent)` gets what `take` returned for a burst that was
 * not over; `take` gets all of it later. `refuse(strokes, brokenAt, takenAt)` gets a burst and
 * the keys before it where it can't be known what belongs together. `byHand()` is told that a person's
 * keys went into the field. Returns a function that stops.
 *
 * @template S
 * @param {{
 *   field: HTMLInputElement,
 *   take: (strokes: StrokeIn[], takenAt: Date) => S,
 *   withdraw?: (sent: S) => void,
 *   refuse?: (strokes: StrokeIn[], brokenAt: number, takenAt: Date) => void,
 *   byHand?: () => void,
 * }} handlers
 */
export function catchKeys({ field, take, withdraw, refuse, byHand }) {
  /** @typedef {{ strokes: StrokeIn[], sent: S }} Sent a burst, and what `take` returned for it */
  /** @type {StrokeIn[]} */
  let strokes = [];
  let last = -Infinity;
  let before = ""; // what the field held when this burst began
  let endedAt = -Infinity;
  /** @type {ReturnType<typeof setTimeout> | undefined} */
  let timer;
  /** @type {Sent | null} */
  let early = null; // the burst that silence ended, in case the rest of it comes late
  let loose = false; // whether the burst's keys were taken and are shown nowhere yet
  /** @type {Element | null} */
  let focused = null; // what had the focus when it began
  /** @type {{ strokes: StrokeIn[], before: string, taken?: Sent } | null} */
  let stray = null; // the keys before this burst: no end key, and less than DOUBT_MS, between
  const held = new Set(); // keys taken: their keyup must do nothing either

  /** @param {KeyboardEvent} event */
  const isCharacter = (event) => event.key.length === 1 || KEYPAD.test(event.code);
  /** @param {KeyboardEvent} event */
  const isEnd = (event) => event.key === "Enter" || event.key === "Tab" || event.code === "NumpadEnter";
  /** @param {StrokeIn[]} list */
  const textOf = (list) =>
    list
      .map((s) => (s.key.length === 1 ? s.key : (KEYPAD_TEXT[s.code] ?? s.code.replace("Numpad", ""))))
      .join("");
  const blank = () => strokes.every((s) => s.key === " ");

  /** @param {KeyboardEvent} event */
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

  /** @param {StrokeIn | null} end */
  function finish(end) {
    const burst = end ? [...strokes, end] : strokes;
    const takenAt = new Date(Date.now() - Math.max(0, performance.now() - burst[burst.length - 1].at_ms));
    const first = stray;
    stray = null;
    if (first && inDoubt(first)) {
      // What came before is shown with it; a person's text in the field stays.
      field.value = !first.taken && first.before === "" ? "" : before;
      forget();
      early = null;
      if (first.taken) withdraw?.(first.taken.sent);
      refuse?.([...first.strokes, ...burst], first.strokes.length, takenAt);
      return;
    }
    if (field.value !== before) field.value = before;
    forget();
    const sent = take(burst, takenAt);
    early = end ? null : { strokes: burst, sent };
  }

  // A whole value that silence ended may be followed by another whole one.
  /** @param {{ taken?: Sent }} first */
  const inDoubt = (first) => !first.taken || strokes.length < BARE_LEAST;

  /**
   * The keys just before a burst that starts at `at`.
   * @param {number} at
   * @param {Sent | null} sentEarly
   */
  function strayBefore(at, sentEarly) {
    if (at - last >= DOUBT_MS) return null;
    if (sentEarly) return { strokes: sentEarly.strokes, taken: sentEarly, before };
    const ofNumber = strokes.some((s) => OF_NUMBER.test(s.code) || /[0-9.,+−-]/.test(s.key));
    return ofNumber ? { strokes, before } : null;
  }

  /**
   * @param {Sent} part
   * @param {boolean} inField
   */
  function takeUpAgain(part, inField) {
    strokes = part.strokes;
    if (inField) field.value = before + textOf(strokes);
    withdraw?.(part.sent);
  }

  const machine = () => strokes.every((s, i) => i === 0 || s.at_ms - strokes[i - 1].at_ms <= BARE_GAP_MS);
  const bare = () => strokes.length >= BARE_LEAST && machine();

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
      } else if (stray?.taken) {
        finish(null); // the rest of a value that was taken as complete
      } else {
        giveBack();
      }
    }, 0);
  }

  // The keys taken were a person's: let them do what they would have done.
  function giveBack() {
    if (!loose) return;
    loose = false;
    if (blank()) {
      // Space does what it would have done, a tenth of a second late.
      if (focused?.matches("button, input, summary, a, [role=button]")) /** @type {HTMLElement} */ (focused).click();
      else scrollBy({ top: innerHeight * 0.85 });
      return;
    }
    const text = textOf(strokes);
    if (!/[0-9.,+-]/.test(text) || strokes.every((s) => s.key.length > 1)) return;
    // The strokes stay: if the rest of a burst comes late, all of it is taken.
    field.value = before + text;
    if (!takesText(focusedNow())) field.focus();
    byHand?.();
  }

  /** @param {KeyboardEvent} event */
  function keydown(event) {
    if (event.ctrlKey || event.metaKey || event.altKey || event.isComposing) return;
    const inField = event.target === field;
    if (!inField && takesText(/** @type {HTMLElement} */ (event.target))) {
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
    const sentEarly = early;
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
      // Faster than fingers, and only its end key delayed: a complete burst.
      const late_end = !fast && strokes.length > 1 && machine() && at - last < DOUBT_MS;
      // Enter came faster than fingers: the end of a value whose beginning came before.
      const tail = stray && machine() && at - last <= BARE_GAP_MS;
      const caliper = tail ? !blank() : (fast || late_end) && !blank() && (!inField || before === "" || strokes.length >= AFTER_TEXT_LEAST);
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
      stray = part ? null : strayBefore(at, sentEarly);
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

  /** @param {KeyboardEvent} event */
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
 * Call `changed(listening, why)` now and whenever it may have changed: a keyboard caliper's
 * keys reach this page only while it is in front.
 * @param {HTMLInputElement} field
 * @param {(listening: boolean, why: string) => void} changed
 */
export function watchListening(field, changed) {
  const look = () => {
    const active = focusedNow();
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
