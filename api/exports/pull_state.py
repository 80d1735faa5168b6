"""What a pull remembers for the next one, in a small file that is replaced atomically."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Callable, Iterable
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, BinaryIO

from api.exports.sources import NoSuchQuestion, Question


@dataclass(frozen=True, slots=True)
class PullState:
    """What was asked from which source, and the cursor to continue from.

    length: of the file before rows were appended, None when that was completed. made_by: the
    program's version and rules at the last pull.
    """

    source: str
    what: str
    machine: str | None
    method: str | None
    since: str | None
    after: str | None = None
    length: int | None = None
    made_by: str | None = None


def beside(file: Path) -> Path:
    """The file that remembers how far `file` has come."""
    return file.with_name(f"{file.name}.cursor")


def of(source: str, question: Question) -> PullState:
    """The state of a pull that has brought nothing yet."""
    return PullState(
        source=source,
        what=question.what,
        machine=question.machine,
        method=question.method,
        since=None if question.since is None else question.since.isoformat(),
    )


def read(state_file: Path, asked: PullState, what: Path) -> PullState | None:
    """What an earlier pull of the same remembers; None where there was none.

    Raises NoSuchQuestion, which names the pulled file `what`, where something else was asked.
    """
    found = read_json(state_file, what, "everything is pulled again")
    if found is None:
        return None
    if "bench" in found:
        raise NoSuchQuestion(
            f"{what} is kept by pull --follow; give another name with {_option(state_file, what)}"
        )
    try:
        kept = PullState(**found)
    except TypeError:
        raise unreadable(state_file, what, "everything is pulled again") from None
    for name in ("source", "what", "machine", "method", "since"):
        was, now = getattr(kept, name), getattr(asked, name)
        if was != now:
            raise NoSuchQuestion(
                f"{what} was pulled with {_option_text(name, was)}, not {_option_text(name, now)};"
                f" ask the same, or give another name with {_option(state_file, what)}"
            )
    return kept


def write(state_file: Path, kept: PullState) -> None:
    write_json(state_file, asdict(kept))


def _option(state_file: Path, what: Path) -> str:
    """The option that names what is pulled: standard output is known by its state file alone."""
    return "--cursor" if what == state_file else "--to"


def _option_text(name: str, value: str | None) -> str:
    if name == "source":
        return f"from {value}"
    return f"no --{name}" if value is None else f"--{name} {value}"


# ---------------------------------------------------------------- small files


def read_json(state_file: Path, what: Path, then: str) -> dict[str, Any] | None:
    """The object in a state file, None where there is no such file. Raises NoSuchQuestion, which
    says what happens `then`, once it was moved away, where it cannot be read."""
    if not state_file.exists():
        return None
    try:
        found = json.loads(state_file.read_text("utf-8"))
    except (OSError, ValueError):
        found = None
    if not isinstance(found, dict):
        raise unreadable(state_file, what, then)
    return found


def unreadable(state_file: Path, what: Path, then: str) -> NoSuchQuestion:
    """What to raise of a state file that is not as it was written."""
    beside = "" if what == state_file else f" and {what.name}"
    return NoSuchQuestion(f"{state_file} cannot be read; move it{beside} away, and {then}")


def write_json(state_file: Path, found: dict[str, Any]) -> None:
    replace_file(state_file, [(json.dumps(found, indent=1) + "\n").encode()])


def replace_file(
    file: Path, parts: Iterable[bytes], before: Callable[[], None] = lambda: None
) -> None:
    """Put a new file in the place of `file`, atomically; `before` is called just before that."""
    new = file.with_name(f"{file.name}.new")
    try:
        with new.open("wb") as out:
            for part in parts:
                out.write(part)
            to_disk(out)
        before()
        new.replace(file)
    finally:
        new.unlink(missing_ok=True)


def to_disk(out: BinaryIO) -> None:
    out.flush()
    os.fsync(out.fileno())


def name_to_disk(file: Path) -> None:
    """Have the name of a new file on the disk, where the system can."""
    if sys.platform == "win32":
        return
    folder = os.open(file.parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)
