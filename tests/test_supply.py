"""What the program stands on: locked to the byte, each with its reason, each with a licence that
lets anyone use and pass it on."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from importlib.metadata import distribution
from pathlib import Path
from typing import Final

import pytest
from packaging.markers import Marker
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT: Final = Path(__file__).parents[1]
PYPROJECT: Final = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
PROJECT: Final = PYPROJECT["project"]
EXTRAS: Final[dict[str, list[str]]] = PROJECT["optional-dependencies"]
FOR_USERS: Final = EXTRAS.keys() - {"test", "benchmarks"}
BUILT_BY: Final[list[str]] = PYPROJECT["build-system"]["requires"]

# What README's command and tests/run install, each the extra that it has.
LOCKS: Final = {"requirements.txt": (), "tests/requirements.txt": ("benchmarks",)}
_LOCKED: Final = re.compile(
    r"(?P<name>[a-z0-9-]+)==(?P<version>[\w.]+)(?: ; (?P<marker>[^\\]+?))?"
    r"(?P<hashes>(?: \\\n    --hash=sha256:[0-9a-f]{64})+)\n(?:    # via .+\n)?"
)
# It comes with the environment, and is what reads the file.
_LEFT_OUT: Final = "\n# The following packages were excluded from the output:\n# pip\n"


@dataclass(frozen=True)
class Locked:
    version: str
    here: bool
    hashes: frozenset[str]


@cache
def locked(file: str) -> dict[str, Locked]:
    """By name. Fails where anything else stands in the file, such as where to fetch from."""
    head, options, body = (
        (ROOT / file).read_text(encoding="utf-8").partition("--only-binary :all:\n\n")
    )
    assert all(line.startswith("#") for line in head.splitlines())
    assert options, "what is built from its source asks for more, which has no hash"
    body = body.removesuffix(_LEFT_OUT)
    assert _LOCKED.sub("", body) == ""
    return {
        each["name"]: Locked(
            each["version"],
            not each["marker"] or Marker(each["marker"]).evaluate(),
            frozenset(re.findall(r"sha256:\w+", each["hashes"])),
        )
        for each in _LOCKED.finditer(body)
    }


def needed(asked: Iterable[str], extras: frozenset[str] = frozenset()) -> dict[str, frozenset[str]]:
    """The packages that `asked` of `extras` brings here, each with its extras, by what those that
    are installed say of themselves."""
    found: dict[str, frozenset[str]] = {}
    waiting = [(Requirement(text), extras) for text in asked]
    while waiting:
        each, wanted = waiting.pop()
        if each.marker and not any(each.marker.evaluate({"extra": e}) for e in wanted | {""}):
            continue
        name, own = canonicalize_name(each.name), frozenset(each.extras)
        if name == PROJECT["name"]:
            waiting += [(Requirement(text), own) for extra in own for text in EXTRAS[extra]]
            continue
        assert each.specifier.contains(distribution(name).version, prereleases=True), str(each)
        if name not in found or not own <= found[name]:
            found[name] = own | found.get(name, frozenset())
            more = distribution(name).requires or []
            waiting += [(Requirement(text), found[name]) for text in more]
    return found


def test_what_is_locked_is_what_is_needed_and_installed_here() -> None:
    """Nothing is missing, which pip would refuse at a reader's, and nothing is left over."""
    for file, extras in LOCKS.items():
        asked = [*PROJECT["dependencies"], *BUILT_BY]
        asked += [text for extra in extras for text in EXTRAS[extra]]
        wanted = needed(asked).keys() - {"pip"}
        here = {name: each for name, each in locked(file).items() if each.here}
        assert here.keys() == wanted, file
        assert {name: each.version for name, each in here.items()} == {
            name: distribution(name).version for name in wanted
        }


def test_both_locks_name_the_same_files() -> None:
    small, large = (locked(file) for file in LOCKS)
    assert small.items() <= large.items()


def test_wheels_are_known_for_every_python_and_system_that_is_promised() -> None:
    """numpy has a wheel for each: of 4 versions of Python, 3 systems and 2 processors or more."""
    assert len(locked("requirements.txt")["numpy"].hashes) >= 24


# ---------------------------------------------------------------- why each is there


