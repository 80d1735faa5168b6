"""The core of the work in the other engines: a series from its set-up to the machine's page."""

from __future__ import annotations

import json
from collections.abc import Iterator

import pytest

from tests.ptys import until
from tests.whole.browser import TOO_WIDE, WIDTHS
from tests.whole.engines import Engine, firefox, webkit
from tests.whole.forked import serving
from tests.whole.serving import Serving


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Serving]:
    with serving(tmp_path_factory.mktemp("demo") / "shop", "--pretend") as running:
        yield running


@pytest.fixture(params=[firefox, webkit])
def engine(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Engine]:
    with request.param(tmp_path_factory.mktemp("engine")) as running:
        yield running


def test_a_machine_is_measured_from_set_up_to_its_page(engine: Engine, demo: Serving) -> None:
    def text(selector: str) -> str:
        """As it is seen; empty where it is not."""
        said: str = engine.run(
            "((e) => e.checkVisibility({ visibilityProperty: true }) ? e.textContent.trim() : '')"
            f"(document.querySelector({json.dumps(selector)}))"
        )
        return said

    def sees(selector: str, *words: str) -> None:
        assert until(lambda: all(word in text(selector) for word in words)), (words, text(selector))

    def shown(selector: str) -> None:
        seen = f"document.querySelector({json.dumps(selector)})"
        seen += ".checkVisibility({ visibilityProperty: true })"
        assert until(lambda: engine.run(seen)), selector

    def click(selector: str) -> None:
        shown(selector)
        engine.click(selector)

    def fill(selector: str, value: str) -> None:
        """As page.fill does, and in a list too."""
        engine.run(
            "((field) => {"
            f"field.value = {json.dumps(value)};"
            "field.dispatchEvent(new Event('input', { bubbles: true }));"
            "field.dispatchEvent(new Event('change', { bubbles: true }));"
            f"}})(document.querySelector({json.dumps(selector)}))"
        )

    def fits() -> None:
        for size in ("", "200%"):
            engine.run(f"document.documentElement.style.fontSize = '{size}'")
            for width in WIDTHS:
                engine.resize(width)
                assert until(lambda w=width: engine.run("innerWidth") == w)
                # The signs are fitted after the window has its size, on a busy machine later.
                fit = until(lambda: not engine.run(TOO_WIDE))
                assert fit, f"{width} px, text {size or '100%'}: {'; '.join(engine.run(TOO_WIDE))}"
        engine.run("document.documentElement.style.fontSize = ''")

    def press(times: int) -> None:
        for _ in range(times):
            before = text("#next")
            engine.click("#press")
            assert until(lambda b=before: text("#next") != b), before

    if running := demo.get("/api/benches/main")["series"]:
        demo.post(f"/api/series/{running['id']}/finish")
    engine.open(demo.url)
    sees("#sign-live", "live")
    click("#again")
    shown("#setup")
    fill("#machine", "")
    fill("#machine-name", f"Saw in {type(engine).__name__}")
    fill("#machine-kind", "table saw")
    fill("#baseline", "184")
    click("[name=work][value=own]")
    click("[name=tolerance][value=deg]")
    fill("#tolerance-deg", "0.5")
    fill("#strips", "")
    fits()
    click("#show-guide")
    click("#start")
    shown("#measuring")
    sees("#next", "fence end", "strip 1")
    press(6)
    sees("#next", "fence end", "strip 4")
    sees("#verdict", "Good enough")
    click("#take-back")
    sees("#state", "taken back")
    sees("#next", "open end", "strip 3")
    press(1)
    sees("#trials tbody", "3")
    fits()
    click("#finish")
    sees("#finished-title", "finished on")
    shown("#to-machine")
    engine.open(engine.run("document.querySelector('#to-machine').href"))
    sees("h1", "Saw in")
    sees("main", "good enough")
    fits()
