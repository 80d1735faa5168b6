"""The Bench page: bytes, how soon it is usable, and how soon a press is seen.

    python -m benchmarks.pages

Usable: from navigation to the frame in which the measuring view is shown with the next place
named. Press to pixel: a line's terminator is written to a pseudo-terminal; the clock stops
after the frame that shows the value. Beside each, in the same run and the same browser: a bare
page of one file from the standard library's server, and a bare loop from a pseudo-terminal
over pyserial to an event stream that writes into that page, with no store between.
"""

from __future__ import annotations

import statistics
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from queue import Queue

import serial
from playwright.sync_api import Browser, Page, sync_playwright

from tests.ptys import plugged
from tests.whole.browser import CHROMIUM, FLAGS
from tests.whole.serving import serving

LOADS = 15
PRESSES = 40
TRIALS = 10
VIEWPORT = {"width": 390, "height": 844}

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
  const watched = document.querySelector(SELECTOR);
  new MutationObserver(() => {
    const text = parseFloat(watched.textContent).toFixed(2);
    note(text, () => performance.timeOrigin + performance.now());
  }).observe(watched, { childList: true, subtree: true, characterData: true });
}"""
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
def bare_server(lines: Queue[str | None]) -> Iterator[str]:
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


def report(name: str, milliseconds: list[float], bare: list[float]) -> None:
    for what, values in ((name, milliseconds), ("  bare", bare)):
        print(
            f"{what:36s} median {statistics.median(values):6.1f} ms"
            f"  p95 {statistics.quantiles(values, n=20)[-1]:6.1f} ms"
        )
    ratio = statistics.median(milliseconds) / statistics.median(bare)
    print(f"{'  ratio of the medians':36s} {ratio:13.1f}")


def usable(browser: Browser, url: str, selector: str, *, keeps: bool) -> list[float]:
    """Milliseconds to usable, in a new browser each time or one that has been there before."""
    took = []
    context = browser.new_context(viewport=VIEWPORT)
    for number in range(LOADS + 1):
        if not keeps and number:
            context.close()
            context = browser.new_context(viewport=VIEWPORT)
        page = context.new_page()
        page.add_init_script(_NOTES + _USABLE.replace("SELECTOR", repr(selector)))
        page.goto(url, wait_until="commit")
        at = page.evaluate(_AWAITED, "usable")
        page.close()
        if number:  # the first warms server and browser up
            took.append(float(at))
    context.close()
    return took


def weight(browser: Browser, url: str) -> None:
    page = browser.new_page(viewport=VIEWPORT)
    session = page.context.new_cdp_session(page)
    session.send("Network.enable")
    sizes: list[float] = []
    session.on("Network.loadingFinished", lambda event: sizes.append(event["encodedDataLength"]))
    page.goto(url, wait_until="load")
    page.wait_for_selector("#sign-live[data-on=true]")
    print(f"{'bytes over the wire':36s} {sum(sizes) / 1000:6.1f} kB in {len(sizes)} answers")
    page.close()


def presses(page: Page, selector: str, press: object, send: object) -> list[float]:
    """Milliseconds from the terminator to the frame that shows the value."""
    assert callable(press)
    assert callable(send)
    page.evaluate(f"() => {{{_NOTES}}}")
    page.evaluate(_SEEN.replace("SELECTOR", repr(selector)))
    took = []
    for number in range(PRESSES):
        text = f"{10 + number / 100:.2f}"
        press(text)
        began = time.time()
        send()
        took.append(page.evaluate(_AWAITED, text) - began * 1000)
        # Waits until trial, score and next place are shown as well; also, readings four times a
        # second at an even rate are taken for an instrument that sends by itself.
        page.wait_for_timeout(300)
    return took


def bare_presses(browser: Browser, url: str, lines: Queue[str | None]) -> list[float]:
    page = browser.new_page(viewport=VIEWPORT)
    page.goto(url + "#live")
    with plugged() as port:
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
        took = presses(
            page, "#value", lambda text: port.send(text.encode()), lambda: port.send(b"\n")
        )
        over.set()
        thread.join()
        source.close()
    page.close()
    return took


def main() -> None:
    lines: Queue[str | None] = Queue()
    with (
        tempfile.TemporaryDirectory() as folder,
        plugged() as port,
        serving(Path(folder) / "shop", "--caliper", f"serial:{port.target},unit=mm") as server,
        bare_server(lines) as bare,
        sync_playwright() as playwright,
    ):
        browser = playwright.chromium.launch(executable_path=str(CHROMIUM), args=list(FLAGS))
        server.start_series(baseline="200", tolerance_deg="0.1")
        server.calipers_listen()
        for number in range(2 * TRIALS):
            port.send(f"{11 + number / 50:.2f}\n".encode())
            time.sleep(0.05)
        weight(browser, server.url)
        for name, keeps in (("usable, first visit", False), ("usable, seen before", True)):
            page_took = usable(browser, server.url, "#next span", keeps=keeps)
            report(name, page_took, usable(browser, bare, "#value", keeps=keeps))
        bare_took = bare_presses(browser, bare, lines)
        page = browser.new_page(viewport=VIEWPORT)
        page.goto(server.url)
        page.wait_for_selector("#sign-live[data-on=true]")
        took = presses(
            page, "#value", lambda text: port.send(text.encode()), lambda: port.send(b"\n")
        )
        report(f"press to pixel, {PRESSES} presses", took, bare_took)
        browser.close()


if __name__ == "__main__":
    main()
