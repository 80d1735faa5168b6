"""A source that is over is told apart from one that may come back."""

from __future__ import annotations

import pytest

from capture import errors
from capture.errors import SourceError
from capture.sources import SourceEndedError


def test_an_end_is_a_fault_of_its_source_and_says_so():
    with pytest.raises(SourceError, match=r"^it has ended$") as told:
        raise SourceEndedError("standard input", "it has ended")
    assert (told.value.target, told.value.sentence) == ("standard input", "it has ended")


@pytest.mark.parametrize(
    "passing",
    [
        errors.SourceError,
        errors.SourceMissingError,
        errors.SourceBusyError,
        errors.SourceUnpluggedError,
    ],
)
def test_what_may_pass_is_not_taken_for_an_end(passing):
    assert not isinstance(passing("/dev/ttyUSB0", "plug it in"), SourceEndedError)
