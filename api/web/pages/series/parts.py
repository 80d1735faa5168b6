"""A series as its page and its report show it: figures, pictures and words for the templates."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Final
from uuid import UUID

from markupsafe import Markup
from sqlalchemy import Connection

from analysis.budget import trial_uncertainty
from analysis.conformity import Tolerance
from analysis.facts import SeriesFacts
from analysis.methods import Method, Quantity, Relation, Step, steps_for
from analysis.sentences import capital, times
from api.answers.moments import day
from api.answers.series import series as whole_series
from api.web import convert
from api.web.pages.series.chart import Dot, budget_chart, strip_chart
from api.web.pages.shared.numbers import Unit, size, with_uncertainty
from api.web.pages.shared.words import FLAGS
from api.web.shapes import (
    ChangeOut,
    ContributionOut,
    DoubtOut,
    IntervalOut,
    QuantityOut,
    SeriesOut,
    StudyOut,
    TrendOut,
    TrialOut,
)

ORIGINS: Final = {
    "button": "by its send button",
    "keys": "typed by the caliper",
    "typed": "typed by hand",
    "imported": "from an old notebook",
}
ASIDE: Final = {
    "bounced": "ignored: a repeat of the previous reading",
    "taken back": "taken back",
    "replaced": "another reading took its place",
    "awaiting": "can hardly be right; not counted until somebody says so",
    "closed jaws": "jaws shut: this took the previous reading back",
}
_TITLES: Final[dict[Quantity, str]] = {"angle": "Angle", "tilt": "Tilt", "length": "Length"}
# Above this, Student's t is the normal distribution to three digits.
_UNLIMITED_DF: Final = 1000


@dataclass(frozen=True, slots=True)
class Fact:
    """Plain words, the standard's term for them, and the number."""

    words: str
    term: str
    value: Markup


@dataclass(frozen=True, slots=True)
class Known:
    """What studies say about the calipers, and the series of these studies."""

    words: Markup
    series: tuple[UUID, ...]


@dataclass(frozen=True, slots=True)
class Setting:
    words: str
    value: str | Markup


@dataclass(frozen=True, slots=True)
class Asked:
    """A setting as the form to correct it asks for it: its name in the API, and what it is now."""

    name: str
    words: str
    now: str


