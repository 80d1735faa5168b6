"""From what comes after a series to its shapes."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal

from api.answers import urgency
from api.answers.next_act import NextAct
from api.answers.since_change import SinceChange
from api.web.convert import machine_of, optional_interval, outward_of, stop_head
from api.web.convert.advice import advice_out
from api.web.convert.history import change_out
from api.web.convert.sentences import parts_out, progress_out
from api.web.convert.works import work_verdict_out
from api.web.shapes.next_act import LinksOut, NextActOut, SinceChangeOut
from api.web.shapes.works import WorkVerdictOut


def since_change_out(found: Iterable[SinceChange]) -> list[SinceChangeOut]:
    """What a change did, by quantity."""
    return [_since_out(each) for each in found]


def _since_out(found: SinceChange) -> SinceChangeOut:
    of, left = found.of, found.left
    row, values = of.after.row, of.values
    unit: Literal["deg", "mm"] = "mm" if values.quantity == "length" else "deg"
    nominal = values.nominals_mm[1] or 0.0
    mean, uncertainty = (
        None if value is None else outward_of(value, left.unit)
        for value in (left.mean, left.expanded_uncertainty)
    )
    return SinceChangeOut(
        question=found.question,
        answer=found.answer,
        before=of.before.row.id,
        after=row.id,
        stop=stop_head(row.stop_id, row.stop, row.nominal_deg, row.bevel_deg),
        setup_changes=[change_out(change) for change in of.changes],
        quantity=values.quantity,
        unit=unit,
        counted=values.units.counted,
        moved=None if found.moved is None else outward_of(found.moved, values.unit),
        interval=optional_interval(found.interval, lambda v: outward_of(v, values.unit)),
        left=None if mean is None else mean - nominal,
        left_uncertainty=uncertainty,
        sentence=found.sentence,
        sentence_parts=parts_out(found.sentence),
        left_sentence=left.sentence,
    )


def next_act_out(found: NextAct) -> NextActOut:
    """What a series found, and what to do next."""
    row, until = found.row, found.until
    machine, series = f"/machine/{row.machine_id}", f"/series/{row.id}"
    return NextActOut(
        series=row.id,
        bench=row.bench,
        machine=machine_of(row),
        stop=stop_head(row.stop_id, row.stop, row.nominal_deg, row.bevel_deg),
        work=row.work,
        verdict=found.verdict,
        sentence=found.sentence,
        doubted=list(found.doubted),
        act=found.act,
        instruction=found.instruction,
        instruction_parts=parts_out(found.instruction),
        check_by=None if until is None else until.at,
        chance=None if until is None else until.chance,
        way=found.way,
        amount=found.amount,
        advice=None if found.advice is None else advice_out(found.advice),
        later=found.later,
        progress=progress_out(found.progress),
        works=_works_out(found),
        since_change=since_change_out(found.since),
        links=LinksOut(
            series=series,
            report=f"{series}/report",
            machine=machine,
            card=f"{machine}/card",
            mend=f"{machine}/mend?series={row.id}",
        ),
    )


def _works_out(found: NextAct) -> list[WorkVerdictOut]:
    if found.stop is None or found.stop_until is None:
        return []
    stop, until = found.stop.state, found.stop_until
    of_stop = urgency.of_stop(stop, until)
    return [
        work_verdict_out(each, urgency.of_work(each.verdict, of_stop, until.at, stop.now))
        for each in found.works
    ]
