"""What may be asked for by a request, and what of it by one from another computer.

A caliper is something that this computer opens: any device, or any address of its network. So a
request names none that does more than that, and one from another computer only what is plugged in
and listed, which a person has brought here for it.
"""

from __future__ import annotations

import sys
from collections.abc import Iterable, Sequence

from api.instruments.listening import ListenError
from capture.errors import SpecError
from capture.finding import Found, why_not_taken
from capture.spec import Spec, parse_spec

ALLOW = "--allow-network-calipers"


class NotFromAfar(Exception):
    """It can be asked for at this computer; the message says what else to do."""


def check_by_request(spec: Spec) -> Spec:
    """`spec`, if a request may name it.

    Some of pyserial's URLs do more than name a port: spy:// writes any file that it names. Those
    are only for the command line that starts the server. Raises ListenError.
    """
    scheme, marked, _ = spec.target.partition("://")
    if spec.kind == "serial" and marked and scheme not in ("socket", "rfc2217"):
        raise ListenError(
            "spec",
            f"{scheme}:// can only be named when the server is started, with --caliper;"
            " here a device, socket:// or rfc2217:// can be",
        )
    return spec


def check_from_afar(spec: Spec, listed: Iterable[Found]) -> None:
    """Refuse what another computer may not ask for: all but `listed`, as it is listed, with a name,
    a bench and how it is read. Raises NotFromAfar."""
    if "://" in spec.target:
        raise _not(f"{spec.target} is an address of a network")
    if spec.kind == "keys":
        raise _not(f"{spec.target} is a device that types, which would type nowhere else")
    if spec.request is not None:
        raise _not("request= sends something to a device")
    found = next((each for each in listed if _same(spec, each)), None)
    if found is None:
        place = spec.target if spec.vid is None else f"{spec.vid:04x}:{spec.pid:04x}"
        raise _not(f"{spec.kind}:{place} is not in the list of what is plugged in, by that name")
    if found.missing:
        raise NotFromAfar(f"{found.device} is not ready: {found.missing}")
    # What reads keys hears whatever is typed, and the last keyboard must stay one.
    why_not = why_not_taken([found]) if spec.kind == "hid" and sys.platform == "linux" else ""
    if why_not:
        raise _not(why_not)


def check_search_from_afar(also: Sequence[Spec], listen_to: Sequence[str]) -> None:
    """The same for a search that opens every port listed. Raises NotFromAfar."""
    if listen_to:
        raise _not(f"{listen_to[0]} is a device that types, which would type nowhere else")
    for spec in also:
        raise _not(f"{spec.target} is not in the list of what is plugged in")


def _same(spec: Spec, found: Found) -> bool:
    try:
        listed = parse_spec(found.spec)
    except SpecError:  # without a driver there is no spec
        return False
    return (spec.kind, spec.target, spec.vid, spec.pid) == (
        listed.kind,
        listed.target,
        listed.vid,
        listed.pid,
    )


def _not(why: str) -> NotFromAfar:
    return NotFromAfar(
        f"{why}; from another computer only what GET /api/instruments lists can be listened to: do"
        f" this on the server's own computer, or start the server with {ALLOW}"
    )
