"""What is plugged in and what is missing, and identifying a caliper by its send button."""

from __future__ import annotations

from typing import Annotated, Literal

from fastapi import APIRouter, HTTPException
from pydantic import Field

from analysis.units import Unit
from api.answers.typed_lengths import as_kept
from api.errors import Conflict, InvalidField
from api.instruments.calipers import in_words
from api.instruments.from_afar import NotFromAfar, check_by_request, check_search_from_afar
from api.instruments.identify import IdentifyProgress, NoneUnderWay, OneUnderWay, UnknownPort
from api.instruments.listening import ListenError
from api.instruments.plugged_in import plugged_in
from api.server import Server
from api.store.stamps import now
from api.web.convert.instruments import found_out
from api.web.deps import AnyCaliper, NothingToSay, TheServer
from api.web.shapes import In, LengthText, Out
from api.web.shapes.benches import Strokes
from api.web.shapes.instruments import FoundOut
from capture.errors import SpecError
from capture.identify import OPENING_CAUTION
from capture.keys import Stroke
from capture.spec import Spec, parse_spec

router = APIRouter(tags=["instruments"])

Text = Annotated[str, Field(min_length=1, max_length=1000)]


class HeardNow(Out):
    """A caliper that is listened to, here or at a bench elsewhere."""

    name: str
    bench: str
    state: str
    message: str
    words: str


class InstrumentsOut(Out):
    found: list[FoundOut]
    calipers: list[HeardNow]


class IdentifyIn(In):
    """leave_alone: devices or names of ports that must not be opened; a name that is no port's
    is refused. leave_alone_later: the same for ports that need not be here yet. also: ports that
    the system does not list, such as the address of a network converter. listen_to: devices that
    type, as GET /api/instruments lists them; they are taken from the system while they are
    listened to, so never one that you work with, and never the last keyboard."""

    leave_alone: list[Text] = Field(default_factory=list, max_length=100)
    leave_alone_later: list[Text] = Field(default_factory=list, max_length=100)
    also: list[Text] = Field(default_factory=list, max_length=20)
    listen_to: list[Text] = Field(default_factory=list, max_length=20)


class ShownIn(In):
    """What the caliper's display shows."""

    value: LengthText
    unit: Unit


class IdentifyKeysIn(In):
    strokes: Strokes


class PortOut(Out):
    device: str
    words: str


class LeftOutOut(Out):
    device: str
    why: str


class IdentifiedOut(Out):
    """The caliper that pressed. spec: for POST /api/calipers; null where it types into the
    page, which needs none."""

    spec: str | None
    sent: str
    sentence: str


class IdentifyOut(Out):
    """before: what opening the ports does, to be read before the start."""

    state: Literal["none", "listening", "identified", "given up"]
    before: str
    ports: list[PortOut]
    left_out: list[LeftOutOut]
    shown: str | None
    heard_keys: str | None
    identified: IdentifiedOut | None
    seconds_left: int
    message: str


@router.get("/instruments")
def get_instruments(server: TheServer) -> InstrumentsOut:
    """What is plugged in that may be a caliper, what it lacks, and what is listened to."""
    return InstrumentsOut(
        found=[found_out(each) for each in plugged_in(server.listening)], calipers=heard_now(server)
    )


@router.post("/identify", status_code=201)
def start_identifying(
    server: TheServer, any_caliper: AnyCaliper, body: IdentifyIn | None = None
) -> IdentifyOut:
    """Listen on every serial port at once for a caliper's send button.

    Opening a port can restart a small board behind it. It ends after five minutes, or after
    twenty seconds without a request to keep it. `also` and `listen_to` are for the server's own
    computer, or where the server was started with --allow-network-calipers.
    """
    asked = body or IdentifyIn()
    also = [_port(text) for text in asked.also]
    if not any_caliper:
        try:
            check_search_from_afar(also, asked.listen_to)
        except NotFromAfar as error:
            raise HTTPException(403, str(error)) from None
    try:
        return _out(
            server.identifying.start(
                asked.leave_alone, also, asked.leave_alone_later, asked.listen_to
            )
        )
    except UnknownPort as error:
        raise InvalidField(error.field, str(error)) from None
    except OneUnderWay:
        raise Conflict(
            "a caliper is being identified already; finish that, or cancel it, and start again"
        ) from None


@router.get("/identify")
def get_identifying(server: TheServer) -> IdentifyOut:
    """What was heard until now; this changes nothing."""
    return _out(server.identifying.progress())


@router.post("/identify/keep", dependencies=[NothingToSay])
def keep_identifying(server: TheServer) -> IdentifyOut:
    """Keep listening, and what was heard until now: a page sends it while it waits."""
    return _out(server.identifying.keep())


@router.post("/identify/shown")
def identify_by_display(body: ShownIn, server: TheServer) -> IdentifyOut:
    """Say what the display shows, before the press or after it."""
    shown = as_kept("value", body.value, body.unit)
    try:
        return _out(server.identifying.shown(f"{shown} {body.unit}"))
    except NoneUnderWay:
        raise _none() from None
    except ValueError as error:
        raise InvalidField("value", str(error)) from None


@router.post("/identify/keys")
def identify_keys(body: IdentifyKeysIn, server: TheServer) -> IdentifyOut:
    """A burst of keys that the page caught while it identified."""
    strokes = [Stroke(s.key, s.code, s.shift, s.at_ms) for s in body.strokes]
    try:
        return _out(server.identifying.keys(strokes))
    except NoneUnderWay:
        raise _none() from None


@router.delete("/identify")
def cancel_identifying(server: TheServer) -> IdentifyOut:
    """Release every port."""
    server.identifying.cancel()
    return _out(server.identifying.progress())


def heard_now(server: Server) -> list[HeardNow]:
    at = now()
    return [
        HeardNow(
            name=each.name,
            bench=each.bench,
            state=each.state,
            message=each.message,
            words=in_words(each.state, each.last_heard, at),
        )
        for each in server.calipers()
    ]


def _port(text: str) -> Spec:
    """A port as a person names it: an address, a device, or all that --caliper takes."""
    try:
        spec = parse_spec(text if text.startswith("serial:") else f"serial:{_doubled(text)}")
        return check_by_request(spec)
    except (SpecError, ListenError) as error:
        raise InvalidField("also", str(error)) from None


def _doubled(text: str) -> str:
    return text.replace(",", ",,")


def _none() -> Conflict:
    return Conflict("no caliper is being identified; start with POST /api/identify")


def _out(progress: IdentifyProgress) -> IdentifyOut:
    found = progress.found
    identified = None
    if found is not None:
        spec = None if found.spec is None else str(found.spec)
        identified = IdentifiedOut(spec=spec, sent=found.sent, sentence=found.sentence)
    return IdentifyOut(
        state=progress.stage,
        before=OPENING_CAUTION,
        ports=[PortOut.model_validate(each) for each in progress.ports],
        left_out=[LeftOutOut.model_validate(each) for each in progress.left_out],
        shown=progress.shown,
        heard_keys=progress.heard_keys,
        identified=identified,
        seconds_left=progress.seconds_left,
        message=progress.message,
    )
