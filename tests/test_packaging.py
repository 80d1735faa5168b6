"""What is handed on: the source archive passes its tests, the wheel holds the program and no more.

Both are built of the files that git knows, as a release is, in a folder of their own, where a
person has left files that are no one else's.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
import tarfile
import tomllib
import zipfile
from dataclasses import dataclass
from email import message_from_bytes
from pathlib import Path
from typing import Final

import pytest

ROOT: Final = Path(__file__).parents[1]
PROJECT: Final = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
PROGRAM: Final = ("analysis/", "capture/", "api/")
_NOT_HANDED_ON: Final = (".gitignore", ".ci/")
# What a folder that is worked in may hold beside: stores, secrets, settings with passwords, what
# editors, tools and measurements leave.
_LEFT_LYING: Final = (
    ".env",
    "before.json",
    "bothends.sqlite",
    "bothends.toml",
    "notes.txt",
    "server.key",
    "token",
    "analysis/notes.txt",
    "api/bothends.sqlite",
    "api/system/bothends.service.before",
    "api/web/pages/help/.index.md.swp",
    "api/web/pages/help/index.md~",
    "api-old/__init__.py",
    "tests/.token",
    "tests/bothends.sqlite",
    "tests/bothends.sqlite-wal",
    "tests/server.key",
    "tests/server.pem",
)
# What setuptools writes into an archive.
_WRITTEN: Final = re.compile(r"PKG-INFO|setup\.cfg|bothends\.egg-info/.+")

# One test file of each room, among them those that read fixtures, tables and pages.
_SOME_TESTS: Final = (
    "tests/analysis/test_facts.py",
    "tests/capture/test_lines.py",
    "tests/api/test_cli.py",
    "tests/api/exports/test_extras.py",
    "tests/api/web/test_static.py",
)


@dataclass(frozen=True)
class Handed:
    """tracked: the files that git knows; archived: those of the archive; source: where it is
    unpacked; wheel: one built of it."""

    tracked: frozenset[str]
    archived: frozenset[str]
    source: Path
    wheel: Path


def _build(folder: Path, what: str, into: Path) -> Path:
    code = f"import sys; from setuptools import build_meta as b; b.build_{what}(sys.argv[1])"
    subprocess.run(
        [sys.executable, "-c", code, str(into)],
        cwd=folder,
        check=True,
        capture_output=True,
        timeout=120,
    )
    (made,) = into.iterdir()
    return made


@pytest.fixture(scope="module")
def handed(tmp_path_factory: pytest.TempPathFactory) -> Handed:
    if not (ROOT / ".git").exists():
        pytest.skip("what is handed on is looked at where git says what belongs to it")
    listed = subprocess.run(
        ["git", "ls-files", "-z"], cwd=ROOT, check=True, capture_output=True, text=True
    )
    names = [name for name in listed.stdout.split("\0") if name and (ROOT / name).exists()]
    folder = tmp_path_factory.mktemp("handed")
    for name in names:
        (folder / "tree" / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(ROOT / name, folder / "tree" / name)
    for name in _LEFT_LYING:
        (folder / "tree" / name).parent.mkdir(exist_ok=True)
        (folder / "tree" / name).write_text("not for others")
    for each in ("archive", "wheel"):
        (folder / each).mkdir()
    with tarfile.open(_build(folder / "tree", "sdist", folder / "archive")) as archive:
        archive.extractall(folder / "source", filter="data")
    (source,) = (folder / "source").iterdir()
    archived = frozenset(
        path.relative_to(source).as_posix() for path in source.rglob("*") if path.is_file()
    )
    return Handed(frozenset(names), archived, source, _build(source, "wheel", folder / "wheel"))


def test_the_source_archive_holds_what_git_knows_and_no_more(handed: Handed) -> None:
    """Every file that its tests need, the locked versions among them."""
    handed_on = {n for n in handed.tracked if not n.startswith(_NOT_HANDED_ON)}
    assert {"requirements.txt", "tests/requirements.txt"} <= handed_on
    assert {name for name in handed.archived if not _WRITTEN.fullmatch(name)} == handed_on


def test_the_tests_pass_from_the_source_archive(handed: Handed) -> None:
    """And what they try is what is in it, not what is installed here."""
    code = (
        "import sys, api, pytest; assert api.__file__.startswith(sys.argv[1]), api.__file__;"
        "sys.exit(pytest.main(sys.argv[2:]))"
    )
    words = ("-q", "-p", "no:cacheprovider", "-p", "no:xdist", *_SOME_TESTS)
    done = subprocess.run(
        [sys.executable, "-c", code, str(handed.source), *words],
        cwd=handed.source,
        capture_output=True,
        text=True,
        timeout=110,
    )
    assert done.returncode == 0, done.stdout + done.stderr


def test_the_wheel_holds_the_program_with_all_its_pages_and_no_more(handed: Handed) -> None:
    with zipfile.ZipFile(handed.wheel) as wheel:
        names = set(wheel.namelist())
        files = {name for name in names if not name.partition("/")[0].endswith("-info")}
        (metadata,) = (name for name in names if name.endswith("/METADATA"))
        said = message_from_bytes(wheel.read(metadata))
    assert files == {name for name in handed.tracked if name.startswith(PROGRAM)}
    beside = {name for name in names if name.partition("/")[0].endswith("-info")}
    assert {name.partition("/")[2] for name in beside} == {
        "METADATA",
        "RECORD",
        "WHEEL",
        "entry_points.txt",
        "licenses/LICENSE",
        "top_level.txt",
    }
    assert {Path(name).suffix for name in files} >= {".css", ".html", ".js", ".md", ".service"}
    assert set(said["Requires-Python"].split(",")) == set(
        PROJECT["project"]["requires-python"].split(",")
    )


def test_all_say_the_same_of_python() -> None:
    """Who reads README installs what pip then takes; what is checked is what the oldest takes."""
    bounds = re.fullmatch(r">=3\.(\d+),<3\.(\d+)", PROJECT["project"]["requires-python"])
    assert bounds is not None
    oldest, first_too_new = map(int, bounds.groups())
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    assert re.findall(r"Python 3\.(\d+) to 3\.(\d+)", readme) == [
        (str(oldest), str(first_too_new - 1))
    ]
    assert PROJECT["tool"]["ruff"]["target-version"] == f"py3{oldest}"
    assert PROJECT["tool"]["mypy"]["python_version"] == f"3.{oldest}"
    assert f"version_info < (3, {oldest})" in (ROOT / "tests" / "run").read_text()