@dataclass(frozen=True, slots=True)
class Corrected:
    """A correction in words; undoable: it stands, and is not itself the undoing of another."""

    change: ChangeOut
    words: str
    undoable: bool


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the budget, with its share of the variance in per cent."""

    source: str
    value: Markup
    u: Markup
    distribution: str
    sensitivity: str
    contribution: Markup
    df: str
    share: float


@dataclass(frozen=True, slots=True)
class Change:
    """One quantity with all trials, and without the doubtful ones; a dash where none is left."""

    title: str
    whole: Markup
    verdict: str | None
    left: Markup
    verdict_left: str | None


@dataclass(frozen=True, slots=True)
class Doubted:
    doubt: DoubtOut
    changes: tuple[Change, ...]


@dataclass(frozen=True, slots=True)
class Row:
    """A trial in the table below the picture; `u` is the uncertainty of its measuring (95 %)."""

    trial: TrialOut
    deviation: Markup
    value: Markup
    u: Markup
    flags: tuple[str, ...]
    doubted: bool


@dataclass(frozen=True, slots=True)
class QuantityView:
    """What the series says of one quantity.

    figure: the main result, None where there is none yet. signs: what a plus means, "" for a
    length. tolerance_hidden: the limits are outside the picture.
    """

    key: Quantity
    title: str
    out: QuantityOut
    figure: Markup | None
    signs: str
    rows: tuple[Row, ...]
    strip: Markup | None
    tolerance_hidden: bool
    facts: tuple[Fact, ...]
    budget: tuple[Line, ...]
    bars: Markup | None
    combined: Markup
    trend: TrendOut | None


@dataclass(frozen=True, slots=True)
class SeriesView:
    """`running`: its bench feeds it now, so that its readings can be changed. assumed: no
    study of its calipers says how well they repeat."""

    series: SeriesOut
    method: Method
    steps: tuple[Step, ...]
    running: bool
    quantities: tuple[QuantityView, ...]
    doubts: tuple[Doubted, ...]
    settings: tuple[Setting, ...]
    calipers: tuple[str, ...]
    standards: tuple[tuple[str, str], ...]
    study: tuple[Known, ...]
    assumed: bool
    usual: tuple[Asked, ...]
    rest: tuple[Asked, ...]
    corrected: tuple[Corrected, ...]


def series_view(connection: Connection, series_id: UUID, running: bool) -> SeriesView:
    """The series; `running`: its bench feeds it now.

    Raises NotFound where no series has that id.
    """
    found = whole_series(connection, series_id)
    series, facts = convert.series_out(found), found.facts
    method = facts.method
    calipers = dict.fromkeys(r.caliper for t in series.trials for r in t.readings)
    return SeriesView(
        series=series,
        method=method,
        steps=steps_for(method, series.strip_side),
        running=running,
        quantities=tuple(_quantity(series, facts, q, method.noun) for q in method.reveals),
        doubts=tuple(_doubted(d, series, method) for d in series.doubts),
        settings=tuple(_settings(series, method, facts)),
        calipers=tuple(calipers),
        standards=tuple(_standards(series)),
        study=tuple(_study(series)),
        assumed=facts.repeatability_mm is None,
        usual=tuple(_usual(series, method)),
        rest=tuple(_rest(series, method)),
        corrected=tuple(_corrected(c, method.noun) for c in series.corrections),
    )


def _quantity(series: SeriesOut, facts: SeriesFacts, key: Quantity, noun: str) -> QuantityView:
    out = series.score.quantities[key]
    unit = out.unit
    values = _values(series, facts, key)
    doubted = {n for d in series.doubts for n in d.trials}
    combined = math.hypot(*(c.contribution for c in out.budget))
    strip, hidden = _strip(facts, key, out, values, doubted, noun)
    relation = facts.method.relation(key)
    bars = f"What the uncertainty of the {key} is made of"
    return QuantityView(
        key=key,
        title=_TITLES[key],
        out=out,
        figure=_figure(facts, out),
        signs=_signs(relation) if relation else "",
        rows=tuple(
            Row(
                trial=t,
                deviation=size(t.deviation_mm, "mm", facts.resolution_mm * 10, sign=True),
                value=size(v, unit, e, sign=unit == "deg"),
                u=size(e, unit, e),
                flags=tuple(FLAGS.get(f, f) for f in t.flags),
                doubted=t.number in doubted,
            )
            for t, v, e in values
        ),
        strip=strip,
        tolerance_hidden=hidden,
        facts=tuple(_facts(facts, out)),
        budget=tuple(_line(c, unit, combined) for c in out.budget),
        bars=Markup(budget_chart(bars, unit, out.budget, combined)) if out.budget else None,
        combined=size(combined, unit, combined),
        trend=series.trend.get(key),
    )


def _values(
    series: SeriesOut, facts: SeriesFacts, key: Quantity
) -> list[tuple[TrialOut, float | None, float | None]]:
    """Each trial with its value and the expanded uncertainty of its measuring alone."""
    complete = [t for t in series.trials if t.state == "complete"]
    outward = 1.0 if key == "length" else math.degrees(1)
    expanded: dict[int, float] = {}
    try:
        for trial, u in zip(complete, trial_uncertainty(facts, key).tolist(), strict=True):
            if math.isfinite(u):
                expanded[trial.number] = u * outward
    except ValueError:
        pass  # an impossible length; the score's sentence says which
    field = {"angle": "angle_deg", "tilt": "tilt_deg", "length": "length_mm"}[key]
    return [(t, getattr(t, field), expanded.get(t.number)) for t in series.trials]


def _strip(
    facts: SeriesFacts,
    key: Quantity,
    out: QuantityOut,
    values: Sequence[tuple[TrialOut, float | None, float | None]],
    doubted: set[int],
    noun: str,
) -> tuple[Markup | None, bool]:
    dots = [
        Dot(t.number, v, e or 0.0, t.number in doubted)
        for t, v, e in values
        if v is not None and t.state == "complete"
    ]
    if not dots or out.mean is None:
        return None, False
    limits = None
    if facts.tolerance is not None and out.tolerance is not None:
        outward = math.degrees(1) if out.unit == "deg" else 1.0
        limits = (facts.tolerance.low * outward, facts.tolerance.high * outward)
    title = f"{_TITLES[key]} of each {noun}"
    chart = strip_chart(title, out.unit, dots, out.mean, out.mean_interval, limits, noun)
    return Markup(chart.svg), not chart.tolerance_shown


def _signs(relation: Relation) -> str:
    if not relation.toward[0]:
        return ""
    view = f", {relation.view}" if relation.view else ""
    return f"Plus means: {relation.toward[0]}{view}."


def _figure(facts: SeriesFacts, out: QuantityOut) -> Markup | None:
    """The main result with its uncertainty."""
    if out.mean is None:
        return None
    if facts.method.judges == "hand":
        return size(out.sd, out.unit, out.sd) if out.sd else None
    return with_uncertainty(out.mean, out.expanded_uncertainty, out.unit, sign=out.unit == "deg")


def _facts(facts: SeriesFacts, out: QuantityOut) -> Iterator[Fact]:
    """Plain words, the standard's term, the number; only where it is known."""
    u, sd, sign = out.expanded_uncertainty, out.sd, out.unit == "deg"
    if out.mean is None or u is None or out.coverage_factor is None:
        return
    machine = facts.method.judges == "machine"
    show = partial(size, unit=out.unit)

    def between(interval: IntervalOut) -> Markup:
        low, high = (show(end, uncertainty=sd, sign=sign) for end in (interval.low, interval.high))
        return Markup("{} to {}").format(low, high)

    yield Fact("Mean", f"of {out.trials}", show(out.mean, uncertainty=u, sign=sign))
    yield Fact(
        "Uncertainty of the mean",
        f"expanded uncertainty, 95 %, coverage factor {out.coverage_factor:.2f}, "
        f"effective degrees of freedom {_df(out.effective_degrees_of_freedom)}",
        Markup("± {}").format(show(u, uncertainty=u)),
    )
    if sd is not None:
        term, value = "standard deviation", show(sd, uncertainty=sd)
        if out.sd_interval is not None:
            low, high = (
                show(e, uncertainty=sd) for e in (out.sd_interval.low, out.sd_interval.high)
            )
            term += ", with its confidence interval, 95 %"
            value = Markup("{} ({} to {})").format(value, low, high)
        yield Fact(
            f"Scatter from {facts.method.noun} to {facts.method.noun}"
            if machine
            else "Scatter of a reading",
            term,
            value,
        )
    if out.range is not None:
        yield Fact("From the smallest to the largest", "range", show(out.range, uncertainty=sd))
    cut = bool(facts.method.cuts)
    if out.own_scatter is not None:
        own = out.own_scatter
        low, high = (show(e, uncertainty=sd) for e in (own.interval.low, own.interval.high))
        ends = (
            Markup("at most {}").format(high)
            if own.hidden
            else Markup("{} to {}").format(low, high)
        )
        yield Fact(
            "The machine's own scatter from cut to cut" if cut else "The machine's own scatter",
            "standard deviation without caliper and hand, with its interval, 95 %"
            + ("" if own.sd is not None else "; not studied, so for any usual hand"),
            ends
            if own.sd is None
            else Markup("{} ({})").format(show(own.sd, uncertainty=sd), ends),
        )
    if machine and out.prediction is not None:
        yield Fact(
            "The next cut will be" if cut else "The next one will be",
            "prediction interval, 95 %",
            between(out.prediction),
        )
    if machine and out.tolerance_interval is not None:
        yield Fact(
            f"95 of 100 later {'cuts' if cut else 'ones'} will be",
            "statistical tolerance interval, 95 %",
            between(out.tolerance_interval),
        )
    if out.tolerance is not None and facts.tolerance is not None:
        yield Fact("Good enough", "tolerance", _limits(facts.tolerance))


