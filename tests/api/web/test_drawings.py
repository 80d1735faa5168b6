"""The drawings agree with the methods' own data; colours have enough contrast."""

from __future__ import annotations

import re
from itertools import combinations, pairwise, product
from xml.etree import ElementTree

import pytest

from analysis.methods import METHODS, Method, Side, Step, custom_method, steps_for
from api.web.pages.bench.view import cautions_for
from api.web.pages.shared.charts import width
from api.web.pages.shared.drawings import (
    lean_drawing,
    places_drawing,
    side_drawing,
    step_drawing,
    turn_between,
)
from api.web.pages.shared.static import PAGES

SIDES: tuple[Side, Side] = ("left", "right")
BLADE = 160.0


def drawn(method: Method, side: Side) -> list[tuple[Step, ElementTree.Element]]:
    """Each step that has a drawing, with the drawing read as XML."""
    steps = steps_for(method, side)
    texts = [step_drawing(steps, number, method) for number in range(len(steps))]
    return [
        (step, ElementTree.fromstring(text))
        for step, text in zip(steps, texts, strict=True)
        if text
    ]


def parts(picture: ElementTree.Element, css: str) -> list[ElementTree.Element]:
    return [e for e in picture.iter() if css in (e.get("class") or "").split()]


def words(picture: ElementTree.Element) -> str:
    return " | ".join(e.text or "" for e in picture.iter("text"))


def span(rect: ElementTree.Element) -> tuple[float, float]:
    left = float(rect.get("x") or 0)
    return left, left + float(rect.get("width") or 0)


@pytest.mark.parametrize(("method", "side"), list(product(METHODS.values(), SIDES)))
def test_the_board_lies_on_the_side_that_the_step_says(method, side):
    for step, picture in drawn(method, side):
        for board in parts(picture, "board"):
            left, right = span(board)
            assert (right <= BLADE) if step.board_side == "left" else (left >= BLADE)


@pytest.mark.parametrize(("method", "side"), list(product(METHODS.values(), SIDES)))
def test_the_strip_falls_to_the_side_that_was_chosen(method, side):
    for step, picture in drawn(method, side):
        if step.action != "cut again":
            continue
        (strip,) = parts(picture, "strip")
        left, right = span(strip)
        assert (right <= BLADE) if step.strip_falls == "left" else (left >= BLADE)
        assert {"open end", "strip", "fence end"} <= set(words(picture).split(" | "))


@pytest.mark.parametrize(("method", "side"), list(product(METHODS.values(), SIDES)))
def test_edge_on_the_fence_and_face_up_are_written_not_only_coloured(method, side):
    for step, picture in drawn(method, side):
        if not parts(picture, "board"):
            continue
        assert f"face {step.face_up} up" in words(picture)
        if step.edge_on_fence == "raw":
            assert "any straight edge" in words(picture)
        else:
            (tag,) = parts(picture, "on")
            assert [e.text for e in tag.iter("text")] == [step.edge_on_fence]
        assert picture.get("aria-label", "").startswith("Seen from above: the board lies")


@pytest.mark.parametrize("side", SIDES)
@pytest.mark.parametrize(
    ("key", "turns"),
    [
        ("reversal", ["over"]),
        ("half-turn", ["around"]),
        ("roll", ["roll"]),
        ("five-cut", ["quarter"] * 4),
    ],
)
def test_each_method_is_turned_its_own_way(key, turns, side):
    steps = steps_for(METHODS[key], side)
    found = [
        turn_between(before, step) for before, step in pairwise(steps) if step.action == "turn"
    ]
    # A panel's first quarter turn starts from an edge that has no letter yet.
    assert found == turns


@pytest.mark.parametrize("method", list(METHODS.values()), ids=list(METHODS))
def test_every_place_of_a_method_can_be_lit(method):
    picture = ElementTree.fromstring(places_drawing(method, numbered=True))
    places = parts(picture, "place")
    assert [e.get("data-place") for e in places] == [p.key for p in method.places]
    for number, (place, element) in enumerate(zip(method.places, places, strict=True), 1):
        assert parts(element, "pointer"), "a place is lit by shape, not by colour alone"
        assert str(number) in [e.text for e in element.iter("text")]
        written = " ".join(e.text or "" for e in parts(element, "label"))
        assert written == place.label.replace(",", "")


