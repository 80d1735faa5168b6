"""Files of the data folder are for the user alone: other people's names and notes are in them."""

from __future__ import annotations

import os
import sys
from contextlib import suppress
from pathlib import Path
from typing import Final

OURS: Final = ("bothends*", "bench.*", "calipers*")


def make_private(folder: Path) -> None:
    """Make `folder` where it is not there, and it and our files in it readable by the user alone.

    Files that another user owns stay as they are. Raises OSError where the folder can't be made.
    """
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    with suppress(OSError):
        folder.chmod(0o700)
    for pattern in OURS:
        for file in folder.glob(pattern):
            with suppress(OSError):
                if file.is_file() and not file.is_symlink():
                    file.chmod(0o600)


def give_to_owner(path: Path) -> None:
    """Give what root has just made at `path` to the owner of its folder, as whom a service must
    open it. Raises OSError."""
    if sys.platform != "win32" and os.geteuid() == 0:
        folder = path.parent.stat()
        os.chown(path, folder.st_uid, folder.st_gid, follow_symlinks=False)
