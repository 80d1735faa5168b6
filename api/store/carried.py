"""The small files of a data folder that go with its store into a backup, back, and in a move.

They are the calipers that are remembered and the methods of the user's own. A store in a database
elsewhere has such a folder too: the one that its server was given.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from api.settings import CALIPERS_FILE, METHODS_FOLDER
from api.store.engine import StoreError
from api.store.private import give_to_owner

# A name in a backup may come from anybody, and must not lead out of the folder.
_NAME: Final = re.compile(
    rf"{re.escape(CALIPERS_FILE)}|{METHODS_FOLDER}/[^./\\:\x00][^/\\:\x00]*\.toml"
)


@dataclass(frozen=True, slots=True)
class SmallFile:
    """`name`: its path in the data folder, with slashes."""

    name: str
    content: bytes


def read(data: Path) -> tuple[SmallFile, ...]:
    """Those that are in `data`. Raises StoreError where one of them cannot be read."""
    paths = (data / CALIPERS_FILE, *sorted((data / METHODS_FOLDER).glob("*.toml")))
    names = {path.relative_to(data).as_posix(): path for path in paths if path.is_file()}
    try:
        return tuple(
            SmallFile(name, path.read_bytes())
            for name, path in names.items()
            if _NAME.fullmatch(name)
        )
    except OSError as error:
        raise StoreError(
            f"{error.filename} cannot be read ({error.strerror}); see to its rights, or take it"
            " away"
        ) from None


def accepted(name: str) -> bool:
    """Whether a file of that name is one that goes with a store."""
    return _NAME.fullmatch(name) is not None


def put_missing(files: Iterable[SmallFile], data: Path) -> tuple[list[str], list[str]]:
    """Write into `data` those that are not there; no file is overwritten.

    The names of those written, and of those left out because another content is there.
    Raises StoreError where one cannot be written.
    """
    written, left = [], []
    for file in files:
        there = present(file.name, data)
        if there is None:
            put(file, data)
            written.append(file.name)
        elif there != file.content:
            left.append(file.name)
    return written, left


def present(name: str, data: Path) -> bytes | None:
    """The content of the file of that name in `data`, None where there is none."""
    try:
        return (data / name).read_bytes()
    except FileNotFoundError:
        return None
    except OSError as error:
        raise _unwritten(data / name, error) from None


def put(file: SmallFile, data: Path) -> None:
    """Write the file into `data`, whole or not at all. Raises StoreError where it cannot be."""
    path = data / file.name
    new = path.with_name(path.name + ".new")
    try:
        if not path.parent.exists():
            path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            give_to_owner(path.parent)
        with open(os.open(new, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "wb") as out:
            out.write(file.content)
            out.flush()
            os.fsync(out.fileno())
        give_to_owner(new)
        new.replace(path)
    except OSError as error:
        raise _unwritten(path, error) from None


def _unwritten(path: Path, error: OSError) -> StoreError:
    return StoreError(
        f"{path} cannot be written ({error.strerror}); make room, see to the rights of its folder,"
        " and run the same again"
    )
