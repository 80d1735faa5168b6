"""The Bench page: bytes, how soon it is usable, and how soon a press is seen.

Usable: from navigation to the frame in which the measuring view is shown with the next place
named. Press to pixel: a line's terminator is written to a pseudo-terminal; the clock stops
after the frame that shows the value, in a short series and in a long one, and in each with the
browser slowed to a quarter of this processor. Each press must be shown: the number of those that
never were is counted. Beside each, in the same browser:
a bare page of one file from the standard library's server, and a bare loop from a pseudo-terminal
over pyserial to an event stream that writes into that page, with no store between.
"""

from __future__ import annotations

import random
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from functools import partial
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from queue import Queue

import serial
from playwright.sync_api import Browser, Page, ViewportSize, sync_playwright

from benchmarks.measuring import Measurement
from capture.pretend import PtyPort
from tests.ptys import plugged
from tests.whole.browser import CHROMIUM, FLAGS
from tests.whole.serving import serving
from tests.whole.shops import cut

TRIALS = 10
MANY = 250
PRESSES = 500  # a quarter of them each: in a short and in a long series, and each slowed
VIEWPORT: ViewportSize = {"width": 390, "height": 844}

Lines = Queue[str | None]

# Stores a time under a name after the next frame was painted.
_NOTES = """
  globalThis.noted = {};
  globalThis.note = (name, at) => requestAnimationFrame(() => {
    const { port1, port2 } = new MessageChannel();
    port1.onmessage = () => { noted[name] ??= at(); };
    port2.postMessage(0);
  });
"""
_USABLE = """
  const look = () => {
    const element = document.querySelector(SELECTOR);
    const shown = element?.checkVisibility() && !/…|^$/.test(element.textContent.trim());
    if (shown) note("usable", () => performance.now());
    else requestAnimationFrame(look);
  };
  look();
"""
_SEEN = """() => {
  globalThis.noted = {};
  globalThis.awaited = {};
  const watched = document.querySelector(SELECTOR);
  globalThis.watching?.disconnect();
  globalThis.watching = new MutationObserver(() => {
    const text = parseFloat(watched.textContent).toFixed(2);
    requestAnimationFrame(() => {
      const { port1, port2 } = new MessageChannel();
      port1.onmessage = () => {
        noted[text] ??= performance.timeOrigin + performance.now();
        awaited[text]?.(noted[text]);
      };
      port2.postMessage(0);
    });
  });
  watching.observe(watched, { childList: true, subtree: true, characterData: true });
}"""
# When a value was shown, null where it is not within ten seconds.
_SHOWN = """(text) => noted[text] ?? new Promise((done) => {
  awaited[text] = done;
  setTimeout(() => done(null), 10_000);
})"""
_AWAITED = """async (name) => {
  for (let turn = 0; turn < 300 && !noted[name]; turn++)
    await new Promise((done) => setTimeout(done, 30));
  if (!noted[name]) throw new Error(`${name} was never seen`);
  return noted[name];
}"""

_BARE_PAGE = b"""<!doctype html><title>bare</title><p id="value"></p><script>
document.getElementById("value").textContent = "ready";
if (location.hash === "#live") new EventSource("/events").onmessage =
  (event) => { document.getElementById("value").textContent = event.data; };
</script>"""


@contextmanager
def bare_server(lines: Lines) -> Iterator[str]:
    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            self.send_response(200)
            kind = "text/event-stream" if self.path == "/events" else "text/html"
            self.send_header("Content-Type", kind)
            self.end_headers()
            if self.path != "/events":
                with suppress(BrokenPipeError):  # the browser has dropped the request for an icon
                    self.wfile.write(_BARE_PAGE)
                return
            while (line := lines.get()) is not None:
                self.wfile.write(f"data: {line}\n\n".encode())
                self.wfile.flush()

        def log_message(self, format: str, *args: object) -> None:
            pass

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.server_port}/"
    finally:
        lines.put(None)
        server.shutdown()
        thread.join()
        server.server_close()


def usable(browser: Browser, url: str, selector: str, loads: int, keeps: bool) -> list[float]:
    """ms to usable, each in a new browser; `keeps`: in one that has been there before."""
    took = []
    for _ in range(loads):
        context = browser.new_context(viewport=VIEWPORT)
        for _ in range(2 if keeps else 1):
            page = context.new_page()
            page.add_init_script(_NOTES + _USABLE.replace("SELECTOR", repr(selector)))
            page.goto(url, wait_until="commit")
            at = page.evaluate(_AWAITED, "usable")
            page.close()
        context.close()
        took.append(float(at))
    return took


