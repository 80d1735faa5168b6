"""A file that is kept up to date by pulling, and FILE.cursor beside it.

FILE.cursor says what was asked from which source, and the cursor to continue from. It is written
last; before rows are appended to a CSV or JSON Lines file, it records that file's length, so that
an interrupted pull, even by a power cut, leaves no partial and no double rows.

CSV and JSON Lines files are appended to: of several rows with one key, the last counts. Parquet
files and workbooks are rewritten from the old rows and the new ones; a zip is pulled again when
anything is new. A new file replaces the old one atomically.
"""

from __future__ import annotations

import json
import os
from collections.abc import Callable, Iterable, Iterator
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from itertools import chain
from pathlib import Path
from typing import Any, BinaryIO, Final, Protocol

from api.exports.columns import Block, Blocks, OtherColumns, Table
from api.exports.formats import TABLES
from api.exports.parquet import parquet_chunks, read_parquet
from api.exports.sources import (
    Answer,
    NoSuchQuestion,
    OtherHistory,
    PullFailed,
    PullSource,
    Question,
)
from api.exports.xlsx import read_xlsx, xlsx_chunks

ENDINGS: Final = ("csv", "jsonl", "xlsx", "parquet", "zip")
_ADDED_TO: Final = ("csv", "jsonl")
_REWRITTEN: Final[dict[str, tuple[Any, Any]]] = {
    "parquet": (read_parquet, parquet_chunks),
    "xlsx": (read_xlsx, xlsx_chunks),
}


class PullProgress(Protocol):
    """Called with the bytes and lines that have come, and about how many rows will, if known;
    for a file that is written here, with its bytes so far."""

    def __call__(self, size: int, lines: int, rows: int | None) -> None: ...


@dataclass(frozen=True, slots=True)
class _PullState:
    """What FILE.cursor says. `length`: of the file before rows were appended, None when that
    was completed. made_by: the program's version and rules at the last pull."""

    source: str
    what: str
    machine: str | None
    method: str | None
    since: str | None
    after: str | None = None
    length: int | None = None
    made_by: str | None = None


def pull_to(file: Path, source: PullSource, question: Question, progress: PullProgress) -> bool:
    """Bring `file` up to date from `source`; returns whether anything was new.

    Raises NoSuchQuestion where the file is not one that was pulled so, PullFailed where it
    could not be brought up to date; then it is as it was.
    """
    ending = file.suffix.lower().lstrip(".")
    state_file = file.with_name(f"{file.name}.cursor")
    asked = _PullState(
        source=source.name,
        what=question.what,
        machine=question.machine,
        method=question.method,
        since=None if question.since is None else question.since.isoformat(),
    )
    kept = _read_state(file, state_file, asked)
    if kept is not None and kept.length is not None:
        _cut_back(file, kept.length)
    after = kept.after if kept is not None and file.exists() else None
    if kept is not None:
        asked = replace(asked, made_by=kept.made_by)
    try:
        return _pull(
            file, state_file, ending, source, replace(question, after=after), asked, progress
        )
    except (OtherHistory, OtherColumns):
        # The store was restored or replaced, or a later version gives more columns: what it holds
        # now counts.
        whole = replace(question, after=None)
        try:
            return _pull(file, state_file, ending, source, whole, asked, progress)
        except OtherHistory:
            raise PullFailed(f"{source.name} contradicts itself; try again") from None
    except OSError as error:
        raise PullFailed(f"{file} cannot be written ({error.strerror})") from None


def _read_state(file: Path, state_file: Path, asked: _PullState) -> _PullState | None:
    if not state_file.exists():
        if file.exists():
            raise NoSuchQuestion(
                f"{file} is there, but not {state_file.name}, which says what it holds;"
                " give another name with --to, or move the file away"
            )
        return None
    try:
        kept = _PullState(**json.loads(state_file.read_text("utf-8")))
    except (OSError, ValueError, TypeError):
        raise NoSuchQuestion(
            f"{state_file} cannot be read; move it and {file.name} away,"
            " and everything is pulled again"
        ) from None
    for name in ("source", "what", "machine", "method", "since"):
        was, now = getattr(kept, name), getattr(asked, name)
        if was != now:
            raise NoSuchQuestion(
                f"{file} was pulled with {_option_text(name, was)}, not {_option_text(name, now)};"
                " ask the same, or give another name with --to"
            )
    return kept


def _option_text(name: str, value: str | None) -> str:
    if name == "source":
        return f"from {value}"
    return f"no --{name}" if value is None else f"--{name} {value}"


