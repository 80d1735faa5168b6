"""Benches: their state, and what a person does there besides measuring."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Body, Depends, Request

from analysis.units import Unit
from api.answers.moments import aware
from api.answers.progress import progress
from api.answers.series import scored_at_hand
from api.answers.since_change import since_change
from api.answers.stop_angles import angle_text
from api.errors import Conflict
from api.store.stamps import now
from api.web import convert
from api.web.convert.next_act import since_change_out
from api.web.convert.sentences import now_out, progress_out
from api.web.deps import NothingToSay, TheAuthor, TheServer, TheSigned
from api.web.new_names import may_name, may_name_at_its_bench
from api.web.shapes import BenchName
from api.web.shapes.benches import (
    AwayIn,
    BenchOut,
    CalipersIn,
    ClockOut,
    KeysIn,
    KeysOut,
    PressedOut,
    RestoreIn,
    SwapEndsIn,
    TakeBackIn,
)
from api.web.shapes.next_act import BenchNowOut
from capture.keys import Stroke, read_strokes
from capture.records import (
    Away,
    CaliperState,
    Origin,
    Reading,
    Refusal,
    Restore,
    Stayed,
    SwapEnds,
    TakeBack,
)
from capture.values import NotUnderstood, Value, read_value

router = APIRouter(
    prefix="/benches/{name}", tags=["benches"], dependencies=[Depends(may_name_at_its_bench)]
)

# The page cannot see which keyboard or caliper its keys come from.
_KEYBOARD = "keyboard"


@router.get("")
def get_bench(name: BenchName, server: TheServer) -> BenchNowOut:
    found = _out(server, name)
    if found.series is None:
        return BenchNowOut(**dict(found), now=[], progress=None, since_change=[])
    with server.reading() as store:
        scored, doubts = scored_at_hand(store, found.series.id)
        since = since_change(store, scored.row)
    return BenchNowOut(
        **dict(found),
        now=[now_out(doubt) for doubt in doubts],
        progress=progress_out(progress(scored)),
        since_change=since_change_out(since),
    )


@router.post("/take-back")
def take_back_at_bench(
    name: BenchName,
    server: TheServer,
    author: TheAuthor,
    body: Annotated[TakeBackIn | None, Body()] = None,
) -> BenchOut:
    """Take back the last reading that counts, or the one named."""
    asked = body or TakeBackIn()
    server.journal.act(name, TakeBack(asked.reading), author.naming(asked.who))
    return _out(server, name)


@router.post("/swap-ends")
def swap_ends_at_bench(
    name: BenchName,
    server: TheServer,
    author: TheAuthor,
    body: Annotated[SwapEndsIn | None, Body()] = None,
) -> BenchOut:
    """Swap the names of the two ends of the last strip, or of the trial numbered."""
    asked = body or SwapEndsIn()
    server.journal.act(name, SwapEnds(asked.trial), author.naming(asked.who))
    return _out(server, name)


@router.post("/away")
def say_away(
    name: BenchName,
    server: TheServer,
    author: TheAuthor,
    body: Annotated[AwayIn | None, Body()] = None,
) -> BenchOut:
    """The machine was swung away and back to its stop: the next strip begins another visit."""
    asked = body or AwayIn()
    to = None if asked.to_deg is None else angle_text("to_deg", asked.to_deg)
    server.journal.act(name, Away(to_deg=to), author.naming(asked.who))
    return _out(server, name)


@router.post("/stayed")
def say_stayed(name: BenchName, server: TheServer, by: TheSigned) -> BenchOut:
    """It was not, as was said since the last strip: the next one belongs to the same visit."""
    server.journal.act(name, Stayed(), by)
    return _out(server, name)


@router.post("/restore")
def restore_at_bench(
    name: BenchName, server: TheServer, author: TheAuthor, body: RestoreIn
) -> BenchOut:
    """Count a reading that was set aside as a bounce."""
    server.journal.act(name, Restore(body.reading), author.naming(body.who))
    return _out(server, name)


@router.post("/keys")
def add_keys(name: BenchName, body: KeysIn, server: TheServer, author: TheAuthor) -> KeysOut:
    """Read a burst of keys that the page caught, as a keyboard caliper types them."""
    strokes = [Stroke(s.key, s.code, s.shift, s.at_ms) for s in body.strokes]
    typed = read_strokes(strokes, broken_at=body.broken_at)
    if isinstance(typed, NotUnderstood):
        return _refused(name, body, server, typed.text, typed.reason)
    unit = body.unit or _series_unit(server, name)
    value = read_value(typed.text, unit)
    if not isinstance(value, Value) and isinstance(read_value(typed.text, "mm"), Value):
        return _refused(
            name,
            body,
            server,
            typed.text,
            "no unit: start a series, or type the unit after the number",
        )
    if not isinstance(value, Value):
        reason = value.reason if isinstance(value, NotUnderstood) else "a message, no length"
        return _refused(name, body, server, typed.text, reason)
    origin: Origin = "keys" if typed.burst else "typed"
    reading = Reading(
        id=body.id,
        bench=name,
        caliper=_KEYBOARD,
        sent=value.sent,
        unit=value.unit,
        nm=value.nm,
        taken_at=body.moment(),
        origin=origin,
    )
    server.journal.keep([reading], by=author)
    return KeysOut(kept=True, sent=value.sent, origin=origin)


def _refused(name: str, body: KeysIn, server: TheServer, text: str, reason: str) -> KeysOut:
    server.journal.refuse(
        Refusal(
            id=body.id,
            bench=name,
            caliper=_KEYBOARD,
            raw=text,
            reason=reason,
            heard_at=body.moment(),
        )
    )
    return KeysOut(kept=False, sent=text, reason=reason)


@router.post("/calipers")
def tell_calipers(
    name: BenchName, body: CalipersIn, request: Request, server: TheServer
) -> ClockOut:
    """Report the states of a distant bench's instruments; its clock is compared with ours."""
    may_name(request, [name], {each.name for each in body.calipers})
    server.heard_of(
        [
            CaliperState(
                bench=name,
                caliper=c.name,
                state=c.state,
                message=c.message,
                last_heard=None if c.last_heard is None else aware(c.last_heard),
            )
            for c in body.calipers
        ]
    )
    behind_ms = round((now() - aware(body.sent_at)).total_seconds() * 1000)
    server.journal.compare_clock(name, behind_ms)
    return ClockOut(behind_ms=behind_ms)


@router.post("/pretend-press", dependencies=[NothingToSay])
def press_pretend_caliper(name: BenchName, server: TheServer) -> PressedOut:
    """Press the pretend caliper's send button; the live stream says when the reading is kept."""
    if server.pretend is None or not server.pretends(name):
        raise Conflict("this bench has no pretend caliper; start with: bothends serve --pretend")
    return PressedOut(sent=server.pretend.press())


def _series_unit(server: TheServer, name: str) -> Unit | None:
    series = server.bench(name).series
    return series.unit if series else None


def _out(server: TheServer, name: str) -> BenchOut:
    return convert.bench_out(server.bench(name), server.calipers(name), server.pretends(name))
