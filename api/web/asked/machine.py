"""The machine that a request names."""

from __future__ import annotations

from api.errors import InvalidField, NotFound
from api.server import Server
from api.store.rows import machines as rows
from api.store.rows.machines import parse_id
from api.web.shapes.machines import MachineOut


def machine_named(server: Server, text: str) -> MachineOut:
    """The machine that a body names by id or name. Raises InvalidField where there is none."""
    try:
        with server.reading() as store:
            return MachineOut.model_validate(rows.machine(store, parse_id(text)))
    except NotFound as error:
        raise InvalidField("machine", str(error)) from None
