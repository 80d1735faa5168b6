"""Series side by side: every trial shown, names as names, nothing drawn of nothing."""

from __future__ import annotations

from api.web.pages.compare import chart as comparison_chart
from tests.api.web.pages.drawn import PANELS, overlaps
from tests.api.web.pages.pictures import parsed
from tests.api.web.pages.pictures import words as words_of


def row(*values, half=0.01, name="Saw"):
    mean = sum(values) / len(values) if values else None
    return comparison_chart.Row(name, "2 March 2026", values, mean, half if values else None)


def test_a_comparison_shows_every_trial_in_its_own_shape():
    picture = parsed(
        comparison_chart.picture([row(0.1, 0.2, 0.3), row(-0.1, 0.0)], "deg", from_nominal=True).svg
    )
    dots = [e for e in picture.iter() if "dot" in (e.get("class") or "").split()]
    assert [e.tag.rpartition("}")[2] for e in dots] == ["circle"] * 3 + ["polygon"] * 2
    assert [e for e in picture.iter() if e.get("class") == "nominal"]


def test_equal_trials_and_series_without_any_can_be_drawn():
    picture = comparison_chart.picture([row(5.0, 5.0, half=0.0), row()], "mm", from_nominal=False)
    picture = picture.svg
    assert "no strips yet" in picture
    assert "nan" not in picture
    parsed(picture)
    assert comparison_chart.picture([row(), row()], "deg", from_nominal=True).svg == ""


def test_a_name_that_looks_like_code_is_drawn_as_a_name():
    name = "<script>alert(1)</script>" * 10
    picture = comparison_chart.picture([row(1.0, name=name), row(2.0)], "mm", from_nominal=False)
    picture = picture.svg
    assert "<script" not in picture
    assert any(words.startswith("A <script>") for words in words_of(picture))
    # Not by its letters: a wide panel has room for more of them than a narrow one.
    for panel in PANELS:
        assert overlaps(picture, panel) == []