@pytest.mark.parametrize(("method", "side"), list(product(METHODS.values(), SIDES)))
def test_each_step_looks_other_than_the_one_before(method, side):
    """By what is there and what is written, not by where it lies."""
    seen = []
    for _, picture in drawn(method, side):
        there = sorted(e.get("class") or "" for e in picture.iter())
        looks = (there, sorted(e.text or "" for e in picture.iter("text")))
        marked = [e.get("data-place") for e in parts(picture, "next")]
        assert (looks, marked) not in seen
        seen.append((looks, marked))


@pytest.mark.parametrize("key", ["reversal", "five-cut"])
def test_the_fence_end_is_drawn_at_the_fence(key):
    picture = ElementTree.fromstring(places_drawing(METHODS[key]))
    heights = {e.get("data-place"): float(parts(e, "spot")[0].get("cy") or 0)
               for e in parts(picture, "place")}  # fmt: skip
    assert heights["fence end"] > heights["open end"], "the fence is at the bottom"


def test_no_two_places_of_a_method_cover_each_other():
    for method in METHODS.values():
        picture = ElementTree.fromstring(places_drawing(method))
        spots = [parts(e, "spot")[0] for e in parts(picture, "place")]
        at = {(spot.get("cx"), spot.get("cy")) for spot in spots}
        assert len(at) == len(spots), method.key


def label_boxes(picture: ElementTree.Element) -> list[tuple[str, float, float, float, float]]:
    """The words of a picture with their left, top, right and bottom, in a wide typeface."""
    found = []
    nexts = {id(e) for g in parts(picture, "next") for e in g.iter("text")}
    for e in picture.iter("text"):
        kinds = (e.get("class") or "").split()
        size = 13 if "small" in kinds else 14
        if "label" in kinds:
            size = 18 if id(e) in nexts else 16
        long = width(e.text or "") * size * 0.95
        x, y = float(e.get("x") or 0), float(e.get("y") or 0)
        left = x - (0 if "start" in kinds else long if "end" in kinds else long / 2)
        found.append((e.text or "", left, y - 0.7 * size, left + long, y + 0.15 * size))
    return found


@pytest.mark.parametrize("method", list(METHODS.values()), ids=list(METHODS))
def test_no_word_of_a_picture_stands_over_another_or_is_cut_off(method):
    pictures = [p for side in SIDES for _, p in drawn(method, side)]
    pictures += [ElementTree.fromstring(places_drawing(method, lit=p.key)) for p in method.places]
    for picture in pictures:
        right = float((picture.get("viewBox") or "").split()[2])
        boxes = label_boxes(picture)
        assert all(left >= -2 and end <= right + 2 for _, left, _, end, _ in boxes), boxes
        over = [
            (a[0], b[0])
            for a, b in combinations(boxes, 2)
            if a[1] < b[3] and b[1] < a[3] and a[2] < b[4] and b[2] < a[4]
        ]
        assert over == []


@pytest.mark.parametrize("key", ["closing-miters", "miter-pair"])
def test_mitred_pieces_are_drawn_mitred(key):
    for step, picture in drawn(METHODS[key], "left"):
        if step.action != "measure":
            pieces = [e for e in picture.iter() if e.get("class") in ("board", "strip", "uncut")]
            assert pieces
            assert all(e.tag == "path" for e in pieces), "none is a rectangle"
    cut = next(p for s, p in drawn(METHODS[key], "left") if s.action == "cut")
    x1, y1, x2, y2 = map(float, re.findall(r"[0-9.]+", parts(cut, "fresh")[0].get("d", "")))
    assert abs(x2 - x1) == y1 - y2, "at 45 degrees"


def test_a_method_of_ones_own_is_drawn_too():
    own = custom_method(
        {"key": "shim", "places": ["thin <end>", "thick & end"], "quantity": "length"}
    )
    picture = ElementTree.fromstring(places_drawing(own))
    assert "thin <end>" in words(picture)
    assert drawn(own, "left")


