"""The machine that a body names: by id, by name, and one that there is not."""

from __future__ import annotations

import pytest

from api.errors import InvalidField
from api.server import Server
from api.web.asked.machine import machine_named


def test_a_machine_is_found_by_its_id_and_by_its_name(server: Server) -> None:
    server.journal.add_machine("Sled", "table saw sled")
    saw = server.journal.add_machine("Window saw", "other")
    for text in ("Window saw", str(saw)):
        found = machine_named(server, text)
        assert (found.id, found.name, found.kind) == (saw, "Window saw", "other")


@pytest.mark.parametrize("text", ["Sled", "", "00000000-0000-7000-8000-000000000000"])
def test_a_machine_that_there_is_not_is_said_of_the_field(server: Server, text: str) -> None:
    server.journal.add_machine("Window saw", "other")
    with pytest.raises(InvalidField, match="there is Window saw") as caught:
        machine_named(server, text)
    assert caught.value.field == "machine"
