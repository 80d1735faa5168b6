"""A test's small disk goes, also where its test was killed."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from tests.disks import small_disk

_HOLDS_ONE = """
import sys
from pathlib import Path
from tests.disks import small_disk
with small_disk(Path(sys.argv[1])):
    print("mounted", flush=True)
    sys.stdin.read()
"""


def test_the_next_disk_unmounts_what_a_killed_process_left(tmp_path: Path) -> None:
    with small_disk(tmp_path / "mine") as mine:
        left = tmp_path / "left"
        words = [sys.executable, "-c", _HOLDS_ONE, str(left)]
        pipe = subprocess.PIPE
        with subprocess.Popen(words, stdin=pipe, stdout=pipe, text=True) as other:
            assert other.stdout is not None
            assert other.stdout.readline() == "mounted\n"
            other.kill()
        assert left.is_mount()
        with small_disk(tmp_path / "next"):
            assert not left.is_mount()
            assert mine.is_mount()
