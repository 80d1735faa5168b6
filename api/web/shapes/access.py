"""Who is let in."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Literal

from pydantic import Field, StringConstraints

from api.access.book import LONGEST_NAME
from api.access.rungs import RungName
from api.web.shapes import BenchName, In, Name, Out

PassName = Annotated[Name, StringConstraints(max_length=LONGEST_NAME)]


class JoinIn(In):
    """`code`: of an invitation; case, spaces and dashes do not matter. `name`: what the device is
    called where the invitation does not say it."""

    code: Annotated[str, StringConstraints(min_length=1, max_length=64)]
    name: PassName | None = None


class MeOut(Out):
    """Who asks. `local`: at the server's own computer, where everything may be done. `may`: null
    for who has no access. `benches`: those whose readings may be sent; null: all."""

    local: bool
    name: str | None
    may: RungName | None
    benches: tuple[str, ...] | None


class InvitationIn(In):
    """`may`: what the device may, at most what you may yourself. `name`: what it is called.
    `bench`: with `press`, the only one whose readings it may send. `opens`: the bench whose page it
    opens."""

    may: RungName = "run"
    name: PassName | None = None
    bench: BenchName | None = None
    opens: BenchName | None = None


class InvitationMadeOut(Out):
    """`address`: what the device opens, with the code after #. `drawn`: the same as a QR code, an
    SVG document. The code opens one device, once, `until` then, `seconds_left` from now."""

    id: str
    address: str
    drawn: str
    may: RungName
    name: str | None
    until: datetime
    seconds_left: int


class PassOut(Out):
    """A token of a program, or a device that was invited. `own`: of who asks. `invited_by`: the
    device or token that invited it, by its name; null: who is at the server's own computer."""

    id: str
    kind: Literal["token", "device"]
    name: str
    may: RungName
    benches: tuple[str, ...] | None
    made_at: datetime
    last_used_at: datetime | None
    ends_at: datetime | None
    own: bool
    invited_by: str | None


class InvitationOut(Out):
    """An invitation that nobody has used yet. `invited_by`: as of a device."""

    id: str
    name: str | None
    may: RungName
    until: datetime
    invited_by: str | None


class AccessOut(Out):
    passes: Annotated[list[PassOut], Field(description="the one used last first")]
    invitations: list[InvitationOut]
