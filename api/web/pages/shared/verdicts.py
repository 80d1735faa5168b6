"""The mark shown with each verdict; base.css has its colour."""

from __future__ import annotations

from typing import Final

from analysis.conformity import ADJUST, GOOD, UNKNOWN, Verdict

VERDICT_MARKS: Final[dict[Verdict, str]] = {GOOD: "good", ADJUST: "adjust", UNKNOWN: "cannot"}
"""The name of the mark in `marks.svg`, by verdict."""
