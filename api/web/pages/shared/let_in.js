// What every page does about access: it takes a code out of its address, and says when this browser is
// let in no more, with a way to the door.

import { JOIN, LEFT_DOOR, NOT_LET_IN, whenEnded } from "./access.js";

// Whoever has access already needs no code; it must not stay where the next person sees it.
// The address whole: a path that begins with two slashes would name another server.
if (location.hash.startsWith(JOIN))
  history.replaceState(history.state, "", location.origin + location.pathname + location.search);

try {
  sessionStorage.removeItem(LEFT_DOOR); // it was left through
} catch {
  // It keeps nothing, so there is nothing to remove.
}

// The page at the same address is the door now.
const toTheDoor = () => location.reload();

whenEnded(() => {
  const bar = document.createElement("p");
  bar.className = "shut-out";
  bar.setAttribute("role", "alert");
  const door = Object.assign(document.createElement("button"), { type: "button", textContent: "Let it in again" });
  door.addEventListener("click", toTheDoor);
  bar.append(`${NOT_LET_IN} What was typed and waits here is kept, and is sent when it is let in again. `, door);
  document.body.prepend(bar);
  // It may be let in on another page of this browser.
  document.addEventListener("visibilitychange", async () => {
    if (document.visibilityState !== "visible") return;
    const answer = await fetch("/api/access/me").catch(() => null);
    if (answer?.ok && (await answer.json()).may) location.reload();
  });
});
