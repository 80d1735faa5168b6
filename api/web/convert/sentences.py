"""From sentences with their measured values to shapes."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Final, cast

from analysis.doubts import Doubt
from analysis.sentences import Led, Measure, MeasureUnit, Sentence
from api.answers.progress import Progress
from api.web.shapes.scores import NowOut
from api.web.shapes.sentences import MeasureOut, SentencePartOut
from api.web.shapes.series import ProgressOut

# Numbers with a unit as sentences write them, the first of "0.1 to 0.3 mm" too. "1 in 20" is none.
_NUMBER: Final = r"[0-9]{1,9}(?:\.[0-9]{1,9})?"
_WRITTEN: Final = re.compile(
    rf"(?<![\w.,/±−-])(?P<value>{_NUMBER})(?: ± (?P<sure>{_NUMBER}))?"
    r"(?: (?P<unit>mm per 300 mm|thou per foot|degrees|mm|thou|in)(?![\w/])(?! [0-9])"
    rf"|(?= to {_NUMBER} (?P<far>degrees|mm|thou|in)(?![\w/])))"
)
# Whole degrees are a stop's, which stay; after a whole number "in" is more often a word.
_NEVER_WHOLE: Final = ("degrees", "in")


def parts_out(text: str) -> list[SentencePartOut]:
    """A sentence in parts, so that a page can show its values in another unit."""
    return [
        SentencePartOut(
            text=shown, measure=None if part is None else MeasureOut.model_validate(part)
        )
        for shown, part in parts(text)
    ]


def parts(text: str) -> Iterator[tuple[str, Measure | None]]:
    """A text cut at its measures: those of a `Sentence` as exactly as it has them, those of any
    other as it writes them. One that is `Led` is cut after its lead and its joint too."""
    if isinstance(text, Sentence):
        yield from ((str(p), p if isinstance(p, Measure) else None) for p in text.parts)
        return
    if isinstance(text, Led):
        yield from ((text.lead, None), (text.joint, None), *parts(text.rest))
        return
    end = 0
    for found in _WRITTEN.finditer(text):
        value, sure = found["value"], found["sure"]
        unit = cast(MeasureUnit, found["unit"] or found["far"])
        if unit in _NEVER_WHOLE and "." not in value:
            continue
        uncertainty = None if sure is None else float(sure)
        decimals = len(value.partition(".")[2])
        yield text[end : found.start()], None
        yield found[0], Measure(float(value), uncertainty, unit, decimals)
        end = found.end()
    yield text[end:], None


def progress_out(found: Progress) -> ProgressOut:
    """How far a series is."""
    said = {name: getattr(found, name) for name in ("strips", "planned", "enough", "sentence")}
    return ProgressOut(**said, sentence_parts=parts_out(found.sentence))


def now_out(doubt: Doubt) -> NowOut:
    """What to do at once about a doubt."""
    now = doubt.now
    return NowOut(
        kind=doubt.kind,
        trials=list(now.trials),
        sentence=now.sentence,
        sentence_parts=parts_out(now.sentence),
        acts=list(now.acts),
    )
