"""Processes forked from one that has done the imports.

A run of pytest has one process that forks, which imports what it is told to before its first fork.
So all name it here: of two who each set a list of their own, the servers of `tests/whole` once had
the other's, and each imported the program anew.
"""

from __future__ import annotations

import multiprocessing
from multiprocessing.context import ForkServerContext

_IMPORTED: list[str] = []


def forks(*modules: str) -> ForkServerContext:
    """What starts forked processes, with `modules` imported before, besides what others name."""
    _IMPORTED.extend(modules)
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(_IMPORTED)
    return context
