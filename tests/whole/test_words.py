"""What a person reads, on every page that links lead to and in the answers behind them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Final

import pytest

from tests.whole.forked import serving
from tests.whole.serving import Serving
from tests.whole.shops import press
from tests.words import Text, Texts, capitals, faults, figures_without_unit, sentences

_SHOP: Final = (
    "Window bench miter saw",
    "Old radial arm",
    "Birch sled",
    "Small sled",
    "six-inch",
)
# The manual speaks of commands and of the API, and its prose is not a sign on a wall.
_OTHERS: Final = ("/api/", "/static", "/help")
# Each of these pages draws at random for a second, and they differ in their numbers alone.
_KNOWN: Final = 3
# What was asked for in a wrong way.
_REFUSED: Final = (
    "/nowhere",
    "/guide/no-such-method",
    "/series?from=yesterday",
    "/machine/{machine}/mend?span=wide",
    "/compare?a={part}&b={part}",
    "/compare?a={part}&b={reversal}",
    "/plan?error_deg=much",
    "/work?angle_deg=0.06&joint=none&gap=0.1",
    "/calipers/never%20heard",
)


def _measured(server: Serving, bench: str, *mm: float, **settings: str | None) -> str:
    """A series of another machine at another bench, finished."""
    series = server.start_series("Small sled", bench=bench, **settings)
    press(server, *mm, bench=bench)
    server.post(f"/api/series/{series}/finish")
    return series


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Serving, dict[str, str]]]:
    """The demo shop, and in it what the demo has not: series of one strip and of none, ones that
    read parts and studies, one with a doubtful strip, one that asks, one that runs."""
    with serving(tmp_path_factory.mktemp("words") / "demo", "--pretend") as server:
        stop = {"method": "stop-block", "baseline": None, "strip_side": None}
        length = {"tolerance_length": "0.2", "tolerance_nominal": "100"}
        part = _measured(server, "east", 100.1, 100.2, 100.1, **stop, **length)
        same = _measured(server, "east", 100.4, 100.2, 100.5, **stop, **length)
        one = _measured(server, "east", 12.0, 12.4, tolerance_deg="0.05")
        none = _measured(server, "east", tolerance_deg="0.05")
        machine = server.get(f"/api/series/{one}")["machine"]["id"]
        server.post("/api/setup-changes", {"machine": machine, "kind": "adjusted", "note": None})
        strips = [v for i in range(6) for v in (12.0, 12.4 + i / 100)]
        strips[6:8] = reversed(strips[6:8])
        reversal = _measured(server, "east", *strips, tolerance_deg="0.05")
        study = {"method": "same-spot", "baseline": None, "strip_side": None}
        _measured(server, "east", *(20 + i % 3 / 100 for i in range(12)), **study)
        block = {"method": "known-block", "baseline": "25", "strip_side": None}
        _measured(server, "east", 25.01, 25.02, 25.01, **block)
        inches = {"unit": "in", "baseline": "8", "tolerance_gap": "1/64", "tolerance_joint": "6"}
        _measured(server, "east", 12.0, 12.01, 12.0, 12.02, **inches)
        server.start_series("Small sled", bench="west", tolerance_deg="0.05", strips="3")
        press(server, 12.0, 12.02, 90.0, bench="west")
        yield server, {"part": part, "same": same, "none": none, "one": one, "reversal": reversal}


@pytest.fixture(scope="module")
def texts(shop: tuple[Serving, dict[str, str]]) -> dict[Text, str]:
    """Each text, and the first page that has it."""
    server, ids = shop
    ids["machine"] = server.get(f"/api/series/{ids['one']}")["machine"]["id"]
    todo = ["/", "/bench/west", "/plan", f"/compare?a={ids['part']}&b={ids['same']}"]
    todo += [f"/compare?a={ids['one']}&b={ids['reversal']}"]
    todo += [each.format(**ids) for each in _REFUSED]
    found: dict[Text, str] = {}
    seen: set[str] = set()
    for address in todo:
        known = address.endswith("/known") and sum(each.endswith("/known") for each in seen)
        if address in seen or address.startswith(_OTHERS) or known > _KNOWN:
            continue
        seen.add(address)
        page = Texts(server.client.get(address, headers={"Accept": "text/html"}).text)
        todo.extend(sorted(page.links))
        for text in page.texts:
            found.setdefault(text, address)
    assert len(seen) > 100
    return found


def _none(wrong: Iterable[str]) -> None:
    found = sorted(set(wrong))
    assert not found, "\n".join(found)


def test_no_page_says_a_word_that_has_another_one_on_screen(texts: dict[Text, str]) -> None:
    _none(f"{page}: {wrong}" for text, page in texts.items() for wrong in faults(text.said, _SHOP))


def test_every_figure_says_its_unit(texts: dict[Text, str]) -> None:
    _none(f"{page}: {each}" for text, page in texts.items() for each in figures_without_unit(text))


def test_every_label_is_in_sentence_case(texts: dict[Text, str]) -> None:
    _none(f"{page}: {text.said}" for text, page in texts.items() if capitals(text, _SHOP))


def test_no_sentence_of_the_api_says_otherwise(shop: tuple[Serving, dict[str, str]]) -> None:
    server, _ = shop
    paths = [
        "/api/machines",
        "/api/methods",
        "/api/works",
        "/api/rules",
        "/api/plan?error_deg=0.05",
    ]
    for each in server.get("/api/machines"):
        of = f"/api/machines/{each['id']}"
        paths += [of, f"{of}/history", f"{of}/map", f"{of}/works"]
    for each in server.get("/api/series?limit=100")["series"]:
        paths += [f"/api/series/{each['id']}{of}" for of in ("", "/next")]
    said = ((path, each) for path in paths for each in sentences(server.get(path)))
    _none(f"{path}: {wrong}" for path, each in said for wrong in faults(each, _SHOP))