def weight(browser: Browser, url: str, ready: str) -> list[float]:
    """kB over the wire until the page is ready."""
    page = browser.new_page(viewport=VIEWPORT)
    session = page.context.new_cdp_session(page)
    session.send("Network.enable")
    sizes: list[float] = []
    session.on("Network.loadingFinished", lambda event: sizes.append(event["encodedDataLength"]))
    page.goto(url, wait_until="load")
    page.wait_for_selector(ready)
    page.close()
    return [sum(sizes) / 1000]


def presses(page: Page, selector: str, port: PtyPort, count: int, lost: list[str]) -> list[float]:
    """ms from the terminator to the frame that shows the value, of each press that is shown; those
    that are not go to `lost`.

    Each is pressed once the one before is shown, as soon as a hand could: a little more than a
    quarter of a second after it, since what comes faster for long is an instrument that sends by
    itself.
    """
    page.evaluate(_SEEN.replace("SELECTOR", repr(selector)))
    pauses = random.Random(count)
    took = []
    for number in range(count):
        text = f"{10 + number / 100:.2f}"
        port.send(text.encode())
        began = time.time()
        port.send(b"\n")
        shown = page.evaluate(_SHOWN, text)
        if shown is None:
            lost.append(text)
        else:
            took.append(shown - began * 1000)
        page.wait_for_timeout(max(0.0, 1000 * (began - time.time()) + pauses.uniform(260, 320)))
    return took


def slowed(page: Page, rate: int) -> None:
    """Give the page's scripts and layout one part in `rate` of the processor."""
    session = page.context.new_cdp_session(page)
    session.send("Emulation.setCPUThrottlingRate", {"rate": rate})


@contextmanager
def bare_page(browser: Browser, url: str, port: PtyPort, lines: Lines) -> Iterator[Page]:
    """The bare page, which shows the lines that a loop reads from the port."""
    source = serial.Serial(port.target, timeout=0.2)
    over = threading.Event()

    def listen() -> None:
        buffer = b""
        while not over.is_set():
            buffer += source.read_until(b"\n")
            if buffer.endswith(b"\n"):
                lines.put(buffer.decode().strip())
                buffer = b""

    thread = threading.Thread(target=listen)
    thread.start()
    page = browser.new_page(viewport=VIEWPORT)
    page.goto(url + "#live")
    try:
        yield page
    finally:
        page.close()
        over.set()
        thread.join()
        source.close()


def measurements(short: bool) -> Iterator[Measurement]:
    loads, count = (2, 4) if short else (5, PRESSES // 4)
    lines: Lines = Queue()
    lost: list[str] = []
    with ExitStack() as stack:
        folder = stack.enter_context(tempfile.TemporaryDirectory())
        port, bare_port = (stack.enter_context(plugged()) for _ in range(2))
        spec = f"serial:{port.target},unit=mm"
        server = stack.enter_context(serving(Path(folder) / "shop", "--caliper", spec))
        bare = stack.enter_context(bare_server(lines))
        playwright = stack.enter_context(sync_playwright())
        browser = stack.enter_context(
            playwright.chromium.launch(executable_path=str(CHROMIUM), args=list(FLAGS))
        )
        server.start_series(baseline="200", tolerance_deg="0.1")
        server.calipers_listen()
        for number in range(2 * TRIALS):
            port.send(f"{11 + number / 50:.2f}\n".encode())
            time.sleep(0.05)
        yield Measurement(
            "bytes of the Bench page",
            "kB",
            partial(weight, browser, server.url, "#sign-live[data-on=true]"),
            {"bare page": partial(weight, browser, bare, "#value")},
            rounds=1,
        )
        for visit, keeps in (("first visit", False), ("seen before", True)):
            yield Measurement(
                f"the Bench page usable, {visit}",
                "ms",
                partial(usable, browser, server.url, "#next span", loads, keeps),
                {"bare page": partial(usable, browser, bare, "#value", loads, keeps)},
                rounds=2,
            )
        page = browser.new_page(viewport=VIEWPORT)
        page.goto(server.url)
        page.wait_for_selector("#sign-live[data-on=true]")
        beside = stack.enter_context(bare_page(browser, bare, bare_port, lines))
        for named, strips, rate in (
            ("press to pixel", 0, 1),
            ("press to pixel, a browser four times slower", 0, 4),
            (f"press to pixel, {MANY} strips", MANY, 1),  # from here on
            (f"press to pixel, {MANY} strips, a browser four times slower", 0, 4),
        ):
            if strips:
                cut(server, (0.1,) * strips)
            for each in (page, beside):
                slowed(each, rate)
            yield Measurement(
                named,
                "ms",
                partial(presses, page, "#value", port, count, lost),
                {
                    "bare loop and page": partial(
                        presses, beside, "#value", bare_port, count // 2, []
                    )
                },
                tails=not short,
                rounds=1,
            )
        yield Measurement(
            f"never shown, of those {4 * count} presses",
            "presses",
            lambda: [float(len(lost))],
            rounds=1,
        )
        page.close()
