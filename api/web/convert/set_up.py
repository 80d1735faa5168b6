"""From what a set-up proposes to its shapes."""

from __future__ import annotations

from analysis.units import unit_text
from api.answers.proposed import Proposed, ProposedWork
from api.answers.usual_works import UsualWork
from api.web.convert.works import need_words
from api.web.shapes.machines import MachineOut
from api.web.shapes.series import StopHead
from api.web.shapes.set_up import (
    PlannedStripsOut,
    ProposedOut,
    ProposedSettingsOut,
    ProposedWorkOut,
)


def proposed_out(found: Proposed) -> ProposedOut:
    """What a set-up proposes."""
    last = found.last
    machine, stop = found.machine, found.stop
    own = last is not None and machine is not None and last.machine_id == machine.id
    return ProposedOut(
        machine=None if machine is None else MachineOut.model_validate(machine),
        stop=None if stop is None else StopHead.model_validate(stop),
        series=None if last is None or not own else last.id,
        measured_at=None if last is None or not own else last.started_at,
        same_stop=last is not None and stop is not None and last.stop_id == stop.id,
        method=found.method,
        unit=None if last is None else last.unit,
        settings=_settings_out(found),
        works=[_work_out(each) for each in found.works],
        strips=PlannedStripsOut.model_validate(found.strips),
    )


def _settings_out(found: Proposed) -> ProposedSettingsOut | None:
    asked, last = found.settings, found.last
    if asked is None or last is None:
        return None
    jaws = last.jaw_width_nm
    fields = {
        name: getattr(asked, name)
        for name in ProposedSettingsOut.model_fields
        if name != "jaw_width"
    }
    return ProposedSettingsOut(
        **fields, jaw_width=None if jaws is None else unit_text(jaws, last.unit)
    )


def _work_out(found: ProposedWork) -> ProposedWorkOut:
    work = found.work
    return ProposedWorkOut(
        work=None if isinstance(work, UsualWork) else work.id,
        name=work.name,
        unit=work.unit,
        tolerance_deg=work.tolerance_deg,
        gap=work.gap,
        joint=work.joint,
        need=need_words(work),
        note=work.note,
        before=found.before,
        chosen=found.chosen,
    )
