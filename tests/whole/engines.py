"""Firefox and WebKit as Debian has them, spoken to by WebDriver: what is asked of either."""

from __future__ import annotations

import json
import os
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Final, Protocol

from selenium.webdriver import Remote, WebKitGTKOptions, WebKitGTKService
from selenium.webdriver.common.bidi.browsing_context import BrowsingContext
from selenium.webdriver.common.bidi.input import Input
from selenium.webdriver.common.bidi.script import Script
from selenium.webdriver.common.bidi.session import Session
from selenium.webdriver.common.by import By
from selenium.webdriver.remote.client_config import ClientConfig
from selenium.webdriver.remote.remote_connection import RemoteConnection
from selenium.webdriver.remote.websocket_connection import WebSocketConnection

from tests.ptys import PATIENCE_S, until

# One page at a time, and nothing of a first start or of the network.
_PREFERENCES: Final = {
    "app.normandy.enabled": False,
    "browser.newtabpage.enabled": False,
    "browser.startup.page": 0,
    "datareporting.policy.dataSubmissionEnabled": False,
    "dom.ipc.processCount": 1,
    "dom.ipc.processPrelaunch.enabled": False,
    "fission.autostart": False,
}

# The window's own controls would keep it wider than a phone.
_NARROW: Final = "* { min-width: 0; padding: 0; margin: 0; border-width: 0; font-size: 1px; }"


class Engine(Protocol):
    """A browser with one page."""

    def open(self, url: str) -> None: ...
    def run(self, expression: str) -> Any:
        """What JavaScript makes of it, as JSON can say it."""

    def click(self, selector: str) -> None:
        """As a person does: at what is seen there."""

    def resize(self, width: int) -> None:
        """Give the page so many CSS pixels."""


class Firefox:
    """By WebDriver BiDi, which it speaks itself."""

    def __init__(self, connection: WebSocketConnection) -> None:
        self._pages = BrowsingContext(connection)
        self._scripts = Script(connection)
        self._hands = Input(connection)
        (page,) = self._pages.get_tree()
        self._page = page.context

    def open(self, url: str) -> None:
        self._pages.navigate(context=self._page, url=url, wait="complete")

    def run(self, expression: str) -> Any:
        answer = self._scripts.evaluate(
            expression=f"JSON.stringify({expression} ?? null)",
            target={"context": self._page},
            await_promise=False,
        )
        assert answer["type"] == "success", answer
        return json.loads(answer["result"]["value"])

    def click(self, selector: str) -> None:
        self.run(
            f"document.querySelector({json.dumps(selector)}).scrollIntoView({{ block: 'center' }})"
        )
        (found,) = self._pages.locate_nodes(
            context=self._page, locator={"type": "css", "value": selector}
        )
        element = {"type": "element", "element": {"sharedId": found["sharedId"]}}
        acts = [
            {"type": "pointerMove", "x": 0, "y": 0, "origin": element},
            {"type": "pointerDown", "button": 0},
            {"type": "pointerUp", "button": 0},
        ]
        self._hands.perform_actions(
            context=self._page, actions=[{"type": "pointer", "id": "mouse", "actions": acts}]
        )

    def resize(self, width: int) -> None:
        self._pages.set_viewport(context=self._page, viewport={"width": width, "height": 844})


class WebKit:
    """By WebDriver, of which WebKitGTK has a server; its small browser needs a display."""

    def __init__(self, driver: Remote) -> None:
        self._driver = driver

    def open(self, url: str) -> None:
        self._driver.get(url)

    def run(self, expression: str) -> Any:
        return json.loads(
            self._driver.execute_script(f"return JSON.stringify({expression} ?? null)")
        )

    def click(self, selector: str) -> None:
        self._driver.find_element(By.CSS_SELECTOR, selector).click()

    def resize(self, width: int) -> None:
        self._driver.set_window_size(width, 844)


@contextmanager
def firefox(folder: Path) -> Iterator[Engine]:
    told = "".join(
        f"user_pref({json.dumps(k)}, {json.dumps(v)});\n" for k, v in _PREFERENCES.items()
    )
    (folder / "user.js").write_text(told)
    where = folder / "WebDriverBiDiServer.json"
    command = ["firefox-esr", "--headless", "--no-remote", "--profile", str(folder)]
    with (folder / "log").open("w") as log:
        process = subprocess.Popen(
            [*command, "--remote-debugging-port", "0"], stdout=log, stderr=log
        )
    try:
        assert until(lambda: where.exists() and where.read_text().endswith("}"))
        at = json.loads(where.read_text())
        connection = WebSocketConnection(
            f"ws://{at['ws_host']}:{at['ws_port']}/session", timeout=PATIENCE_S, interval=0.005
        )
        try:
            Session(connection).new(capabilities={})
            yield Firefox(connection)
        finally:
            connection.close()
    finally:
        process.kill()
        process.wait()


@contextmanager
def webkit(folder: Path) -> Iterator[Engine]:
    style = folder / ".config" / "gtk-3.0" / "gtk.css"
    style.parent.mkdir(parents=True)
    style.write_text(_NARROW)
    options = WebKitGTKOptions()
    options.add_argument("--automation")
    options.add_argument("--full-screen")
    with _display() as display:
        environment = {**os.environ, "HOME": str(folder), "DISPLAY": display}
        service = WebKitGTKService("/usr/bin/WebKitWebDriver", env=environment)
        service.start()
        try:
            at = RemoteConnection(client_config=ClientConfig(service.service_url))
            with Remote(at, options=options) as driver:
                yield WebKit(driver)
        finally:
            service.stop()


@contextmanager
def _display() -> Iterator[str]:
    """A display that nobody sees; its name."""
    hears, says = os.pipe()
    command = ["Xvfb", "-displayfd", str(says), "-screen", "0", "1400x1000x24", "-nolisten", "tcp"]
    with (
        open(hears) as told,
        subprocess.Popen(command, pass_fds=(says,), stderr=subprocess.DEVNULL) as process,
    ):
        os.close(says)
        try:
            yield f":{told.readline().strip()}"
        finally:
            process.kill()