def _pull(
    file: Path,
    state_file: Path,
    ending: str,
    source: PullSource,
    question: Question,
    asked: _PullState,
    progress: PullProgress,
) -> bool:
    done = replace(asked, after=question.after)
    if ending in _ADDED_TO and question.after is not None:
        with source.pull(question, ending) as answer:
            parts = _counted(answer, progress)
            if answer.cursor == question.after:
                return False
            fresh = _without_header(parts, file) if ending == "csv" else parts
            added = _add(file, state_file, fresh, done)
        _write_state(state_file, replace(done, after=answer.cursor, made_by=answer.made_by))
        return added
    if ending in _REWRITTEN:
        read, write = _REWRITTEN[ending]
        table: Table = TABLES[question.what].TABLE
        with source.rows(question) as found:
            upto, made_by = found.cursor, found.made_by
            if upto == question.after:
                return False
            shown = _Shown(progress, found.rows)
            blocks = shown.rows(found.blocks)
            if question.after is not None:
                blocks = _merged(table, lambda: read(table, file), blocks)
            _renew(file, state_file, shown.parts(write(table, blocks)), asked)
    else:
        with source.pull(replace(question, after=None), ending) as answer:
            upto, made_by = answer.cursor, answer.made_by
            if upto == question.after:
                return False
            _renew(file, state_file, _counted(answer, progress), asked)
    _write_state(state_file, replace(done, after=upto, made_by=made_by))
    return True


# ---------------------------------------------------------------- writing


def _add(file: Path, state_file: Path, parts: Iterable[bytes], kept: _PullState) -> bool:
    """Append to `file`, or leave it as it was; returns whether there was anything to append."""
    with file.open("r+b") as out:
        length = out.seek(0, os.SEEK_END)
        _write_state(state_file, replace(kept, length=length))
        try:
            for part in parts:
                out.write(part)
            _to_disk(out)
        except BaseException:
            out.truncate(length)
            _to_disk(out)
            _write_state(state_file, kept)
            raise
        return out.tell() > length


def _cut_back(file: Path, length: int) -> None:
    if file.exists() and file.stat().st_size > length:
        with file.open("r+b") as out:
            out.truncate(length)
            _to_disk(out)


def _renew(file: Path, state_file: Path, parts: Iterable[bytes], asked: _PullState) -> None:
    """Replace `file` with a new one; FILE.cursor of a first one is written before it."""

    def mark_as_ours() -> None:
        if not state_file.exists():
            _write_state(state_file, asked)

    _replace(file, parts, mark_as_ours)


def _replace(file: Path, parts: Iterable[bytes], before: Callable[[], None] = lambda: None) -> None:
    new = file.with_name(f"{file.name}.new")
    try:
        with new.open("wb") as out:
            for part in parts:
                out.write(part)
            _to_disk(out)
        before()
        new.replace(file)
    finally:
        new.unlink(missing_ok=True)


def _write_state(state_file: Path, kept: _PullState) -> None:
    _replace(state_file, [(json.dumps(asdict(kept), indent=1) + "\n").encode()])


def _to_disk(out: BinaryIO) -> None:
    out.flush()
    os.fsync(out.fileno())


# ---------------------------------------------------------------- reading the answer


class _Shown:
    """Tells of rows as they come, and of the file as it is written from them."""

    def __init__(self, progress: PullProgress, expected: int | None) -> None:
        self._progress, self._expected = progress, expected
        self._size = self._rows = 0

    def rows(self, blocks: Blocks) -> Blocks:
        for block in blocks:
            self._rows += len(block[0])
            self._progress(self._size, self._rows, self._expected)
            yield block

    def parts(self, parts: Iterable[bytes]) -> Iterator[bytes]:
        for part in parts:
            self._size += len(part)
            self._progress(self._size, self._rows, self._expected)
            yield part


def _counted(answer: Answer, progress: PullProgress) -> Iterator[bytes]:
    size = lines = 0
    for part in answer.parts:
        size += len(part)
        lines += part.count(b"\n")
        progress(size, lines, answer.rows)
        yield part


def _without_header(parts: Iterator[bytes], file: Path) -> Iterator[bytes]:
    """The rows, for a file that has the same columns. Raises OtherHistory where it has others."""
    head = b""
    for part in parts:
        head += part
        if b"\r\n" in head:
            header, _, rows = head.partition(b"\r\n")
            with file.open("rb") as pulled:
                if pulled.readline().rstrip(b"\r\n") != header:
                    raise OtherHistory
            return chain([rows], parts)
    return iter(())


def _merged(
    table: Table, old: Callable[[], Iterator[Block]], new: Iterator[Block]
) -> Iterator[Block]:
    """The old rows that have no new version, then the new ones that are not gone."""
    keys = [table.index(name) for name in table.key]
    state = table.index("state") if "state" in table.header else None
    fresh: dict[tuple[Any, ...], tuple[Any, ...]] = {}
    for block in new:
        for row in zip(*block, strict=True):
            fresh[tuple(row[k] for k in keys)] = row
    for block in old():
        rows = [row for row in zip(*block, strict=True) if tuple(row[k] for k in keys) not in fresh]
        if rows:
            yield list(zip(*rows, strict=True))
    left = [row for row in fresh.values() if state is None or row[state] != "gone"]
    if left:
        yield list(zip(*left, strict=True))


def since_text(text: str) -> datetime:
    """A moment as --since gives it; without a zone, UTC. Raises NoSuchQuestion."""
    from api.answers.moments import aware

    try:
        return aware(datetime.fromisoformat(text))
    except ValueError:
        raise NoSuchQuestion(
            f"--since {text} is not a moment; write it as 2026-03-02 or 2026-03-02T14:30:00Z"
        ) from None
