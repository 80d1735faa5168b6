"""What is plugged in, as it goes out."""

from __future__ import annotations

from typing import Literal

from api.web.shapes import Out


class FoundOut(Out):
    """One thing that is plugged in.

    spec: what POST /api/calipers takes, by the most lasting name there is. likely: what it
    probably is. missing: why it can't be heard yet, "" where it can; remedy: the exact command,
    or text to put into a file, that fixes it. listened_as: the caliper it is already. called:
    the name that the device gives itself, "" where it gives none.
    """

    kind: Literal["serial", "hid", "keys", "usb"]
    device: str
    spec: str
    likely: str
    missing: str
    remedy: str
    listened_as: str | None
    called: str
