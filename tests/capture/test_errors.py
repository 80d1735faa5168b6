"""Every error of capture says what happened and keeps its facts."""

from __future__ import annotations

import pytest

from capture import errors
from capture.errors import CaptureError, SourceError, SpecError


def test_one_except_clause_catches_every_error_of_the_room() -> None:
    classes = [each for each in vars(errors).values() if isinstance(each, type)]
    assert all(issubclass(each, CaptureError) for each in classes)


def test_an_error_is_shown_as_its_sentence_and_keeps_its_facts() -> None:
    assert str(SpecError("baud", "baud must be a number")) == "baud must be a number"
    assert SpecError("baud", "x").field == "baud"
    assert SourceError("/dev/ttyUSB0", "plug it in").target == "/dev/ttyUSB0"
    assert errors.PatternError("x").field == "pattern"
    assert errors.LayoutError("x").field == "frame"


@pytest.mark.parametrize(
    "kind",
    [
        errors.SourceMissingError,
        errors.SourceForbiddenError,
        errors.SourceBusyError,
        errors.SourceUnpluggedError,
        errors.SourceUnsupportedError,
    ],
)
def test_each_way_a_source_fails_can_be_told_apart(kind: type[SourceError]) -> None:
    with pytest.raises(SourceError) as caught:
        raise kind("/dev/ttyUSB0", "close the other program")
    assert caught.value.sentence == "close the other program"
