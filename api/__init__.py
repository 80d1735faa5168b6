"""The store, the HTTP API, the pages, and the command line."""

from typing import Final

from analysis.rules import RULES

VERSION: Final = "0.9.0"

MADE_BY: Final = f"bothends {VERSION}, rules {RULES}"
"""On every card, report and export: what made it, and by which rules it speaks."""
