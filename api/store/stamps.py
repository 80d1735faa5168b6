"""The id and the moment that whatever is written gets."""

from __future__ import annotations

from datetime import UTC, datetime
from uuid import UUID

import uuid_utils


def new_id() -> UUID:
    """A UUIDv7 (RFC 9562), so that ids sort by the time they were made."""
    return UUID(int=uuid_utils.uuid7().int)


def made_at(made: UUID) -> datetime:
    """When an id of `new_id` was made (RFC 9562, section 5.7)."""
    return datetime.fromtimestamp((made.int >> 80) / 1000, UTC)


def now() -> datetime:
    return datetime.now(UTC)
