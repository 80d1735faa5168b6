"""Sentences as a page shows them: their measures marked, so that `units.js` can convert them."""

from __future__ import annotations

from collections.abc import Iterable

from markupsafe import Markup, escape

from analysis.sentences import Measure
from api.web.convert.sentences import parts
from api.web.shapes.sentences import MeasureOut, SentencePartOut


def said(text: str) -> Markup:
    """A sentence or another text with its measures marked; what is marked up already stays."""
    if isinstance(text, Markup):
        return text
    return _joined(parts(text))


def said_parts(parts: Iterable[SentencePartOut]) -> Markup:
    """The same of a sentence that came in parts."""
    return _joined((part.text, part.measure) for part in parts)


def _joined(parts: Iterable[tuple[str, Measure | MeasureOut | None]]) -> Markup:
    return Markup("").join(
        escape(shown) if measure is None else _marked(shown, measure) for shown, measure in parts
    )


def _marked(shown: str, measure: Measure | MeasureOut) -> Markup:
    sure = measure.uncertainty
    return Markup(
        '<data class="measure" value="{}"{}{} data-unit="{}" data-decimals="{}">{}</data>'
    ).format(
        measure.value,
        "" if sure is None else Markup(' data-u="{}"').format(sure),
        "" if shown.endswith(measure.unit) else Markup(' data-bare=""'),
        measure.unit,
        measure.decimals,
        shown,
    )
