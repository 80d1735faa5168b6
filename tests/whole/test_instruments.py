"""`bothends instruments` as its user meets it."""

from __future__ import annotations

import json

from tests.whole.commands import done


def test_it_answers_with_or_without_anything_plugged_in() -> None:
    plain = done("instruments")
    assert plain.returncode == 0
    assert plain.stderr == ""
    assert plain.stdout.strip()


def test_json_is_one_object_a_line() -> None:
    found = done("instruments", "--json")
    assert found.returncode == 0
    for line in found.stdout.splitlines():
        assert {"kind", "device", "spec", "likely", "missing", "remedy"} <= json.loads(line).keys()


def test_pairing_without_a_port_or_a_unit_says_what_is_needed() -> None:
    said = done("instruments", "--pair", "12.34")
    assert said.returncode == 2
    assert "such as 12.34 mm" in said.stderr