def _limits(tolerance: Tolerance) -> Markup:
    if tolerance.unit == "mm":
        return Markup("{} to {}").format(size(tolerance.low, "mm"), size(tolerance.high, "mm"))
    high = math.degrees(tolerance.high)
    return Markup("± {} ({})").format(size(high, "deg", high / 10), tolerance.text)


def _df(value: float | None) -> str:
    return "unlimited" if value is None or value > _UNLIMITED_DF else f"{value:.1f}"


def _line(c: ContributionOut, unit: Unit, combined: float) -> Line:
    if c.unit in ("deg", "mm"):
        own: Unit = "deg" if c.unit == "deg" else "mm"
        value, u = (size(x, own, c.standard_uncertainty) for x in (c.value, c.standard_uncertainty))
    else:  # a pure number: the scale
        value, u = Markup(f"{c.value:g}"), Markup(f"{c.standard_uncertainty:.2g}")
    result = "°" if unit == "deg" else " mm"
    per = "" if c.unit == unit else result if c.unit == "1" else f"{result}/{c.unit}"
    return Line(
        source=c.source,
        value=value,
        u=u,
        distribution=c.distribution,
        sensitivity=f"{c.sensitivity:.2g}{per}".replace("-", "−"),
        contribution=size(c.contribution, unit, c.contribution),
        df="∞" if c.degrees_of_freedom is None else f"{c.degrees_of_freedom:.3g}",
        share=100 * (c.contribution / combined) ** 2 if combined else 0.0,
    )


