"""Set-up: what is proposed for a series, and what is asked about before it is started."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, get_args
from uuid import UUID

from fastapi import APIRouter, Query

from analysis.setup_lengths import Field
from analysis.units import Unit, without_unit
from api.answers.proposed import proposed
from api.answers.set_up import asked_lengths, check_stop
from api.answers.settings import FEWEST_PIECES, LONGEST_NAME, MOST_PIECES, new_series
from api.errors import InvalidField, NotFound
from api.store.rows import machines
from api.store.rows.machines import parse_id
from api.store.rows.stops import stop as stop_row
from api.store.rows.stops import stop_of
from api.store.squares import SQUARE
from api.web.asked import length_mm
from api.web.asked.machine import machine_named
from api.web.asked.series import series_asked
from api.web.asked.stop import stop_named
from api.web.asked.work import work_or_usual
from api.web.contract import may
from api.web.convert.set_up import proposed_out
from api.web.deps import TheServer, TheStore
from api.web.shapes.machines import MachineOut
from api.web.shapes.set_up import AskedLengthOut, LengthOut, ProposedOut, SetUpIn

router = APIRouter(tags=["series"])

_Text = Annotated[str, Query(max_length=40, description="as typed")]
_Length = Annotated[str | None, Query(max_length=40, description="as typed, in `unit`")]


@router.get("/length")
def read_length(text: _Text, unit: Unit = "mm") -> LengthOut:
    """What is understood by a length as it is typed: `8 1/32`, `8-1/32"`, `203,9`, `8 in`."""
    mm = length_mm("text", text, unit)
    if mm is None:
        raise InvalidField("text", "is needed: a length such as 120 or 4 3/4 in")
    return LengthOut(mm=mm, unit=without_unit(text)[1] or unit)


@router.get("/set-up/proposed", responses=may(404))
def propose_set_up(
    server: TheServer,
    store: TheStore,
    machine: Annotated[
        str | None,
        Query(max_length=LONGEST_NAME, description="by id or name; left out: a new one"),
    ] = None,
    stop: Annotated[str, Query(max_length=LONGEST_NAME, description="by id or name")] = SQUARE,
    work: Annotated[
        str | None,
        Query(max_length=LONGEST_NAME, description="what is made; else that of last time"),
    ] = None,
    method: Annotated[
        str | None, Query(max_length=LONGEST_NAME, description="only what was measured by it")
    ] = None,
) -> ProposedOut:
    """What to set the next series of a stop up with: as last time, for which work, and how many
    strips by what this stop has shown."""
    found = None if machine is None else machines.machine(store, parse_id(machine))
    at = None if found is None else stop_of(store, found.id, parse_id(stop))
    return proposed_out(proposed(store, found, at, server.methods, work, method))


@router.get("/set-up")
def get_set_up(
    server: TheServer,
    method: str,
    kind: Annotated[
        str | None, Query(max_length=100, description="of the machine: miter saw, planer, ...")
    ] = None,
    unit: Unit = "mm",
    baseline: _Length = None,
    thickness: _Length = None,
    inset: _Length = None,
    jaw_width: _Length = None,
    tolerance_joint: _Length = None,
    stop: UUID | None = None,
    pieces: Annotated[int | None, Query(ge=FEWEST_PIECES, le=MOST_PIECES)] = None,
) -> list[AskedLengthOut]:
    """The lengths that no bench of this kind uses, each with what may have been meant.

    No length is refused: a series starts with these, too. A stop that the method does not measure
    is, as the series would be.
    """
    if stop is not None:
        try:
            with server.reading() as store:
                row = stop_row(store, stop)
        except NotFound as error:
            raise InvalidField("stop", str(error)) from None
        check_stop(method, row, pieces, server.methods)
    lengths: dict[Field, str | None] = {
        "baseline": baseline,
        "thickness": thickness,
        "inset": inset,
        "jaw_width": jaw_width,
        "tolerance_joint": tolerance_joint,
    }
    return _asked(server, kind, method, unit, lengths)


@router.post("/set-up")
def check_set_up(body: SetUpIn, server: TheServer) -> list[AskedLengthOut]:
    """Whether a series could be started so, which stores nothing: refused as `POST /api/series`
    refuses it, else the lengths that no bench of this kind uses.

    A machine that is not on record is taken for a new one where its kind is said.
    """
    machine = _machine(server, body)
    stop = None if machine is None else stop_named(server, machine.id, body.stop)
    work = None if body.work is None else work_or_usual(server, body.work)
    asked = series_asked(body, stop, work)
    any_machine = UUID(int=0) if machine is None else machine.id
    new = new_series(asked, any_machine, server.methods, server.jaw_width_nm(asked.bench))
    lengths: dict[Field, str | None] = {name: getattr(body, name) for name in get_args(Field)}
    kind = body.kind if machine is None else machine.kind
    return _asked(server, kind, body.method, "in" if new.unit == "in" else "mm", lengths)


def _machine(server: TheServer, body: SetUpIn) -> MachineOut | None:
    try:
        return machine_named(server, body.machine)
    except InvalidField:
        if body.kind is None:
            raise
        return None


def _asked(
    server: TheServer,
    kind: str | None,
    method: str,
    unit: Unit,
    lengths: Mapping[Field, str | None],
) -> list[AskedLengthOut]:
    found = asked_lengths(kind, method, unit, lengths, server.methods)
    return [AskedLengthOut.model_validate(asked) for asked in found]
