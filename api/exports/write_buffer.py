"""A buffer that is emptied while it is written, for writers that need a file object."""

from __future__ import annotations

import io
from typing import Any


class WriteBuffer(io.RawIOBase):
    """Holds what is written until the next `take`; it can't seek."""

    def __init__(self) -> None:
        self._parts: list[bytes] = []
        self._at = 0

    def writable(self) -> bool:
        return True

    def write(self, data: Any) -> int:
        part = bytes(data)
        self._parts.append(part)
        self._at += len(part)
        return len(part)

    def tell(self) -> int:
        return self._at

    def take(self) -> bytes:
        """What was written since the last call."""
        data = b"".join(self._parts)
        self._parts.clear()
        return data
