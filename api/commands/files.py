"""Open files: as many as the system allows, and a sentence where those are too few."""

from __future__ import annotations

from typing import Final

from api.commands import fail

# What one serial port keeps open: itself, pyserial's two pipes, and one that wakes its reader.
_A_PORT: Final = 7
# The store, its readers, pages and phones.
_BESIDE: Final = 200
# A limit far above this would only slow down what looks through all possible files.
_ENOUGH: Final = 65_536


def allow_files(ports: int) -> None:
    """Let this program open enough files to listen to so many ports.

    Ends the command with a sentence where the system does not allow it. Windows has no such limit.
    """
    try:
        import resource
    except ImportError:
        return
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    most = _ENOUGH if hard == resource.RLIM_INFINITY else min(hard, _ENOUGH)
    if soft != resource.RLIM_INFINITY and soft < most:
        try:
            resource.setrlimit(resource.RLIMIT_NOFILE, (most, hard))
            soft = most
        except (OSError, ValueError):
            pass  # some systems promise more than they give
    needed = ports * _A_PORT + _BESIDE
    if soft != resource.RLIM_INFINITY and soft < needed:
        fail(
            f"{ports} calipers need about {needed} open files, and this computer allows {soft};"
            f" raise that with ulimit -n {needed} (in a service: LimitNOFILE={needed}), or spread"
            " the calipers over several programs"
        )
