"""From answers (radians, mm, rows) to shapes (degrees, mm): the only place for that."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Any
from uuid import UUID

from sqlalchemy import Row

from analysis.drift import Trend
from analysis.interval import Interval
from analysis.methods import Quantity
from analysis.score import QuantityScore, Score
from analysis.spread import OwnScatter
from analysis.units import MM_PER_INCH, mm, unit_text
from analysis.visits import Visits
from analysis.work import Effect
from api.answers.bench import BenchAnswer, Heard
from api.answers.caliper_studies import CaliperStudies
from api.answers.caliper_until import CaliperUntil
from api.answers.findings import DoubtedTrials
from api.answers.progress import progress
from api.answers.series import Scored, SeriesAnswer, TrialAnswer
from api.answers.studies import Study, StudySource
from api.answers.visited import in_mm
from api.answers.work import WorkAnswer
from api.answers.works import leaning
from api.instruments.calipers import CaliperRecord
from api.web.convert.sentences import now_out, parts_out, progress_out
from api.web.shapes.benches import AwaitingOut, BenchOut, CaliperOut, StoreOut
from api.web.shapes.calipers import CaliperOnRecord, CaliperStudiesOut, CaliperUntilOut
from api.web.shapes.machines import MachineOut
from api.web.shapes.readings import NextOut, ReadingOut, RefusalOut
from api.web.shapes.scores import (
    ContributionOut,
    DoubtOut,
    IntervalOut,
    OwnScatterOut,
    QuantityOut,
    ScoreOut,
    StudyOut,
    ToleranceOut,
    TrendOut,
    VisitsOut,
    WithoutOut,
)
from api.web.shapes.series import (
    AsideOut,
    ChangeOut,
    SeriesHead,
    SeriesOut,
    StopHead,
    TrialOut,
    TrialReadingOut,
)
from api.web.shapes.work import AllowedOut, EffectOut, WorkOut
from capture.folded import Aside
from capture.records import CaliperState, Reading


def series_out(found: SeriesAnswer) -> SeriesOut:
    """A series whole."""
    score = score_out(found.scored)
    return SeriesOut(
        **_head_fields(found.row),
        nominal_deg=float(found.row.nominal_deg),
        actual_deg=_actual_deg(found, score),
        trials=[trial_out(t) for t in found.trials],
        score=score,
        progress=progress_out(progress(found.scored)),
        doubts=[_doubt_out(d) for d in found.doubts],
        trend={q: _trend_out(t, q, found.row.unit) for q, t in found.trend.items()},
        visits={q: visits_out(v, q, found.row.unit) for q, v in found.visits.items()},
        aside=[_uncounted_out(u) for u in found.uncounted],
        corrections=[change_out(change) for change in found.corrections],
    )


def _actual_deg(found: SeriesAnswer, score: ScoreOut) -> float | None:
    """The angle itself; None where the method does not say which way a cut leans."""
    angle, way = score.quantities.get("angle"), leaning(found.facts.method, found.row)
    if angle is None or angle.mean is None or way is None or float(found.row.bevel_deg):
        return None
    return float(found.row.nominal_deg) + way * angle.mean


def visits_out(found: Visits, quantity: Quantity, unit: str) -> VisitsOut:
    """How a machine returned to its stop; unit: of the series."""
    per = in_mm(unit, quantity)

    def out(value: float) -> float:
        return outward(value * per, quantity)

    def maybe(value: float | None) -> float | None:
        return None if value is None else out(value)

    def interval(found: Interval | None) -> IntervalOut | None:
        return None if found is None else interval_out(found, out)

    return VisitsOut(
        strips=list(found.strips),
        means=[out(mean) for mean in found.means],
        within=maybe(found.within),
        within_interval=interval(found.within_interval),
        between=maybe(found.between),
        between_interval=interval(found.between_interval),
        returns=out(found.returns),
        told=found.told,
        sentence=found.sentence,
    )


def change_out(row: Row[Any]) -> ChangeOut:
    """A correction, from its row in the trail."""
    fields = {name: getattr(row, name) for name in ChangeOut.model_fields.keys() & row._fields}
    return ChangeOut(series=row.series_id, reading=row.reading_id, **fields)


def series_head(row: Row[Any]) -> SeriesHead:
    """A series without its trials, from its row with the names of its bench and machine."""
    return SeriesHead.model_validate(_head_fields(row))


def _head_fields(row: Row[Any]) -> dict[str, Any]:
    fields: dict[str, Any] = {
        name: getattr(row, name)
        for name in SeriesHead.model_fields
        if name not in ("machine", "stop", "tolerance", "jaw_width", "work")
    }
    fields["stop"] = stop_head(row.stop_id, row.stop, row.nominal_deg, row.bevel_deg)
    fields["work"] = row.work_id
    jaws = row.jaw_width_nm
    fields["jaw_width"] = None if jaws is None else unit_text(jaws, row.unit)
    fields["machine"] = machine_of(row)
    tolerance = ToleranceOut(
        deg=row.tolerance_deg,
        gap=row.tolerance_gap,
        joint=row.tolerance_joint,
        length=row.tolerance_length,
        nominal=row.tolerance_nominal,
    )
    fields["tolerance"] = tolerance if any(tolerance.model_dump().values()) else None
    return fields


def machine_of(row: Row[Any]) -> MachineOut:
    """The machine of a series, from a row of that with the machine's columns."""
    return MachineOut(
        id=row.machine_id,
        name=row.machine_name,
        kind=row.machine_kind,
        created_at=row.machine_created_at,
        note=row.machine_note,
        retired_at=row.machine_retired_at,
    )


