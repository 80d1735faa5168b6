"""A pull that goes through to an open stream, such as standard output.

With a state file it brings only what is new since the last one that came to its end. The state is
written after the last byte was taken by the stream: what is interrupted comes again, so each row
comes at least once.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import BinaryIO

from api.exports import pull_state
from api.exports.formats import TABLES
from api.exports.pulled_file import REWRITTEN
from api.exports.sources import OtherHistory, PullFailed, PullSource, Question


def pull_through(
    out: BinaryIO,
    form: str,
    source: PullSource,
    question: Question,
    state_file: Path | None = None,
) -> bool:
    """Write what is asked for to `out` as the format `form`; returns whether anything was new.

    Nothing is written where nothing is. A whole history comes where the one that the state file
    knows is no more. Raises NoSuchQuestion, PullFailed, and BrokenPipeError where the reader of
    `out` is gone.
    """
    asked = pull_state.of(source.name, question)
    kept = None if state_file is None else pull_state.read(state_file, asked, state_file)
    after = None if kept is None else kept.after
    try:
        cursor, made_by = _through(out, form, source, replace(question, after=after))
    except OtherHistory:
        try:
            cursor, made_by = _through(out, form, source, replace(question, after=None))
        except OtherHistory:
            raise PullFailed(f"{source.name} contradicts itself; try again") from None
    if state_file is not None and cursor != after:
        try:
            pull_state.write(state_file, replace(asked, after=cursor, made_by=made_by))
        except OSError as error:
            raise PullFailed(f"{state_file} cannot be written ({error.strerror})") from None
    return cursor != after


def _through(
    out: BinaryIO, form: str, source: PullSource, question: Question
) -> tuple[str, str | None]:
    """The cursor that follows what was written, and what made it."""
    with _parts(form, source, question) as (parts, cursor, made_by):
        if cursor != question.after:
            for part in parts:
                out.write(part)
            out.flush()
        return cursor, made_by


@contextmanager
def _parts(
    form: str, source: PullSource, question: Question
) -> Iterator[tuple[Iterable[bytes], str, str | None]]:
    if form in REWRITTEN:
        _, write = REWRITTEN[form]
        with source.rows(question) as found:
            parts = write(TABLES[question.what].TABLE, found.blocks)
            yield parts, found.cursor, found.made_by
        return
    # Of a package nobody can have a part.
    after = None if form == "zip" else question.after
    with source.pull(replace(question, after=after), form) as answer:
        yield answer.parts, answer.cursor, answer.made_by
