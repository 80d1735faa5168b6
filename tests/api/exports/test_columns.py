"""The texts that stand in a pulled table's cells."""

from __future__ import annotations

from typing import get_args

import pytest

from api.exports.columns import words_in, words_text
from capture.records import Flag


@pytest.mark.parametrize("flag", get_args(Flag))
def test_every_flag_can_be_read_out_of_the_text_that_an_export_makes_of_it(flag):
    assert words_in(words_text([flag, "late"])) == [flag, "late"]
