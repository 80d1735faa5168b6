// On every page but the Bench's: while a series runs at this browser's bench, presses are answered
// here as well.

import { get, memory } from "../shared/http.js";

const bench = memory.get("bench", "main");

async function look() {
  const now = await get(`/api/benches/${encodeURIComponent(bench)}`);
  if (!now.series || now.series.finished_at) return;
  const { answer } = await import("./answering.js");
  answer(bench, now.series, now);
}

// Where the server does not answer, the page itself says so when it is asked for anything.
look().catch((error) => console.info(error.message));
