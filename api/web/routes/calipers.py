"""Calipers: all that were ever heard, adding and removing them, and their studies."""

from __future__ import annotations

from dataclasses import replace
from typing import Annotated, Literal
from uuid import UUID

from fastapi import APIRouter, HTTPException, Query, Request, Response
from pydantic import Field, StringConstraints
from sqlalchemy import Connection

from analysis.units import Unit, mm_text
from api.answers.caliper_studies import caliper_studies
from api.answers.caliper_until import caliper_until
from api.answers.settings import LONGEST_NAME, AskedSeries, jaws_nm, new_series
from api.errors import Conflict, InvalidField, NotFound, none_called
from api.instruments.calipers import CaliperRecord
from api.instruments.from_afar import NotFromAfar, check_by_request, check_from_afar
from api.instruments.listening import FileError, Listened, ListenError
from api.instruments.plugged_in import listed
from api.store.rows import series as rows
from api.store.rows.calipers import heard_as, is_known, known_calipers, readings_unit
from api.store.stamps import now
from api.web import convert
from api.web.asked import length_mm
from api.web.corrected import DryRun, IfMatch, corrected, said
from api.web.deps import AnyCaliper, TheAuthor, TheServer, TheStore
from api.web.new_names import may_name
from api.web.shapes import BenchName, CorrectionIn, In, LengthText, Name, Note, Out
from api.web.shapes.calipers import CaliperOnRecord, CaliperStudiesOut
from api.web.shapes.corrections import ResultsOut
from api.web.shapes.series import SeriesHead
from api.web.shapes.stops import CheckDays
from capture.errors import SpecError
from capture.spec import MAIN_BENCH, Spec, parse_spec

router = APIRouter(prefix="/calipers", tags=["calipers"])

# The machine of a study is the caliper itself.
_KIND = "caliper"


class ListenIn(In):
    """An instrument to listen to, as `--caliper` takes it; name, bench and unit, where given,
    take precedence over those in `spec`."""

    spec: Annotated[str, Field(min_length=1, max_length=1000)]
    name: Annotated[str, StringConstraints(min_length=1, max_length=64)] | None = None
    bench: Name | None = None
    unit: Unit | None = None


class CaliperChangeIn(CorrectionIn):
    """name: what it is called; that of another caliper makes the two one. jaw_width: of the flat
    jaws, measured along the strip, in `unit`; null, not known. readings_unit: what a number without
    a unit counts, in series that begin from now on; null, as it is listened to. retired: out of the
    lists. check_days: a person's own interval between checks. certificate: of it, or of the block
    that it is checked by."""

    name: Annotated[Name, StringConstraints(max_length=64)] | None = None
    note: Note | None = None
    jaw_width: LengthText | None = None
    unit: Unit = "mm"
    readings_unit: Unit | None = None
    retired: bool | None = None
    check_days: CheckDays | None = None
    certificate: Note | None = None


class ListenedOut(Out):
    """name: that it is heard under; called: what it is called."""

    name: str
    called: str
    bench: str
    spec: str
    remembered: bool


class ForgottenOut(Out):
    """`again`: it comes back at the next start, since it is named on the command line."""

    name: str
    bench: str
    again: bool


class StudyIn(In):
    """A study to start. block: the gauge block's stated size, in `unit`, for a known-block one;
    block_within: how far that may be off, nothing without it.
    instead: end the series that runs on the bench, where one does."""

    method: Literal["same-spot", "known-block"]
    bench: Name | None = None
    unit: Unit = "mm"
    block: LengthText | None = None
    block_within: LengthText | None = None
    person: Name | None = None
    repeats: Annotated[int, Field(ge=1, le=100)] = 1
    instead: bool = False


@router.get("")
def list_calipers(
    server: TheServer,
    store: TheStore,
    retired: Annotated[bool, Query(description="those that are retired too")] = False,
) -> list[CaliperOnRecord]:
    """Every caliper that is listened to or was ever heard, with its latest studies."""
    found = server.calipers_on_record(store)
    return [convert.caliper_on_record(each) for each in found if retired or not each.retired]


@router.post("", status_code=201)
def add_caliper(body: ListenIn, server: TheServer, any_caliper: AnyCaliper) -> ListenedOut:
    """Listen to an instrument from now on, and after the next start too.

    From another computer only to one that GET /api/instruments lists, by the `spec` that it gives,
    with options other than request; to others where the server was started with
    --allow-network-calipers.
    """
    spec = _spec(body)
    if not any_caliper:
        try:
            check_from_afar(spec, listed())
        except NotFromAfar as error:
            raise HTTPException(403, str(error)) from None
    listened = _kept(server, spec)
    return ListenedOut(
        name=listened.name,
        called=server.called.name(listened.name),
        bench=listened.bench,
        spec=str(listened.spec),
        remembered=True,
    )


@router.patch("/{name:path}")
def correct_caliper(
    name: str,
    body: CaliperChangeIn,
    response: Response,
    server: TheServer,
    author: TheAuthor,
    if_match: IfMatch = None,
    dry_run: DryRun = False,
) -> CaliperOnRecord | ResultsOut:
    """Correct what is said of a caliper; how wide its jaws are, and what a number without a unit
    counts, for series that begin from now on."""
    values = said(body, "name", "retired")
    values.pop("unit", None)
    if "jaw_width" in values:
        nm = jaws_nm(body.jaw_width, body.unit)
        values["jaw_width"] = None if nm is None else mm_text(nm)
    with server.reading() as store:
        heard = _on_record(server, store, name).heard_as[0]
    return corrected(
        server,
        response,
        lambda store: convert.caliper_on_record(_on_record(server, store, heard)),
        lambda seen: server.machine_records.caliper(heard, values, body.by(author, seen)),
        if_match,
        dry_run,
    )


