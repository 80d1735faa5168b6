"""Machines, and what happened to them."""

from __future__ import annotations

from fastapi import APIRouter

from api.needs import TheShop, TheStore
from api.problems import BadField
from api.shapes import MachineIn, MachineOut, SetupChangeIn, SetupChangeOut
from api.shop import parse_id
from api.store import queries
from api.store.journal import NotThere, now

router = APIRouter(tags=["machines"])


@router.get("/machines")
def machines(store: TheStore) -> list[MachineOut]:
    return queries.machines(store)


@router.post("/machines", status_code=201)
def add_machine(body: MachineIn, shop: TheShop) -> MachineOut:
    """Add a machine; one with the same name is given back as it is."""
    machine_id = shop.journal.add_machine(body.name, body.kind)
    with shop.reading() as store:
        return queries.machine(store, machine_id)


def machine_named(shop: TheShop, text: str) -> MachineOut:
    """The machine that a body names by id or name. Raises BadField where there is none."""
    try:
        with shop.reading() as store:
            return queries.machine(store, parse_id(text))
    except NotThere as error:
        raise BadField("machine", str(error)) from None


@router.post("/setup-changes", status_code=201)
def add_setup_change(body: SetupChangeIn, shop: TheShop) -> SetupChangeOut:
    """Record what happened to a machine, so that its history falls into phases."""
    machine = machine_named(shop, body.machine)
    at = body.moment() or now()
    change_id = shop.journal.add_setup_change(machine.id, body.kind, at, body.note)
    return SetupChangeOut(id=change_id, machine=machine.id, kind=body.kind, at=at, note=body.note)
