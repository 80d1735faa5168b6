"""The shop whose history is exported."""

from __future__ import annotations

import pytest
from fastapi.testclient import TestClient

from tests.api.bench import Person
from tests.api.exports.pulled import FORMULA


@pytest.fixture
def person(client: TestClient) -> Person:
    """Somebody with two trials of a saw with an awkward name, one open, and a roll."""
    who = Person(client)
    who.start(FORMULA, baseline="8.026", unit="in")
    who.press("0.475", "0.482", "0.520", "0.513", unit="in", caliper="-six, inch")
    who.post("/api/benches/main/swap-ends")
    who.press("0.51236", unit="in")
    who.start("Sled", method="roll", thickness="18.5")
    who.press("12.30", "12.31", "12.40", "12.42")
    return who
