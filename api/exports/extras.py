"""Libraries that only some formats need: imported when used, with a sentence where missing."""

from __future__ import annotations

from importlib import import_module
from importlib.util import find_spec
from types import ModuleType

from capture.installed import add_command


class MissingExtra(Exception):
    """A library is not installed; the message names the command that installs it."""


def needed(module: str, what: str) -> ModuleType:
    """The module. Raises MissingExtra where it is not installed: `what` needs it."""
    try:
        return import_module(module)
    except ImportError:
        raise _missing(module, what) from None


def find(package: str, what: str) -> None:
    """The same without loading it, for what is used in another process."""
    if find_spec(package) is None:
        raise _missing(package, what)


def _missing(module: str, what: str) -> MissingExtra:
    command = add_command(module.partition(".")[0])
    return MissingExtra(f"{what} needs one more package; run: {command}")
