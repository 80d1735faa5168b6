// Who corrects: a name that is remembered in this browser, for the pages that include who.html.

import { at } from "./elements.js";
import { memory } from "./http.js";

/** Who corrects, for the body of a request. */
export function by() {
  const who = memory.get("who", "");
  return who ? { who } : {};
}

if (document.getElementById("who")) {
  const field = at("who", HTMLInputElement);
  field.value = memory.get("who", "");
  field.addEventListener("change", () => memory.set("who", field.value.trim()));
}
