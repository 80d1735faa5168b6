"""The limit of open files: raised as far as needed, with a sentence where that is too few."""

from __future__ import annotations

from typing import Final

from api.commands import fail

# Files of one serial port: itself, pyserial's two pipes, and one that wakes its reader.
_A_PORT: Final = 7
# Files for the store, its readers, pages and phones.
_BESIDE: Final = 200
# A much higher limit would slow down programs that go through all possible file numbers.
_ENOUGH: Final = 65_536


def allow_files(ports: int) -> int:
    """Let this program open enough files to listen to so many ports; returns how many of them are
    left for readers of live events.

    Ends the command with a sentence where the system does not allow it. Windows has no such limit.
    """
    try:
        import resource
    except ImportError:
        return _ENOUGH
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    most = _ENOUGH if hard == resource.RLIM_INFINITY else min(hard, _ENOUGH)
    if soft != resource.RLIM_INFINITY and soft < most:
        try:
            resource.setrlimit(resource.RLIMIT_NOFILE, (most, hard))
            soft = most
        except (OSError, ValueError):
            pass  # some systems report more than they allow
    needed = ports * _A_PORT + _BESIDE
    if soft == resource.RLIM_INFINITY:
        return _ENOUGH
    if soft < needed:
        fail(
            f"{ports} calipers need about {needed} open files, and this computer allows {soft};"
            f" raise that with ulimit -n {needed} (in a service: LimitNOFILE={needed}), or spread"
            " the calipers over several programs"
        )
    # Of what is left beside the ports, half is for the store, its backups and other requests.
    return soft - needed + _BESIDE // 2