def stop_head(stop_id: UUID, name: str, nominal_deg: str, bevel_deg: str) -> StopHead:
    """A stop, from its texts as they are kept."""
    return StopHead(
        id=stop_id, name=name, nominal_deg=float(nominal_deg), bevel_deg=float(bevel_deg)
    )


def trial_out(found: TrialAnswer) -> TrialOut:
    """A trial with its readings."""
    row = found.row
    return TrialOut(
        id=row.id,
        series=row.series_id,
        number=row.number,
        visit=row.visit,
        state=row.state,
        flags=list(row.flags),
        readings=[
            TrialReadingOut(place=found.places[r.place].key, **_reading_fields(r))
            for r in found.readings
        ],
        deviation_mm=None if row.deviation_mm is None else float(row.deviation_mm),
        angle_deg=row.angle_deg,
        tilt_deg=row.tilt_deg,
        length_mm=row.length_mm,
        expanded_uncertainty_deg=row.expanded_uncertainty_deg,
        taken_at=row.taken_at,
    )


def bench_out(
    found: BenchAnswer, calipers: Iterable[CaliperState], pretend: bool = False
) -> BenchOut:
    """A bench, with its calipers as they are now."""
    return BenchOut(
        name=found.name,
        series=None if found.series is None else series_head(found.series),
        ended=None if found.ended is None else series_head(found.ended),
        next=None if found.next is None else NextOut(**found.next.as_json()),
        last_reading=None if found.last_reading is None else reading_out(found.last_reading),
        awaiting=None if found.awaiting is None else _awaiting_out(found.awaiting),
        calipers=[caliper_out(c) for c in calipers],
        pretend=pretend,
        clock_behind_ms=found.clock_behind_ms,
        last_event=found.last_event,
    )


def _awaiting_out(found: Heard) -> AwaitingOut:
    return AwaitingOut(
        id=found.row.id,
        sent=found.row.sent,
        question=found.fate["question"],
        asked=found.fate["asked"],
    )


def caliper_out(state: CaliperState) -> CaliperOut:
    """An instrument's state."""
    return CaliperOut(
        name=state.name,
        heard_as=state.caliper,
        bench=state.bench,
        state=state.state,
        message=state.message,
        last_heard=state.last_heard,
    )


def caliper_on_record(found: CaliperRecord) -> CaliperOnRecord:
    """A caliper with its latest studies, which are in mm inside too."""
    return CaliperOnRecord.model_validate(found)


def caliper_studies_out(found: CaliperStudies, until: Sequence[CaliperUntil]) -> CaliperStudiesOut:
    """The studies of a caliper, which are in mm inside too, and when its next ones are due."""
    names = CaliperStudiesOut.model_fields.keys() - {"until"}
    return CaliperStudiesOut(
        **{name: getattr(found, name) for name in names},
        until=[
            CaliperUntilOut(
                of=each.of,
                good_until=each.good_until.at,
                chance=each.good_until.chance,
                until=each.good_until.sentence,
                note=each.note,
            )
            for each in until
        ],
    )