def test_the_small_drawings_show_left_and_right():
    for side in SIDES:
        picture = ElementTree.fromstring(side_drawing(side))
        (strip,), (board,) = parts(picture, "strip"), parts(picture, "board")
        assert (span(strip)[0] < span(board)[0]) == (side == "left")
    lean = ElementTree.fromstring(lean_drawing())
    assert {side for side in (*SIDES, "none") if parts(lean, side)} == {"left", "right", "none"}


def test_no_drawing_carries_style_that_the_security_policy_drops():
    for method, side in product(METHODS.values(), SIDES):
        for _, picture in drawn(method, side):
            assert not [e for e in picture.iter() if e.get("style") or e.tag == "style"]


@pytest.mark.parametrize("method", list(METHODS.values()), ids=list(METHODS))
def test_the_usual_cautions_are_said_before_every_cut(method):
    said = " ".join(cautions_for(method.cautions))
    if method.key in ("known-block", "same-spot", "reversed-square", "three-edges"):
        assert said == "", "no machine is touched"
        return
    assert "Unplug" in said
    assert cautions_for(method.cautions)[-1].startswith("The machine's manual")
    if any(step.action == "cut" for step in method.steps):
        assert "guards in place" in said
        assert "eye and hearing protection" in said
    if any("strip" in place.label or method.sided for place in method.places):
        for caution in ("not the narrow strip", "trap the strip", "has stopped", "climb toward"):
            assert caution in said


def test_the_cautions_are_those_of_the_kind_of_machine_and_of_none_less():
    every = cautions_for(METHODS["reversal"].cautions)
    assert cautions_for(METHODS["reversal"].cautions, "old friend") == every
    radial = cautions_for(METHODS["reversal"].cautions, "Radial-arm saw")
    assert radial == every
    for kind, own in (
        ("table saw", "thrown back"),
        ("table saw sled", "blade comes out"),
        ("sliding compound miter saw", "pull it out first"),
    ):
        said = " ".join(cautions_for(METHODS["reversal"].cautions, kind))
        assert own in said
        assert "climb" not in said
        assert all(caution in said for caution in every if "climb" not in caution)
    # One's own method keeps what its author wrote.
    assert cautions_for(("Mind the cat.",), "table saw")[0] == "Mind the cat."


# ---- the look


def tokens() -> dict[str, dict[str, str]]:
    """The colours of the light and the dark page."""
    light, dark = (
        (PAGES / "shared/tokens.css").read_text().split("@media (prefers-color-scheme: dark)")
    )
    found = re.compile(r"--([\w-]+): (#[0-9a-f]{6});")
    bright = dict(found.findall(light))
    return {"light": bright, "dark": bright | dict(found.findall(dark))}


def contrast(one: str, other: str) -> float:
    """Contrast ratio: WCAG 2.2, definitions of contrast ratio and relative luminance."""

    def luminance(colour: str) -> float:
        channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
        red, green, blue = (
            c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels
        )
        return 0.2126 * red + 0.7152 * green + 0.0722 * blue

    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def test_contrast_is_counted_as_the_standard_counts_it():
    # WCAG 2.2: black on white is 21 : 1.
    assert contrast("#000000", "#ffffff") == pytest.approx(21)


TEXT = (
    "ink", "ink-quiet", "act", "kept", "complete", "taken-back", "bounced", "refused",
    "good", "adjust", "cannot", "lit",
)  # fmt: skip


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("name", TEXT)
def test_every_text_can_be_read_on_every_ground(scheme, name):
    """4.5 : 1 at least: WCAG 2.2, 1.4.3."""
    colours = tokens()[scheme]
    for ground in ("ground", "sheet"):
        assert contrast(colours[name], colours[ground]) >= 4.5, (name, ground)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_buttons_fields_and_drawings_stand_out(scheme):
    """3 : 1 at least for what must be seen and is no text: WCAG 2.2, 1.4.11."""
    colours = tokens()[scheme]
    assert contrast(colours["on-act"], colours["act"]) >= 4.5
    for part in ("line", "focus", "fence", "blade", "wood-line"):
        assert contrast(colours[part], colours["sheet"]) >= 3, part
    assert contrast(colours["wood-line"], colours["wood"]) >= 3