def _doubted(doubt: DoubtOut, series: SeriesOut, method: Method) -> Doubted:
    def figure(mean: float | None, u: float | None, unit: Unit) -> Markup:
        return with_uncertainty(mean, u, unit, sign=unit == "deg")

    return Doubted(
        doubt,
        tuple(
            Change(
                title=_TITLES[key],
                whole=figure(q.mean, q.expanded_uncertainty, q.unit),
                verdict=q.verdict,
                left=figure(left.mean, left.expanded_uncertainty, q.unit),
                verdict_left=left.verdict,
            )
            for key in method.reveals
            if (left := doubt.without.get(key)) and (q := series.score.quantities[key])
        ),
    )


def _settings(series: SeriesOut, method: Method, facts: SeriesFacts) -> Iterator[Setting]:
    """How it was measured, as it was given: lengths keep the digits they were typed with."""

    def given(text: str | None, mm: float | None) -> Markup:
        written = f"{text} {series.unit}"
        return Markup('<data class="len" value="{!r}">{}</data>').format(mm, written)

    yield Setting("Method", method.title)
    if series.baseline is not None:
        words = method.baseline or "stated size"
        yield Setting(capital(words), given(series.baseline, facts.baseline_mm))
    if series.thickness is not None:
        yield Setting("Thickness of the board", given(series.thickness, facts.thickness_mm))
    if any(r.insets for r in method.relations):
        yield Setting("Inset of the jaws", given(series.inset, facts.inset_mm))
        jaws = (
            "not said" if series.jaw_width is None else given(series.jaw_width, facts.jaw_width_mm)
        )
        yield Setting("Width of the jaws", jaws)
    if method.sided:
        yield Setting("The strip fell", f"to the {series.strip_side} of the blade")
    if series.pieces is not None:
        yield Setting("Pieces in the frame", str(series.pieces))
    yield Setting("Each place is read", times(series.repeats) if series.repeats > 1 else "once")
    yield Setting("Good enough", "not given" if facts.tolerance is None else facts.tolerance.text)
    yield Setting("Bench", series.bench)
    if series.person:
        yield Setting("Measured by", series.person)


def _usual(series: SeriesOut, method: Method) -> Iterator[Asked]:
    """What people correct most; lengths in the unit of the series."""
    if method.baseline is not None:
        yield Asked("baseline", capital(method.baseline), series.baseline or "")
    if method.needs_thickness:
        yield Asked("thickness", "Thickness of the board", series.thickness or "")
    yield Asked("machine", "Machine", series.machine.name)
    yield Asked("person", "Measured by", series.person or "")


