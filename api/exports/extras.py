"""Formats whose library not everybody needs: asked for when used, and missed with a sentence."""

from __future__ import annotations

from importlib import import_module
from types import ModuleType


class MissingExtra(Exception):
    """A library is not installed; the message names the command that installs it."""


def needed(module: str, what: str) -> ModuleType:
    """The module. Raises MissingExtra where it is not installed: `what` needs it."""
    try:
        return import_module(module)
    except ImportError:
        raise MissingExtra(
            f"{what} needs one more package: pip install {module.partition('.')[0]}"
        ) from None
