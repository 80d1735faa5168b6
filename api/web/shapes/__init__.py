"""Bodies of requests and answers over HTTP, as the OpenAPI document shows them: a file a subject,
and here what they are made of."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Any

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    StringConstraints,
    field_validator,
)
from pydantic_core import PydanticCustomError

from api.answers.settings import LONGEST_NAME, LONGEST_NOTE, UNSEEN, is_plain
from api.store.authors import Author
from api.store.trail import By, Seen


class In(BaseModel):
    """A request's body: an unknown field is an error, not ignored."""

    model_config = ConfigDict(
        extra="forbid", str_strip_whitespace=True, json_schema_extra=lambda shape: _say_nul(shape)
    )

    @field_validator("*", mode="before")
    @classmethod
    def _without_nul(cls, value: object) -> object:
        # PostgreSQL's text and the system's names cannot contain it, and no display shows it.
        texts = value if isinstance(value, list) else [value]
        if any(isinstance(text, str) and "\0" in text for text in texts):
            raise PydanticCustomError(
                "nul", "must not contain a NUL; send what was received, escaped"
            )
        return value


def _say_nul(shape: Any) -> None:
    """Say of each text in a body's schema that it holds no NUL, unless what is said is narrower."""
    parts = list(shape.get("properties", {}).values())
    for part in parts:
        if part.get("type") == "string" and part.keys().isdisjoint(("pattern", "format", "enum")):
            part["pattern"] = "^[^\\u0000]*$"
        parts += part.get("anyOf", [])
        parts += [part["items"]] if "items" in part else []


class Out(BaseModel):
    model_config = ConfigDict(from_attributes=True)


class EmptyIn(In):
    """Nothing. A request that changes something has a body all the same: its type shows that it
    comes from a program, not from a page of another site."""


def _as_text(value: object) -> object:
    """A length given as a JSON number is taken as the digits it shows."""
    if isinstance(value, int | float) and not isinstance(value, bool):
        return repr(value)
    return value


def _plausible(value: datetime) -> datetime:
    # A caliper's clock may be years off, and its moments are kept as sent; beyond these years a
    # moment is a mistake that no view of a history could show.
    if not 1970 <= value.year <= 2200:
        raise PydanticCustomError("moment", "must be a moment between 1970 and 2200")
    return value


def _plain(value: str) -> str:
    if not is_plain(value):
        raise PydanticCustomError("plain", "must be plain words, without control characters")
    return value


When = Annotated[
    datetime,
    AfterValidator(_plausible),
    Field(json_schema_extra={"pattern": "^(19[7-9][0-9]|2[01][0-9]{2}|2200)-"}),
]


LengthText = Annotated[str, BeforeValidator(_as_text), Field(max_length=40)]
"""A length as written, so that "8.026" stays exact."""
Millimetres = float
"""Of a whole number of nanometres: the shortest JSON number that reads back is that decimal."""
Name = Annotated[
    str,
    StringConstraints(min_length=1, max_length=LONGEST_NAME, strip_whitespace=True),
    AfterValidator(_plain),
    # Something is left without the spaces around it.
    Field(json_schema_extra={"pattern": f"^ *[^ {UNSEEN}][^{UNSEEN}]*$"}),
]
BenchName = Annotated[
    Name,
    StringConstraints(pattern=r"^[^/\\]+$"),
    Field(json_schema_extra={"pattern": rf"^ *[^ /\\{UNSEEN}][^/\\{UNSEEN}]*$"}),
]
Note = Annotated[str, StringConstraints(max_length=LONGEST_NOTE)]


class SignedIn(In):
    """who: the person who does it; left out, it is who holds the pass that asks, or nobody."""

    who: Name | None = None


class CorrectionIn(SignedIn):
    """Who corrects, and why; both may be left out."""

    reason: Note | None = None

    def by(self, author: Author, seen: Seen | None = None) -> By:
        who, through = author.naming(self.who)
        return By(who, self.reason or None, seen, through)

    def given(self) -> dict[str, Any]:
        """The fields that are to be said otherwise, by name, always in the same order."""
        said = self.model_fields_set - {"who", "reason"}
        return {name: getattr(self, name) for name in type(self).model_fields if name in said}
