"""Who is let in: invitations, devices and tokens."""

from __future__ import annotations

import math
import time
from datetime import UTC, datetime
from typing import Final

from fastapi import APIRouter, HTTPException, Request, Response

from api.access.book import INVITED_FOR_S, Book, Inviter, Pass
from api.access.codes import with_code
from api.access.rungs import OF_A_BENCH, RUNGS
from api.access.tries import Tries
from api.errors import Conflict, InvalidField, NotFound
from api.web.contract import may
from api.web.deps import NothingToSay, TheServer
from api.web.pages.shared import phone
from api.web.pages.shared.addresses import bench_page
from api.web.shapes.access import (
    AccessOut,
    InvitationIn,
    InvitationMadeOut,
    InvitationOut,
    JoinIn,
    MeOut,
    PassOut,
)
from api.web.visitors import book_of, cookie, visitor
from capture.spec import MAIN_BENCH

_MINUTES: Final = INVITED_FOR_S // 60

router = APIRouter(prefix="/access", tags=["access"])


@router.get("/me")
async def get_my_access(request: Request) -> MeOut:
    """Who asks, and what they may."""
    who = visitor(request.scope)
    return MeOut(
        local=who.local,
        name=who.name,
        may=who.rung.word if who.rung else None,
        benches=who.benches,
    )


@router.post("/join", responses=may(403, 429))
def join_by_code(body: JoinIn, request: Request, response: Response) -> MeOut:
    """Trade the code of an invitation for a cookie, which holds for 90 days after its last use.

    Of codes that are none, five a minute are looked at from one address.
    """
    tries: Tries = request.app.state.tries
    address, now = visitor(request.scope).address, time.monotonic()
    wait_s = math.ceil(tries.begin(address, now))
    if wait_s:
        raise HTTPException(
            429,
            f"too many codes that are none were tried; try again in {wait_s} s",
            {"Retry-After": str(wait_s)},
        )
    found = _book(request).join(body.code, body.name)
    if found is None:
        raise HTTPException(
            403,
            f"this code opens nothing: it was used, its {_MINUTES} minutes are over, or a"
            " letter is wrong; ask for a new one",
        )
    tries.right(address, now)
    joined, value = found
    response.headers["Set-Cookie"] = cookie(request.scope, value)
    return MeOut(
        local=False,
        name=joined.name,
        may=joined.rung.word,
        benches=joined.benches,
    )


@router.post("/leave", dependencies=[NothingToSay])
def leave_access(request: Request, response: Response) -> MeOut:
    """End the access of the device that asks."""
    who = visitor(request.scope)
    if who.pass_id is not None:
        _book(request).revoke(who.pass_id)
    response.headers["Set-Cookie"] = cookie(request.scope, "")
    return MeOut(local=who.local, name=None, may=None, benches=None)


@router.post("/invitations", status_code=201)
def invite_device(body: InvitationIn, request: Request, server: TheServer) -> InvitationMadeOut:
    """Invite one device: its code holds for 10 minutes and is used once."""
    rung, own = RUNGS[body.may], visitor(request.scope).rung
    if own is None or rung > own:
        most = own.word if own else "read"
        raise InvalidField("may", f"is more than you may yourself; give at most {most}")
    if body.bench is not None and rung is not OF_A_BENCH:
        raise InvalidField("bench", f"is for may: {OF_A_BENCH.word}; {body.may} is of all benches")
    page = bench_page(body.opens or body.bench or MAIN_BENCH)
    address = phone.address(request, server.settings.host, page)
    if address is None:
        raise Conflict(
            "other devices cannot reach this server; start it with --host 0.0.0.0 on a network"
        )
    who = visitor(request.scope)
    by = Inviter(who.pass_id, who.name) if who.pass_id and who.name else None
    kept_to = [body.bench] if body.bench else None
    made, code = _book(request).invite(rung, body.name, kept_to, by)
    address = with_code(address, code)
    return InvitationMadeOut(
        id=made.id,
        address=address,
        drawn=phone.code(address).decode(),
        may=body.may,
        name=made.name,
        until=_moment(made.until),
        seconds_left=INVITED_FOR_S,
    )


@router.get("")
def list_access(request: Request) -> AccessOut:
    """Who is let in, and which invitations can still be used."""
    book = book_of(request.scope)
    if book is None:
        return AccessOut(passes=[], invitations=[])
    own = visitor(request.scope).pass_id
    return AccessOut(
        passes=[_pass_out(found, found.id == own) for found in book.passes()],
        invitations=[
            InvitationOut(
                id=each.id,
                name=each.name,
                may=each.rung.word,
                until=_moment(each.until),
                invited_by=each.invited_by and each.invited_by.name,
            )
            for each in book.invitations()
        ],
    )


@router.delete("/{id}")
def revoke_access(id: str, request: Request) -> AccessOut:
    """End a token's or a device's access with the invitations it made, or one invitation. What was
    done by it stays, and so do devices that it let in."""
    book = book_of(request.scope)
    if book is None or not book.revoke(id):
        raise NotFound("nothing that lets anybody in has that id; GET /api/access lists all")
    return list_access(request)


def _book(request: Request) -> Book:
    book = book_of(request.scope)
    if book is None:
        raise Conflict(
            "this server listens to its own computer alone, where nobody needs to be let in; start"
            " it with --host 0.0.0.0 to let other devices in"
        )
    return book


def _pass_out(found: Pass, own: bool) -> PassOut:
    return PassOut(
        id=found.id,
        kind=found.kind,
        name=found.name,
        may=found.rung.word,
        benches=found.benches,
        made_at=_moment(found.made_at),
        last_used_at=None if found.last_used_at is None else _moment(found.last_used_at),
        ends_at=None if found.ends_at is None else _moment(found.ends_at),
        own=own,
        invited_by=found.invited_by and found.invited_by.name,
    )


def _moment(seconds: float) -> datetime:
    return datetime.fromtimestamp(seconds, UTC)
