"""Reads the rows of an SQLite file page by page, past what is damaged, and without SQLite.

Only plain reads: neither the file nor its log is opened for writing. The format is that of
https://sqlite.org/fileformat2.html; section numbers below are of that page.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from io import BytesIO
from pathlib import Path
from typing import BinaryIO, Final

Value = int | float | str | bytes | None
Row = tuple[int, list[Value]]
"""A row's number (rowid) and the values of its record."""

MAGIC: Final = b"SQLite format 3\0"
"""What every SQLite file begins with (1.3)."""
_HEADER: Final = 100  # bytes, before the content of page 1
_PAGE_SIZE: Final = 4096  # bytes, of every store that this program makes
_LEAF, _INTERIOR = 13, 5  # pages of a table
_LOG_MAGIC: Final = (0x377F0682, 0x377F0683)
_WIDTHS: Final = {1: 1, 2: 2, 3: 3, 4: 4, 5: 6, 6: 8, 7: 8}


class Unreadable(Exception):
    """Damage at this place."""


class Pages:
    """The pages of the file at `path`, as the last transaction committed to its log left them.

    Raises OSError where the file cannot be read, or neither it nor its log is there.
    """

    def __init__(self, path: Path) -> None:
        log = path.with_name(f"{path.name}-wal")
        # A file that was deleted leaves its log, which may hold all that matters.
        gone = log.exists() and not path.exists()
        self._file: BinaryIO = BytesIO() if gone else path.open("rb")
        header = self._file.read(_HEADER)
        self._size, self._usable = _PAGE_SIZE, _PAGE_SIZE
        if header.startswith(MAGIC) and len(header) == _HEADER:
            size = 65536 if header[16:18] == b"\0\1" else int.from_bytes(header[16:18], "big")
            if 512 <= size <= 65536 and size & (size - 1) == 0 and size - header[20] >= 480:
                self._size, self._usable = size, size - header[20]
        length = self._file.seek(0, 2)
        self.count = -(-length // self._size)
        self._logged: dict[int, bytes] = {}
        if log.exists():
            self._read_log(log.read_bytes())

    def close(self) -> None:
        self._file.close()

    def page(self, number: int) -> bytes:
        """The content of a page, counted from 1. Raises Unreadable where there is none."""
        if not 1 <= number <= self.count:
            raise Unreadable
        logged = self._logged.get(number)
        if logged is not None:
            return logged
        self._file.seek((number - 1) * self._size)
        try:
            content = self._file.read(self._size)
        except OSError:  # the disk itself
            raise Unreadable from None
        if len(content) < self._size:
            raise Unreadable
        return content

    def leaves(self, root: int) -> tuple[list[int], set[int]]:
        """The leaf pages of the table whose tree begins at page `root`, in order; and the pages of
        the tree that cannot be read."""
        found: list[int] = []
        lost: set[int] = set()
        seen: set[int] = set()
        ahead = [root]
        while ahead:
            number = ahead.pop()
            if number in seen:
                continue
            seen.add(number)
            try:
                kind = self.kind(number)
                if kind == _LEAF:
                    found.append(number)
                elif kind == _INTERIOR:
                    ahead += reversed(self._children(number))
                else:
                    lost.add(number)
            except Unreadable:
                lost.add(number)
        return found, lost

    def kind(self, number: int) -> int:
        """The first byte of a page. Raises Unreadable."""
        return self.page(number)[_start(number)]

    def is_leaf(self, number: int) -> bool:
        try:
            return self.kind(number) == _LEAF
        except Unreadable:
            return False

    def free(self) -> set[int]:
        """The pages that hold nothing any more (1.5), as far as their list can be read."""
        found: set[int] = set()
        try:
            trunk = int.from_bytes(self.page(1)[32:36], "big")
            while trunk and trunk not in found:
                page = self.page(trunk)
                found.add(trunk)
                trunk, count = struct.unpack_from(">II", page)
                for number in struct.unpack_from(f">{min(count, self._usable // 4 - 2)}I", page, 8):
                    found.add(number)
        except Unreadable:
            pass
        return found

    def rows(self, number: int) -> Iterator[Row | None]:
        """The rows of a leaf page (1.6, 2.1), None for each that cannot be read."""
        page = self.page(number)
        for offset in _cells(page, _start(number), 8):
            try:
                yield self._row(page, offset)
            except (Unreadable, IndexError, UnicodeDecodeError, struct.error):
                yield None

    def _children(self, number: int) -> list[int]:
        page, start = self.page(number), _start(number)
        inner = [int.from_bytes(page[at : at + 4], "big") for at in _cells(page, start, 12)]
        return [*inner, int.from_bytes(page[start + 8 : start + 12], "big")]

    def _row(self, page: bytes, at: int) -> Row:
        size, at = _varint(page, at)
        rowid, at = _varint(page, at)
        local = self._local(size)
        if at + local > self._usable:
            raise Unreadable
        payload = page[at : at + local]
        if local < size:
            payload += self._overflow(
                int.from_bytes(page[at + local : at + local + 4]), size - local
            )
        return rowid, _record(payload)

    def _local(self, size: int) -> int:
        """How many bytes of a record of `size` are on its own page (1.6)."""
        most = self._usable - 35
        if size <= most:
            return size
        least = (self._usable - 12) * 32 // 255 - 23
        wanted = least + (size - least) % (self._usable - 4)
        return wanted if wanted <= most else least

    def _overflow(self, number: int, size: int) -> bytes:
        parts = []
        while size > 0:
            page = self.page(number)
            parts.append(page[4 : min(self._usable, 4 + size)])
            size -= len(parts[-1])
            number = int.from_bytes(page[:4], "big")
        if number:  # the chain goes on where the record has ended
            raise Unreadable
        return b"".join(parts)

    def _read_log(self, log: bytes) -> None:
        """Take the pages of every committed transaction of a write-ahead log (4.1 to 4.3)."""
        if len(log) < 32:
            return
        magic, _version, size, _sequence, *salts, one, two = struct.unpack_from(">8I", log)
        if magic not in _LOG_MAGIC or size != self._size:
            return
        order = ">" if magic & 1 else "<"
        sums = _checksum(log[:24], order, (0, 0))
        if sums != (one, two):
            return
        pending: dict[int, bytes] = {}
        for at in range(32, len(log) - 24 - size + 1, 24 + size):
            number, committed, *frame_salts, one, two = struct.unpack_from(">6I", log, at)
            page = log[at + 24 : at + 24 + size]
            sums = _checksum(page, order, _checksum(log[at : at + 8], order, sums))
            if frame_salts != salts or sums != (one, two):
                return
            pending[number] = page
            if committed:
                self._logged |= pending
                self.count = committed
                pending = {}


def _start(number: int) -> int:
    return _HEADER if number == 1 else 0


def _cells(page: bytes, start: int, header: int) -> Iterator[int]:
    """The offsets of a page's cells that are within it."""
    count = int.from_bytes(page[start + 3 : start + 5], "big")
    first = start + header
    for at in range(first, min(first + 2 * count, len(page) - 1), 2):
        offset = int.from_bytes(page[at : at + 2], "big")
        if first + 2 * count <= offset < len(page) - 3:
            yield offset


def _varint(data: bytes, at: int) -> tuple[int, int]:
    value = 0
    for n in range(9):
        byte = data[at + n]
        if n == 8:
            value = value << 8 | byte
            break
        value = value << 7 | byte & 0x7F
        if byte < 0x80:
            break
    return (value - (1 << 64) if value >> 63 else value), at + n + 1


def _record(payload: bytes) -> list[Value]:
    """The values of a record (2.1). Raises Unreadable, IndexError, UnicodeDecodeError."""
    end, at = _varint(payload, 0)
    if not at <= end <= len(payload):
        raise Unreadable
    kinds = []
    while at < end:
        kind, at = _varint(payload, at)
        kinds.append(kind)
    values: list[Value] = []
    at = end
    for kind in kinds:
        size = _WIDTHS.get(kind, 0) if kind < 12 else (kind - 12) // 2
        part = payload[at : at + size]
        if kind < 0 or kind in (10, 11) or len(part) < size:
            raise Unreadable
        values.append(_value(kind, part))
        at += size
    if at != len(payload):
        raise Unreadable
    return values


def _value(kind: int, part: bytes) -> Value:
    if kind >= 12:
        return part.decode() if kind % 2 else part
    if kind == 7:
        value: float = struct.unpack(">d", part)[0]
        return value
    if kind in (8, 9):
        return kind - 8
    return int.from_bytes(part, "big", signed=True) if kind else None


def _checksum(data: bytes, order: str, sums: tuple[int, int]) -> tuple[int, int]:
    one, two = sums
    words = struct.unpack(f"{order}{len(data) // 4}I", data)
    for even, odd in zip(words[::2], words[1::2], strict=True):
        one = (one + even + two) & 0xFFFFFFFF
        two = (two + odd + one) & 0xFFFFFFFF
    return one, two
