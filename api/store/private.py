"""Files of the data folder are for the user alone: other people's names and notes are in them."""

from __future__ import annotations

import os
import stat
import sys
from contextlib import suppress
from pathlib import Path
from typing import Final

OURS: Final = ("bothends*", "bench.*", "calipers*")


def make_private(folder: Path) -> None:
    """Make `folder` where it is not there, and it and our files in it readable by the user alone.

    Files that another user owns stay as they are, and so does a folder that is not for one program:
    a home, or one like /tmp. Raises OSError where the folder can't be made.
    """
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    with suppress(OSError):
        if not _for_more(folder):
            folder.chmod(0o700)
    for pattern in OURS:
        for file in folder.glob(pattern):
            with suppress(OSError):
                if file.is_file() and not file.is_symlink():
                    file.chmod(0o600)


def _for_more(folder: Path) -> bool:
    if folder.stat().st_mode & stat.S_ISVTX:  # everybody's, each removing what is theirs
        return True
    with suppress(RuntimeError):  # a user without a home
        return folder.samefile(Path.home())
    return False


def give_to_owner(path: Path) -> None:
    """Give what root has just made at `path` to the owner of its folder, as whom a service must
    open it. Raises OSError."""
    if sys.platform != "win32" and os.geteuid() == 0:
        folder = path.parent.stat()
        os.chown(path, folder.st_uid, folder.st_gid, follow_symlinks=False)


def refuse_anothers(path: Path) -> None:
    """Raises OSError where a file whose contents are trusted is neither this user's nor its
    folder's: in a folder like /tmp anybody can put one there first."""
    if sys.platform == "win32":
        return
    if path.lstat().st_uid not in (0, os.geteuid(), path.parent.stat().st_uid):
        raise OSError("it belongs to another user")