def reading_out(found: Heard) -> ReadingOut:
    """A reading and what became of it when it was kept."""
    return ReadingOut(bench=found.row.bench, **_reading_fields(found.row), **found.fate)


def store_out(message: str, kept_beside: int, last: Reading | None) -> StoreOut:
    """The store in trouble, and the last press that was kept beside it."""
    kept = None
    if last is not None:
        kept = ReadingOut(
            bench=last.bench,
            **_reading_fields(last),
            outcome="kept beside",
            trial=None,
            place=None,
        )
    return StoreOut(message=message, kept_beside=kept_beside, last=kept)


def _reading_fields(reading: Row[Any] | Reading) -> dict[str, Any]:
    """The fields of a reading that do not depend on its outcome."""
    return {
        "id": reading.id,
        "sent": reading.sent,
        "unit": reading.unit,
        "mm": mm(reading.nm),
        "caliper": reading.caliper,
        "origin": reading.origin,
        "taken_at": reading.taken_at,
    }


def refusal_out(row: Row[Any]) -> RefusalOut:
    """A refusal, from its row with the names of its caliper and bench."""
    return RefusalOut(
        id=row.id,
        bench=row.bench,
        caliper=row.caliper,
        text=row.raw,
        reason=row.reason,
        heard_at=row.heard_at,
    )


def work_out(found: WorkAnswer, angle_deg: float | None, u_deg: float) -> WorkOut:
    """An error and the work; angle_deg and u_deg: the error as it was given."""
    return WorkOut(
        angle_deg=angle_deg,
        expanded_uncertainty_deg=u_deg,
        joint=_effect_out(found.effects.joint),
        side=_effect_out(found.effects.side),
        case=_effect_out(found.effects.case),
        frame=_effect_out(found.effects.frame),
        allowed=[
            AllowedOut(
                of=limit.of,
                deg=math.degrees(limit.limit_rad),
                within=limit.within,
                sentence=limit.sentence,
            )
            for limit in found.allowed
        ],
    )


def _effect_out(found: Effect | None) -> EffectOut | None:
    if found is None:
        return None
    return EffectOut(
        mm=found.mm, expanded_uncertainty_mm=found.expanded_mm, sentence=found.sentence
    )


def score_out(found: Scored) -> ScoreOut:
    """What the trials of a series say; the budget's lines name the studies behind them."""
    named = _named_sources(found.study)
    return ScoreOut(
        trials=found.score.trials,
        quantities={name: _quantity_out(q, named) for name, q in found.score.quantities.items()},
        notes=list(found.score.notes),
        study=None if found.study == Study() else _study_out(found.study),
    )


def _doubt_out(found: DoubtedTrials) -> DoubtOut:
    return DoubtOut(
        kind=found.doubt.kind,
        trials=list(found.doubt.trial_numbers),
        sentence=found.doubt.sentence,
        now=now_out(found.doubt) if found.at_hand else None,
        without=_without_out(found.without),
    )


def _without_out(score: Score) -> dict[str, WithoutOut]:
    left = {name: _quantity_out(q, {}) for name, q in score.quantities.items()}
    return {name: WithoutOut.model_validate(q) for name, q in left.items()}


def _trend_out(found: Trend, quantity: Quantity, unit: str) -> TrendOut:
    per = MM_PER_INCH if quantity == "length" and unit == "in" else 1.0

    def number(value: float | None) -> float | None:
        return None if value is None else outward(value * per, quantity)

    return TrendOut(
        cuts=found.cuts,
        creep=number(found.creep),
        interval=optional_interval(found.interval, lambda value: outward(value * per, quantity)),
        p=found.p,
        early=number(found.early),
        late=number(found.late),
        shown=found.shown,
        sentence=found.sentence,
    )


def _uncounted_out(found: Aside) -> AsideOut:
    return AsideOut(why=found.why, **_reading_fields(found.reading))


