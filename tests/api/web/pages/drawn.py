"""Where the words and marks of a chart stand at a width of its panel, without a browser.

A letter is taken as wide as in a wide typeface, so that what does not overlap here overlaps in no
usual one.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from xml.etree.ElementTree import Element

from api.web.pages.shared.charts import width
from tests.api.web.pages.pictures import parsed

# By `charts.css`: the height of letters in px, the room beside a drawing and its height in letters.
LETTERS = 14.4
_BESIDE = {"plot": (5.0, 0.7), "ends": (5.0, 5.0), "rows": (0.5, 0.5)}
_WIDE, _ROOMY, _TIGHT = 45 * 16, 20 * 16, 16 * 16
# The panels of a screen 320, 390, 844 and 1280 px wide, and of a very wide one.
PANELS = (256, 330, 780, 928, 1500)


@dataclass(frozen=True)
class Box:
    """What it is, and its corners in px from the corner of the drawing."""

    what: str
    left: float
    top: float
    right: float
    bottom: float
    words: bool

    def over(self, other: Box) -> bool:
        return (
            self.left < other.right - 0.5
            and other.left < self.right - 0.5
            and self.top < other.bottom - 0.5
            and other.top < self.bottom - 0.5
        )


def boxes(picture: str, panel: float) -> list[Box]:
    """All words and marks that are seen in a panel so many px wide."""
    svg = parsed(picture)
    kinds = (svg.get("class") or "").split()
    left, right = _BESIDE["ends" if "ends" in kinds else kinds[1]]
    wide = panel - (left + right) * LETTERS
    high = float((svg.get("height") or f"{16 if panel >= _WIDE else 13}em")[:-2]) * LETTERS
    found = []
    for element in svg.iter():
        box = _box(element, wide, high, panel)
        if box:
            found.append(box)
    return found


def _box(element: Element, wide: float, high: float, panel: float) -> Box | None:
    tag, kinds = element.tag, (element.get("class") or "").split()
    if tag == "text":
        return _words(element, kinds, wide, high) if _seen(kinds, panel) else None
    if tag == "circle":
        x, y = _per_cent(element, "cx") * wide, _per_cent(element, "cy") * high
        return _around(tag, x, y, float(element.get("r") or 0))
    if tag == "svg" and element.get("width") == "1":
        (shape,) = element
        corners = (shape.get("points") or shape.get("d") or "").replace(",", " ")
        numbers = [float(n) for n in corners.replace("M", " ").replace("L", " ").split()]
        x, y = _per_cent(element, "x") * wide, _per_cent(element, "y") * high
        return _around(str(shape.get("class")), x, y, max(map(abs, numbers)))
    if tag == "line" and kinds[0] in ("interval", "change"):
        x1, x2 = (_per_cent(element, n) * wide for n in ("x1", "x2"))
        y1, y2 = (_per_cent(element, n) * high for n in ("y1", "y2"))
        return Box(kinds[0], min(x1, x2), min(y1, y2) - 1, max(x1, x2), max(y1, y2) + 1, False)
    return None


def _seen(kinds: list[str], panel: float) -> bool:
    if "wide" in kinds:
        return panel >= _WIDE
    if "narrow" in kinds:
        return panel < _WIDE
    if "roomy" in kinds:
        return panel >= _ROOMY
    return "medium" not in kinds or panel >= _TIGHT


def _words(element: Element, kinds: list[str], wide: float, high: float) -> Box:
    words = "".join(element.itertext())
    x = _per_cent(element, "x") * wide + _moved(element, "dx")
    y = _per_cent(element, "y") * high + _moved(element, "dy")
    long = width(words) * LETTERS
    left = x - (0 if "start" in kinds else long if "end" in kinds else long / 2)
    return Box(words, left, y - 0.76 * LETTERS, left + long, y + 0.22 * LETTERS, True)


def _around(what: str, x: float, y: float, half: float) -> Box:
    return Box(what, x - half, y - half, x + half, y + half, False)


def _per_cent(element: Element, name: str) -> float:
    return float((element.get(name) or "").removesuffix("%")) / 100


def _moved(element: Element, name: str) -> float:
    return float((element.get(name) or "0em").removesuffix("em")) * LETTERS


def overlaps(picture: str, panel: float) -> list[str]:
    """Words over other words, or over a mark, and words beyond the panel."""
    found = boxes(picture, panel)
    words = [box for box in found if box.words]
    assert words
    over = [f"{a.what} over {b.what}" for a, b in combinations(words, 2) if a.over(b)]
    over += [
        f"{a.what} over the mark {b.what}"
        for a in words
        for b in found
        if not b.words and a.over(b)
    ]
    kinds = (parsed(picture).get("class") or "").split()
    left, right = _BESIDE["ends" if "ends" in kinds else kinds[1]]
    inside = panel - (left + right) * LETTERS
    # Beside the drawing is as much room again, of the panel's own.
    room = 12
    over += [
        f"{w.what} beyond the panel"
        for w in words
        if w.left < -left * LETTERS - room or w.right > inside + right * LETTERS + room
    ]
    return over
