"""What of a set-up is refused or asked about before the first strip."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Row

from analysis.methods import Method
from analysis.methods import method as method_called
from analysis.setup_lengths import Field, length_question
from analysis.units import Unit, parse_length, unit_text
from api.answers.settings import measures_stop
from api.errors import InvalidField


@dataclass(frozen=True, slots=True)
class AskedLength:
    """A length that no bench of this kind uses. proposed: what may have been meant, in the unit of
    the lengths, the likeliest first."""

    field: Field
    sentence: str
    proposed: tuple[str, ...]


def asked_lengths(
    kind: str | None,
    method: str,
    unit: Unit,
    lengths: Mapping[Field, str | None],
    methods: Mapping[str, Method],
) -> list[AskedLength]:
    """What to ask about lengths as they were typed; empty ones are left out.

    kind: of the machine, as a person wrote it. Raises InvalidField for an unknown method, and for
    what is no length.
    """
    follows = _follows(method, methods)
    asked = []
    for field, text in lengths.items():
        if text is None or not text.strip():
            continue
        try:
            nm = parse_length(text, unit)
        except ValueError as error:
            raise InvalidField(field, str(error)) from None
        question = length_question(kind, follows, field, nm, unit)
        if question is not None:
            proposed = tuple(unit_text(each, unit) for each in question.proposed_nm)
            asked.append(AskedLength(field, question.sentence, proposed))
    return asked


def check_stop(
    method: str, stop: Row[Any], pieces: int | None, methods: Mapping[str, Method]
) -> None:
    """Raises InvalidField where the method does not measure this stop, a row of `tables.Stop`, or
    the frame does not close there."""
    follows = _follows(method, methods)
    nominal, bevel = float(stop.nominal_deg), float(stop.bevel_deg)
    measures_stop(follows, nominal, bevel, pieces or follows.pieces)


def _follows(method: str, methods: Mapping[str, Method]) -> Method:
    try:
        return method_called(method, methods)
    except ValueError as error:
        raise InvalidField("method", str(error).removeprefix("method: ")) from None
