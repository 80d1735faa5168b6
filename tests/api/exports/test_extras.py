"""A library that is not installed is missed with the command that installs it."""

from __future__ import annotations

import csv

import pytest

from api.exports.extras import MissingExtra, find, needed
from capture.installed import add_command


def test_what_is_installed_is_given_or_found():
    assert needed("csv", "this") is csv
    find("csv", "this")


@pytest.mark.parametrize("look", [needed, find])
def test_what_is_missing_is_named_with_what_needs_it(look):
    with pytest.raises(MissingExtra) as missing:
        look("no_such_library", "Parquet")
    command = add_command("no_such_library")
    assert str(missing.value) == f"Parquet needs one more package; run: {command}"


def test_of_a_module_within_a_library_the_library_is_named():
    with pytest.raises(MissingExtra, match=r"pip install no_such_library$"):
        needed("no_such_library.parquet", "Parquet")
