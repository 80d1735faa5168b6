"""The end of a source that cannot come back."""

from __future__ import annotations

from capture.errors import SourceError


class SourceEndedError(SourceError):
    """The source is over; nothing more can come."""
