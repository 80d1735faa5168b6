"""What is plugged in on this computer, and what of it is listened to already."""

from __future__ import annotations

from dataclasses import dataclass

from api.instruments.listening import Listening, place_of
from api.settings import program
from capture.errors import SpecError
from capture.finding import Found, instruments
from capture.spec import parse_spec


@dataclass(frozen=True, slots=True)
class PluggedIn:
    """One thing that is plugged in. listened_as: the caliper it is already."""

    found: Found
    listened_as: str | None


def plugged_in(listening: Listening) -> list[PluggedIn]:
    """Everything plugged in that may be a caliper."""
    listened = {place_of(each.spec): each.name for each in listening.listened()}

    def name_of(found: Found) -> str | None:
        try:
            return listened.get(place_of(parse_spec(found.spec)))
        except SpecError:  # without a driver there is no spec
            return None

    return [PluggedIn(found, name_of(found)) for found in listed()]


def listed() -> list[Found]:
    """The same, as the system lists it."""
    return instruments(program())
