"""What is plugged in, from the answer to what goes out."""

from __future__ import annotations

from api.instruments.plugged_in import PluggedIn
from api.web.shapes.instruments import FoundOut


def found_out(each: PluggedIn) -> FoundOut:
    """One thing that is plugged in; what is listened to lacks nothing."""
    found, ours = each.found, each.listened_as is not None
    return FoundOut(
        kind=found.kind,
        device=found.device,
        spec=found.spec,
        likely=found.likely,
        missing="" if ours else found.missing,
        remedy="" if ours else found.remedy,
        listened_as=each.listened_as,
        called=found.called,
    )
