// When something was, for a person: how long ago, and the moment itself.

/** @type {[number, string][]} */
const LENGTHS = [
  [86_400, "day"],
  [3600, "hour"],
  [60, "minute"],
];

/**
 * "2 hours ago": in whole days, hours or minutes; under a minute "just now".
 * @param {Date} at
 * @param {Date} now
 */
export function ago(at, now) {
  const seconds = (now.getTime() - at.getTime()) / 1000;
  for (const [length, word] of LENGTHS) {
    const count = Math.floor(seconds / length);
    if (count >= 1) return `${count} ${word}${count === 1 ? "" : "s"} ago`;
  }
  return "just now";
}

const DAY = new Intl.DateTimeFormat("en-GB", { day: "numeric", month: "long", year: "numeric" });
const CLOCK = new Intl.DateTimeFormat("en-GB", { hour: "2-digit", minute: "2-digit" });

/**
 * "3 March 2026".
 * @param {Date} at
 */
export const day = (at) => DAY.format(at);

/**
 * "3 March 2026, 09:05".
 * @param {Date} at
 */
export const minute = (at) => `${DAY.format(at)}, ${CLOCK.format(at)}`;