def _on_record(server: TheServer, store: Connection, name: str) -> CaliperRecord:
    """The caliper that is called so, or else heard so. Raises NotFound where none is."""
    on_record = server.calipers_on_record(store)
    for each in on_record:
        if each.name == name:
            return each
    for each in on_record:
        if name in each.heard_as:
            return each
    raise none_called("caliper", name, [each.name for each in on_record])


@router.delete("/{name:path}")
def remove_caliper(name: str, server: TheServer, bench: BenchName | None = None) -> ForgottenOut:
    """Stop listening to a caliper and release its port. What it measured stays."""
    name = _listened_as(server, name, bench)
    try:
        gone = server.listening.forget(name, bench)
    except FileError as error:
        raise HTTPException(503, str(error)) from None
    except KeyError:
        if any(each.caliper == name for each in server.calipers(bench)):
            raise Conflict(
                f"{name} is listened to by a bench program elsewhere, or is the pretend one; stop"
                " it there"
            ) from None
        raise NotFound(f"{name} is not listened to, so nothing is left to end") from None
    return ForgottenOut(name=gone.name, bench=gone.bench, again=not gone.remembered)


def _listened_as(server: TheServer, name: str, bench: str | None) -> str:
    """The name under which a caliper is listened to that is called so; `name` where none is."""
    here = {state.caliper for state in server.calipers(bench)}
    # What it is called comes first: another one may be heard under that name.
    with server.reading() as store:
        return next((heard for heard in heard_as(store, name) if heard in here), name)


@router.get("/{name:path}/studies")
def get_caliper_studies(
    name: str,
    store: TheStore,
    tolerance: Annotated[
        str | None, Query(description="whole width of what is to be judged with it", max_length=40)
    ] = None,
    unit: Unit = "mm",
) -> CaliperStudiesOut:
    """How well caliper and hand repeat, and what the caliper reads on known blocks, over time."""
    if not is_known(store, name):
        raise none_called("caliper", name, [each.name for each in known_calipers(store)])
    width = length_mm("tolerance", tolerance, unit)
    found = caliper_studies(store, name, width)
    said = next(each for each in known_calipers(store) if name in (each.name, *each.heard_as))
    until = caliper_until(found, said.check_days, said.certificate, now())
    return convert.caliper_studies_out(found, until)


@router.post("/{name:path}/studies", status_code=201)
def start_caliper_study(
    name: str, body: StudyIn, request: Request, server: TheServer, author: TheAuthor
) -> SeriesHead:
    """Start a study of a caliper: its bench feeds the series from now on."""
    if body.method == "known-block" and body.block is None:
        raise InvalidField("block", "give the size that is stated on the block")
    with server.reading() as store:
        known = {each.name: each.bench for each in known_calipers(store)}
        read_in = readings_unit(store, name)
    as_heard = _listened_as(server, name, None)
    listened = next((each.bench for each in server.calipers() if each.caliper == as_heard), None)
    if listened is None and name not in known:
        raise none_called("caliper", name, list(known))
    bench = body.bench or listened or known.get(name) or MAIN_BENCH
    running = server.bench(bench).series
    if running is not None and not body.instead:
        raise Conflict(f"a series of {running.machine_name} runs on bench {bench}; finish it first")
    asked = AskedSeries(
        method=body.method,
        bench=bench,
        baseline=body.block if body.method == "known-block" else None,
        baseline_within=body.block_within if body.method == "known-block" else None,
        unit=body.unit,
        repeats=body.repeats,
        person=body.person,
    )
    # Everything is checked before anything is made.
    try:
        new = new_series(asked, UUID(int=0))
    except InvalidField as error:
        if error.field == "baseline_within":
            raise InvalidField("block_within", error.message) from None
        raise
    may_name(request, [bench])
    by = author.naming(body.person)
    machine = server.journal.add_machine(f"Caliper {name}"[:LONGEST_NAME], _KIND, by)
    series = server.journal.start(replace(new, machine_id=machine, readings_unit=read_in), by=by)
    with server.reading() as store:
        return convert.series_head(rows.series(store, series))


def _spec(body: ListenIn) -> Spec:
    try:
        spec = parse_spec(body.spec)
        options = {"name": body.name, "bench": body.bench, "unit": body.unit}
        given = {field: value for field, value in options.items() if value is not None}
        # Parsed again from its text, so that the same rules hold for name and bench.
        named = parse_spec(str(replace(spec, **given)))  # type: ignore[arg-type]
        return check_by_request(named)
    except SpecError as error:
        raise InvalidField(_field_of(error), str(error)) from None
    except ListenError as error:
        raise InvalidField(error.field, str(error)) from None


def _field_of(error: SpecError) -> str:
    return error.field if error.field in ("name", "bench", "unit") else "spec"


def _kept(server: TheServer, spec: Spec) -> Listened:
    try:
        return server.listening.add(spec)
    except ListenError as error:
        raise InvalidField(error.field, str(error)) from None
    except FileError as error:
        raise HTTPException(503, str(error)) from None
