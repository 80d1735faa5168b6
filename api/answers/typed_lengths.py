"""Lengths as a person typed them, as the store keeps them: plain decimals of their unit."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from analysis.units import Unit, plain_length
from api.errors import InvalidField


def as_kept(field: str, text: str, unit: Unit) -> str:
    """The length as a decimal number of `unit`. Raises InvalidField for what is none."""
    try:
        return plain_length(text, unit)
    except ValueError as error:
        raise InvalidField(field, str(error)) from None


def plain_of(values: Mapping[str, Any], names: Iterable[str], unit: Unit) -> dict[str, Any]:
    """Those of the lengths `names` that `values` says. Raises InvalidField as `as_kept` does."""
    said = {name: values.get(name) for name in names}
    return {name: as_kept(name, text, unit) for name, text in said.items() if text is not None}