def _study_out(study: Study) -> StudyOut:
    return StudyOut(
        repeatability_mm=study.repeatability_mm,
        repeatability_degrees_of_freedom=study.repeatability_df,
        scale_u=study.scale_u,
        zero_u_mm=study.zero_u_mm,
        same_spot=[source.series for source in study.same_spot],
        repeatability_from=study.same_spot[0].started_at if study.same_spot else None,
        repeatability_to=study.same_spot[-1].started_at if study.same_spot else None,
        known_block=[source.series for source in study.known_block],
    )


def _dated(sources: Sequence[StudySource]) -> str:
    """ "same-spot series of 2026-03-02", "3 same-spot series, 2024-05-01 to 2026-03-02"."""
    first, last = (f"{of.started_at:%Y-%m-%d}" for of in (sources[0], sources[-1]))
    if len(sources) == 1:
        return f"same-spot series of {first}"
    return f"{len(sources)} same-spot series, {first} to {last}"


def _named_sources(study: Study) -> dict[str, str]:
    """What a budget's line says about the study it uses, by the line's source."""
    named = {}
    if study.same_spot:
        named["caliper and hand, repeatability"] = f" ({_dated(study.same_spot)})"
    if study.known_block:
        on = study.known_block[-1].started_at
        named["caliper scale"] = f" (known blocks, latest of {on:%Y-%m-%d})"
        named["caliper zero"] = named["caliper scale"]
    return named


def _quantity_out(q: QuantityScore, named: Mapping[str, str]) -> QuantityOut:
    def out(value: float) -> float:
        return outward_of(value, q.unit)

    def number(value: float | None) -> float | None:
        return None if value is None else out(value)

    return QuantityOut(
        unit="deg" if q.unit == "rad" else "mm",
        trials=q.trials,
        mean=number(q.mean),
        sd=number(q.sd),
        range=number(q.range),
        expanded_uncertainty=number(q.expanded_uncertainty),
        coverage_factor=q.coverage_factor,
        effective_degrees_of_freedom=q.effective_degrees_of_freedom,
        mean_interval=optional_interval(q.mean_interval, out),
        sd_interval=optional_interval(q.sd_interval, out),
        prediction=optional_interval(q.prediction, out),
        tolerance_interval=optional_interval(q.tolerance_interval, out),
        own_scatter=_own_scatter(q.own_scatter, out),
        conformance=q.conformance,
        tolerance=None if q.tolerance is None else out(q.tolerance.high),
        verdict=q.verdict,
        rule=q.rule,
        statement=q.statement,
        direction=q.direction,
        sentence=q.sentence,
        sentence_parts=parts_out(q.sentence),
        scatter=q.scatter,
        remedy=None if q.remedy is None else q.remedy.sentence,
        budget=[
            ContributionOut(
                source=c.source + named.get(c.source, ""),
                value=outward_of(c.value, c.unit),
                unit="deg" if c.unit == "rad" else c.unit,
                distribution=c.distribution,
                standard_uncertainty=outward_of(c.standard_uncertainty, c.unit),
                # Of the result in its own unit outside, for one of the line's unit outside.
                sensitivity=c.sensitivity if c.unit == "rad" else out(c.sensitivity),
                contribution=out(c.contribution),
                degrees_of_freedom=c.degrees_of_freedom,
            )
            for c in (q.budget.contributions if q.budget else ())
        ],
    )


def outward_of(value: float, unit: str) -> float:
    """Degrees for radians, mm for inches; in any other unit as it is."""
    if unit == "rad":
        return math.degrees(value)
    return value * MM_PER_INCH if unit == "in" else value


def _own_scatter(found: OwnScatter | None, out: Callable[[float], float]) -> OwnScatterOut | None:
    if found is None:
        return None
    interval = interval_out(found.interval, out)
    sd = None if found.sd is None else out(found.sd)
    return OwnScatterOut(sd=sd, interval=interval, hidden=found.hidden)


def optional_interval(found: Interval | None, out: Callable[[float], float]) -> IntervalOut | None:
    return None if found is None else interval_out(found, out)


def interval_out(found: Interval, out: Callable[[float], float]) -> IntervalOut:
    """An interval, each end by `out`."""
    return IntervalOut(low=out(found.low), high=out(found.high), level=found.level)


def outward(value: float, quantity: Quantity) -> float:
    """Degrees for an angle or a tilt in radians, millimetres as they are."""
    return value if quantity == "length" else math.degrees(value)
