"""A file that is kept up to date by pulling, and FILE.cursor beside it.

FILE.cursor says what was asked from which source, and the cursor to continue from. It is written
last; before rows are appended to a CSV or JSON Lines file, it records that file's length, so that
an interrupted pull, even by a power cut, leaves no partial and no double rows.

CSV and JSON Lines files are appended to: of several rows with one key, the last counts. Parquet
files and workbooks are rewritten from the old rows and the new ones; a zip and a SenML pack are
pulled again when anything is new. A new file replaces the old one atomically.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator
from dataclasses import replace
from datetime import datetime
from itertools import chain
from pathlib import Path
from typing import Any, Final, Protocol

from api.exports import pull_state
from api.exports.columns import Block, Blocks, OtherColumns, Table
from api.exports.formats import TABLES
from api.exports.parquet import parquet_chunks, read_parquet
from api.exports.pull_state import PullState, replace_file, to_disk
from api.exports.sources import (
    Answer,
    NoSuchQuestion,
    OtherHistory,
    PullFailed,
    PullSource,
    Question,
)
from api.exports.xlsx import read_xlsx, xlsx_chunks

ENDINGS: Final = ("csv", "jsonl", "xlsx", "parquet", "senml", "zip")
_ADDED_TO: Final = ("csv", "jsonl")
REWRITTEN: Final[dict[str, tuple[Any, Any]]] = {
    "parquet": (read_parquet, parquet_chunks),
    "xlsx": (read_xlsx, xlsx_chunks),
}


class PullProgress(Protocol):
    """Called with the bytes and lines that have come, and about how many rows will, if known;
    for a file that is written here, with its bytes so far."""

    def __call__(self, size: int, lines: int, rows: int | None) -> None: ...


def pull_to(file: Path, source: PullSource, question: Question, progress: PullProgress) -> bool:
    """Bring `file` up to date from `source`; returns whether anything was new.

    Raises NoSuchQuestion where the file is not one that was pulled so, PullFailed where it
    could not be brought up to date; then it is as it was.
    """
    ending = file.suffix.lower().lstrip(".")
    state_file = pull_state.beside(file)
    asked = pull_state.of(source.name, question)
    if file.exists() and not state_file.exists():
        raise NoSuchQuestion(
            f"{file} is there, but not {state_file.name}, which says what it holds;"
            " give another name with --to, or move the file away"
        )
    kept = pull_state.read(state_file, asked, file)
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


def _pull(
    file: Path,
    state_file: Path,
    ending: str,
    source: PullSource,
    question: Question,
    asked: PullState,
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
        pull_state.write(state_file, replace(done, after=answer.cursor, made_by=answer.made_by))
        return added
    if ending in REWRITTEN:
        read, write = REWRITTEN[ending]
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
    pull_state.write(state_file, replace(done, after=upto, made_by=made_by))
    return True


# ---------------------------------------------------------------- writing


def _add(file: Path, state_file: Path, parts: Iterable[bytes], kept: PullState) -> bool:
    """Append to `file`, or leave it as it was; returns whether there was anything to append."""
    with file.open("r+b") as out:
        length = out.seek(0, os.SEEK_END)
        pull_state.write(state_file, replace(kept, length=length))
        try:
            for part in parts:
                out.write(part)
            to_disk(out)
        except BaseException:
            out.truncate(length)
            to_disk(out)
            pull_state.write(state_file, kept)
            raise
        return out.tell() > length


def _cut_back(file: Path, length: int) -> None:
    if file.exists() and file.stat().st_size > length:
        with file.open("r+b") as out:
            out.truncate(length)
            to_disk(out)


def _renew(file: Path, state_file: Path, parts: Iterable[bytes], asked: PullState) -> None:
    """Replace `file` with a new one; FILE.cursor of a first one is written before it."""

    def mark_as_ours() -> None:
        if not state_file.exists():
            pull_state.write(state_file, asked)

    replace_file(file, parts, mark_as_ours)


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
