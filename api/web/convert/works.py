"""From works and how likely they succeed to their shapes."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any
from uuid import UUID

from sqlalchemy import Row

from analysis.works.chances import Chances
from api.answers import urgency
from api.answers.urgency import Urgency
from api.answers.usual_works import UsualWork
from api.answers.work_parts import WorkAnswer
from api.answers.works import StopOfMachine, WorkVerdict
from api.web.shapes.history import StopStandingOut
from api.web.shapes.series import StopHead
from api.web.shapes.works import (
    ChancesOut,
    LinearSumOut,
    MadeWorkOut,
    MatchingOut,
    PartsAnswerOut,
    StopShareOut,
    StopVerdictOut,
    StopWorksOut,
    WorkAnswerOut,
    WorkVerdictOut,
)


def made_work_out(row: Row[Any]) -> MadeWorkOut:
    return MadeWorkOut.model_validate(row._asdict() | {"need": need_words(row)})


def need_words(work: Row[Any] | UsualWork) -> str:
    """What a work needs, as a sentence."""
    if work.tolerance_deg is not None:
        return f"Each cut within {work.tolerance_deg} degrees of nominal."
    return f"A gap of no more than {work.gap} {work.unit} over a joint of {work.joint} {work.unit}."


Standings = Mapping[UUID, StopStandingOut]
"""How each stop is, by its id."""


def stop_works_out(
    state: StopOfMachine, found: list[WorkVerdict], standings: Standings
) -> StopWorksOut:
    """A stop and the verdicts on it."""
    standing = standings[state.stop.id]
    return StopWorksOut(
        stop=StopHead.model_validate(state.stop),
        works=[work_verdict_out(each, work_urgency(each, state, standing)) for each in found],
        **_of_latest(state, standing),
    )


def work_urgency(found: WorkVerdict, state: StopOfMachine, standing: StopStandingOut) -> Urgency:
    """Whether the verdict on a stop for a work still holds, and how urgent it is."""
    return urgency.of_work(found.verdict, standing.urgency, standing.good_until, state.state.now)


def work_verdict_out(found: WorkVerdict, urgent: Urgency) -> WorkVerdictOut:
    """The verdict on a stop for a work."""
    return WorkVerdictOut(
        work=None if found.work is None else found.work.id,
        name=None if found.work is None else found.work.name,
        verdict=found.verdict,
        urgency=urgent,
        sentence=found.sentence,
        own=found.own,
    )


def work_answer_out(
    work: Row[Any],
    stops: list[tuple[StopOfMachine, WorkVerdict]],
    parts: WorkAnswer | None,
    standings: Standings,
) -> WorkAnswerOut:
    """All that is known for one work."""
    return WorkAnswerOut(
        work=made_work_out(work),
        stops=[_stop_verdict_out(*each, standings[each[0].stop.id]) for each in stops],
        parts=None if parts is None else _parts_out(parts),
    )


def _of_latest(state: StopOfMachine, standing: StopStandingOut) -> dict[str, Any]:
    latest = state.latest
    return {
        "good_until": standing.good_until,
        "until": standing.until,
        "series": None if latest is None else latest.series.id,
        "checked_at": None if latest is None else latest.at,
    }


def _stop_verdict_out(
    state: StopOfMachine, found: WorkVerdict, standing: StopStandingOut
) -> StopVerdictOut:
    return StopVerdictOut(
        machine=state.machine.id,
        machine_name=state.machine.name,
        stop=StopHead.model_validate(state.stop),
        verdict=found.verdict,
        urgency=work_urgency(found, state, standing),
        sentence=found.sentence,
        **_of_latest(state, standing),
    )


def _parts_out(found: WorkAnswer) -> PartsAnswerOut:
    joints = found.assembly.joints
    return PartsAnswerOut(
        accepted_mm=dict(zip(joints, found.accepted_mm, strict=True)),
        chances=None if found.chances is None else _chances_out(found.chances),
        missing=list(found.missing),
        sentences=list(found.sentences),
    )


def _chances_out(found: Chances) -> ChancesOut:
    return ChancesOut(
        within=found.within,
        u=found.u,
        usual_mm=found.usual_mm,
        most_mm=found.most_mm,
        worst=found.worst,
        linear=LinearSumOut(
            joint=found.linear.joint,
            gap_mm=found.linear.gap_mm,
            expanded_uncertainty_mm=found.linear.expanded_mm,
            within=found.linear.within,
        ),
        stops=[
            StopShareOut(
                stop=part.stop.called,
                without_mm=part.without_mm,
                reach_deg=_deg(part.reach_rad),
                reach_scatter_deg=_deg(part.reach_sd),
            )
            for part in found.parts
        ],
        together_deg=_deg(found.together_rad),
        matching=[
            MatchingOut(stop=each.stop.called, differ_mm=each.differ_mm, within=each.within)
            for each in found.matching
        ],
    )


def _deg(angle_rad: float | None) -> float | None:
    return None if angle_rad is None else math.degrees(angle_rad)