def _rest(series: SeriesOut, method: Method) -> Iterator[Asked]:
    """What is corrected now and then."""
    if any(relation.insets for relation in method.relations):
        yield Asked("inset", "Inset of the jaws", series.inset)
    if method.pieces is not None:
        yield Asked("pieces", "Pieces in the frame", str(series.pieces))
    given = series.tolerance
    if method.reveals != ("length",):
        yield Asked("tolerance_deg", "Good enough: degrees", (given and given.deg) or "")
        yield Asked("tolerance_gap", "Good enough: a gap of", (given and given.gap) or "")
        yield Asked("tolerance_joint", "over a joint of", (given and given.joint) or "")
    if "length" in method.reveals:
        yield Asked("tolerance_length", "Good enough: off by", (given and given.length) or "")
        yield Asked("tolerance_nominal", "from a length of", (given and given.nominal) or "")
    if method.baseline is not None:
        yield Asked("baseline_within", "The length is right within", series.baseline_within or "")
    if method.needs_thickness:
        yield Asked(
            "thickness_within", "The thickness is right within", series.thickness_within or ""
        )
    if any(relation.insets for relation in method.relations):
        yield Asked("inset_within", "The inset is right within", series.inset_within or "")
    yield Asked("straightness", "Edge or fence straight within", series.straightness or "")


def _corrected(change: ChangeOut, noun: str) -> Corrected:
    return Corrected(
        change,
        _words(change, noun),
        not change.undone and change.undoes is None and change.field != "moved out",
    )


def _words(change: ChangeOut, noun: str) -> str:
    """What a correction changed."""
    of = f"{capital(noun)} {change.trial}"
    match change.field, change.after:
        case "counted", after:
            return f"{of}: {'counted again' if after else 'left out'}"
        case "ends", _:
            return f"{of}: ends swapped"
        case "reading", after:
            where = "A reading" if change.trial is None else f"{of}: a reading"
            return f"{where} {'taken back' if after == 'taken back' else 'counted again'}"
        case "moved out", _:
            return f"{capital(noun)}s moved to another series: {_listed(change.before)}"
        case "moved", after:
            return f"{capital(noun)}s moved here from another series, now {_listed(after)}"
        case "machine", _:
            return "Machine: another one"
        case "method", _:
            return "Method: another one"
    before, after = (
        "none" if said is None else str(said) for said in (change.before, change.after)
    )
    return f"{capital(change.field.replace('_', ' '))}: {before} → {after}"


def _listed(numbers: Sequence[int]) -> str:
    return ", ".join(str(number) for number in numbers)


def _study(series: SeriesOut) -> Iterator[Known]:
    """What is known of the calipers, and from which series."""
    study = series.score.study
    if study is not None and study.repeatability_mm is not None:
        repeat = size(study.repeatability_mm, "mm", study.repeatability_mm or None)
        df = study.repeatability_degrees_of_freedom
        words = Markup(
            "Caliper and hand repeat to {} (repeatability, a standard deviation with {} degrees"
            " of freedom), from {}."
        ).format(repeat, f"{df:.3g}", _from_studies(study))
        yield Known(words, tuple(study.same_spot))
    if study is not None and study.scale_u is not None:
        words = Markup(
            "The caliper's scale is accurate to {} % (standard uncertainty), from known blocks."
        )
        yield Known(words.format(f"{100 * study.scale_u:.2g}"), tuple(study.known_block))


def _from_studies(study: StudyOut) -> str:
    """Which same-spot series, with their dates."""
    first, last, many = study.repeatability_from, study.repeatability_to, len(study.same_spot)
    if first is None or last is None or many == 1:
        return "a same-spot series" + ("" if first is None else f" of {day(first)}")
    return (
        f"{many} same-spot series, {day(first)} to {day(last)}, weighed by their readings, their "
        "age and who pressed"
    )


def _standards(series: SeriesOut) -> Iterator[tuple[str, str]]:
    """The standards whose terms and rules the numbers follow, and for what."""
    outs = series.score.quantities.values()
    yield "JCGM 100:2008 (GUM)", "uncertainty budget, expanded uncertainty, coverage factor"
    if any(out.verdict for out in outs):
        yield "ISO 14253-1", "verdict only where the uncertainty leaves no doubt"
    if any(out.tolerance_interval for out in outs):
        yield "ISO 16269-6", "statistical tolerance interval"
    if series.score.study is not None and series.score.study.same_spot:
        yield "ISO 5725-2", "repeatability of caliper and hand"
    if series.trend:
        yield "NIST/SEMATECH e-Handbook, 4.4.3", "drift from the first trial to the last"
    if any(d.kind == "outlier" for d in series.doubts):
        yield "NIST/SEMATECH e-Handbook, 1.3.5.17.1", "outlier (Grubbs' test)"
