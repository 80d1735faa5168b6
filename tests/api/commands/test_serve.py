"""What `bothends serve` does beside serving."""

from __future__ import annotations

import subprocess
import sys

_WITHOUT_A_FILE = """
import logging, os, resource
from api.commands import serve
logging.basicConfig(format="%(message)s")
first_free = os.open("/", os.O_RDONLY)
os.close(first_free)
resource.setrlimit(resource.RLIMIT_NOFILE, (first_free, first_free))
serve._warm_up()
"""


def test_a_lack_of_files_just_after_the_start_is_said_in_one_sentence() -> None:
    ended = subprocess.run(
        [sys.executable, "-c", _WITHOUT_A_FILE], capture_output=True, text=True, check=False
    )
    assert ended.returncode == 0, ended.stderr
    (line,) = ended.stderr.splitlines()
    assert line.startswith("the first trial will take a moment longer")
    assert "Too many open files" in line