def _reasoned() -> set[tuple[str, str]]:
    """The packages for which DEVELOPERS.md says what they are for, and what asks for each."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    _, _, section = text.partition("\n## What it stands on\n")
    section, _, _ = section.partition("\n## ")
    rows = re.findall(r"^\| `(.+?)` \| (.+?) \| .{10,} \|$", section, re.M)
    return {(name, of) for name, several in rows for of in several.split(", ")}


def test_each_package_has_its_reason_and_each_reason_its_package() -> None:
    asked = {"program": PROJECT["dependencies"], "build": BUILT_BY, **EXTRAS}
    pairs = {
        (Requirement(text).name, of)
        for of, several in asked.items()
        for text in several
        if Requirement(text).name != PROJECT["name"]
    }
    assert _reasoned() == pairs


# ---------------------------------------------------------------- licences

# By their SPDX names: each lets anyone use, change and pass on, with the notice kept.
ACCEPTED: Final = frozenset(
    {
        "0BSD",
        "Apache-2.0",
        "BSD-2-Clause",
        "BSD-3-Clause",
        "CC0-1.0",
        "MIT",
        "MIT-0",
        "PSF-2.0",
        "Zlib",
    }
)
# What those say that name no SPDX licence.
_CLASSIFIERS: Final = {
    "License :: OSI Approved :: Apache Software License": "Apache-2.0",
    "License :: OSI Approved :: BSD License": "BSD-3-Clause",
    "License :: OSI Approved :: MIT License": "MIT",
}
# Each with what it says, and why it is accepted.
EXPLICIT: Final = {
    "hidapi": (
        "BSD License, GNU General Public License v3 (GPLv3)",
        "one may choose between them and the library's own: the BSD licence is chosen",
    ),
    "psycopg": (
        "LGPL-3.0-only",
        "an extra, used as it is: its files stay beside ours, where anyone may put others",
    ),
    "psycopg-binary": ("LGPL-3.0-only", "as psycopg, of which it is the compiled part"),
    "shtab": ("MPL-2.0", "an extra, used as it is: what binds is for changes to its own files"),
}


def _licence(name: str) -> str:
    """What a distribution says: SPDX, else its classifiers, else its field."""
    said = distribution(name).metadata
    if "License-Expression" in said:
        return said["License-Expression"]
    classified = [c for c in said.get_all("Classifier") or [] if c.startswith("License ::")]
    if classified:
        return ", ".join(_CLASSIFIERS.get(c, c.rpartition(" :: ")[2]) for c in classified)
    return said["License"] or ""


def test_the_licence_of_all_that_is_installed_with_the_program_is_accepted() -> None:
    asked = [*PROJECT["dependencies"], f"{PROJECT['name']}[{','.join(FOR_USERS)}]", *BUILT_BY]
    said = {name: _licence(name) for name in needed(asked)}
    assert EXPLICIT.keys() <= said.keys()
    for name, licence in said.items():
        if name in EXPLICIT:
            wanted = EXPLICIT[name][0].replace("BSD License", "BSD-3-Clause")
            assert licence == wanted, name
        else:
            terms = set(re.split(r" AND | OR |, ", licence.replace("(", "").replace(")", "")))
            assert terms <= ACCEPTED, (name, licence)


# ---------------------------------------------------------------- what is said to be typed


_FETCHES: Final = re.compile(r"(?:pip install|\$pip) +([^&\n\"]+)")
_BY_HASH: Final = r"(?:-q )?--require-hashes (?:-r|--requirement) {lock} ?"
_ALONE: Final = r"(?:-q )?--no-deps --no-build-isolation (?:--editable )?\.(?: |$)"


@pytest.mark.parametrize(
    ("file", "lock"),
    [
        ("README.md", "requirements.txt"),
        ("tests/run", "tests/requirements.txt"),
        ("api/web/pages/help/running.md", "requirements.txt"),
        ("api/commands/install.py", "requirements.txt"),
    ],
)
def test_who_installs_fetches_by_hash_and_nothing_else(file: str, lock: str) -> None:
    """And `tests.whole.asked_of_pip` lets pip itself read the lines of README and help."""
    text = (ROOT / file).read_text(encoding="utf-8").replace("-m pip install --quiet", "")
    locked_first, then_alone = _FETCHES.findall(text)
    assert re.fullmatch(_BY_HASH.format(lock=lock), locked_first)
    assert re.fullmatch(_ALONE, then_alone)
