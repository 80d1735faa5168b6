"""Until when a caliper may be trusted: by the blocks it read, and by how it repeats on one spot."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

import numpy as np
from numpy.typing import NDArray

from analysis import sentences
from analysis.uncertainty import REPEATABILITY_MM, ZERO_BOUND_MM
from analysis.until import OWN_DAYS, Followed, Until, until
from api.answers.caliper_studies import BlockError, BlockStudy, CaliperStudies, SpotStudy
from api.answers.good_until import GoodUntil, said

Array = NDArray[np.float64]

_ALSO: Final = "after a fall, and whenever its jaws closed do not read zero"


@dataclass(frozen=True, slots=True)
class CaliperUntil:
    """of: what it is checked by. note: which limit its checks are held to, and what is known of
    the block; empty before the first one."""

    of: str
    good_until: GoodUntil
    note: str


def caliper_until(
    studies: CaliperStudies, own_days: int | None, certificate: str | None, moment: datetime
) -> tuple[CaliperUntil, ...]:
    """Of its known blocks, and of its readings of one spot.

    own_days: a person's own interval, None where none is said. certificate: of the caliper or of
    the block. A block's stated size counts with the bound given for it, which is taken off the
    limit: ISO 14253-1 asks that the uncertainty lie within it.
    """
    blocks, spots = studies.known_block, studies.same_spot
    return (
        _of_blocks(blocks, own_days, certificate, moment),
        _of_spots([s for s in spots if s.repeatability is not None], own_days, moment),
    )


def _of_blocks(
    blocks: Sequence[BlockStudy], own_days: int | None, certificate: str | None, moment: datetime
) -> CaliperUntil:
    if not blocks:
        return CaliperUntil("known block", _never("by a known block"), "")
    worst = [max(study.blocks, key=lambda b: abs(b.error.estimate)) for study in blocks]
    bound = max(_bound(block) for block in blocks[-1].blocks)
    half = ZERO_BOUND_MM - bound
    at = [study.started_at for study in blocks]
    found = _followed(at, [block.error.estimate for block in worst], half, own_days)
    if half > 0 and abs(worst[-1].error.estimate) > half:
        until_when = GoodUntil(
            None, None, "Now: it read a known block wrong by more than its limit; set its zero, "
            "clean its jaws and check it again.",
        )  # fmt: skip
    else:
        until_when = said(at[-1], found, own_days, moment, "mm", _ALSO)
    return CaliperUntil("known block", until_when, _note(bound, half, certificate))


def _bound(block: BlockError) -> float:
    return block.size_within_mm or 0.0


def _note(bound: float, half: float, certificate: str | None) -> str:
    limit = f"{sentences.short_length(ZERO_BOUND_MM)}"
    if half <= 0:
        said = (
            f"The block's stated size may be off by {sentences.short_length(bound)}, as much as "
            f"the limit of {limit}: it cannot tell whether the caliper keeps that."
        )
    elif bound:
        said = (
            f"Held to {limit} of error, less {sentences.short_length(bound)} by which the block's "
            "stated size may be off."
        )
    else:
        said = (
            f"Held to {limit} of error. By how much the block's stated size may be off is not "
            "said: it is taken as exact."
        )
    return f"{said} Certificate: {certificate}" if certificate else said


def _of_spots(spots: Sequence[SpotStudy], own_days: int | None, moment: datetime) -> CaliperUntil:
    if not spots:
        return CaliperUntil("same spot", _never("on one spot"), "")
    at = [study.started_at for study in spots]
    sds = [0.0 if s.repeatability is None else s.repeatability.sd for s in spots]
    note = (
        f"Held to a repeatability of {sentences.short_length(REPEATABILITY_MM)}, which is taken "
        "where nothing is known."
    )
    found = _followed(at, sds, REPEATABILITY_MM, own_days)
    return CaliperUntil("same spot", said(at[-1], found, own_days, moment, "mm", _ALSO), note)


def _followed(
    at: Sequence[datetime], off: Sequence[float], half: float, own_days: int | None
) -> Until:
    if half <= 0:
        return Until(float(own_days or OWN_DAYS), "own interval", 1)
    days = np.array([(moment - at[0]).total_seconds() / 86_400 for moment in at])
    return until(followed(days, np.array(off), half), own_days)


def followed(days: Array, off: Array, half: float) -> Followed:
    """The checks of a caliper. A check outside the limit ends a state, since the caliper is set or
    mended then, and counts as a jump where the one before was within."""
    out = np.abs(off) > half
    # The last check itself is within: of one outside no date is said.
    since = int(np.flatnonzero(out[:-1]).max(initial=-1)) + 1
    jumped = [k for k in np.flatnonzero(out).tolist() if k and not out[k - 1]]
    return Followed(days, off, half, since, jumps=tuple(float(off[k] - off[k - 1]) for k in jumped))


def _never(how: str) -> GoodUntil:
    return GoodUntil(None, None, f"Now: it has not been checked {how} yet.")
