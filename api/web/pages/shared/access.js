// Whether the server still lets this browser in, for all that asks it anything.
//
// Access ends while a page is open: somebody revoked it, or it was not used for long. From then on
// nothing more is asked, and what the page has kept waits.

export const NOT_LET_IN = "This device is not let in any more: its access has ended.";

/** What the fragment of an invitation's address begins with; the server has it in api/addresses. */
export const JOIN = "#join=";

/** The key in the session's storage that says how this browser left the door last. */
export const LEFT_DOOR = "bothends door";

let ended = false;
/** @type {(() => void)[]} */
const told = [];

export const hasEnded = () => ended;

/**
 * Call `tell` when access ends, at once where it has.
 * @param {() => void} tell
 */
export function whenEnded(tell) {
  if (ended) tell();
  else told.push(tell);
}

/** The server answered that it does not let this browser in. */
export function end() {
  if (ended) return;
  ended = true;
  for (const tell of told) tell();
}
