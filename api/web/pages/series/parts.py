"""A series as its page and its report show it: figures, pictures and words for the templates."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Final
from uuid import UUID

from markupsafe import Markup, escape
from sqlalchemy import Connection

from analysis.budget import trial_uncertainty
from analysis.conformity import Tolerance
from analysis.facts import SeriesFacts
from analysis.methods import Method, Place, Quantity, Relation, Step, steps_for
from analysis.sentences import capital, plain, times
from api.answers.moments import day
from api.answers.series import series as whole_series
from api.web import convert
from api.web.pages.series.belongs import Belongs, belongs
from api.web.pages.series.chart import Dot, budget_chart, strip_chart
from api.web.pages.shared.charts import Picture
from api.web.pages.shared.numbers import Unit, size, with_uncertainty
from api.web.pages.shared.said import said
from api.web.pages.shared.words import FLAGS
from api.web.shapes.scores import (
    ContributionOut,
    DoubtOut,
    IntervalOut,
    QuantityOut,
    StudyOut,
    TrendOut,
)
from api.web.shapes.series import SeriesOut, TrialOut

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
    """A trial in the table below the picture; `u` is the uncertainty of its measuring (95 %).
    places: what was read at each place of the method, as sent."""

    trial: TrialOut
    places: tuple[Markup, ...]
    deviation: Markup
    value: Markup
    u: Markup
    flags: tuple[str, ...]
    doubted: bool


@dataclass(frozen=True, slots=True)
class QuantityView:
    """What the series says of one quantity.

    figure: the main result, None where there is none yet. signs: what a plus means, "" for a
    length. strip: None where nothing is known.
    """

    key: Quantity
    title: str
    out: QuantityOut
    figure: Markup | None
    signs: str
    rows: tuple[Row, ...]
    strip: Picture | None
    facts: tuple[Fact, ...]
    budget: tuple[Line, ...]
    bars: Markup | None
    combined: Markup
    trend: TrendOut | None


@dataclass(frozen=True, slots=True)
class SeriesView:
    """`running`: its bench feeds it now, so that its readings can be changed. assumed: no
    study of its calipers says how well they repeat. visits: the machine was swung away and back
    between its trials."""

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
    belongs: Belongs
    visits: bool

    @property
    def name(self) -> str:
        """Of which machine, at which stop where it has several, by which method."""
        return f"{self.series.machine.name}{self.belongs.named}: {self.method.title}"


def series_view(connection: Connection, series_id: UUID, running: bool) -> SeriesView:
    """The series; `running`: its bench feeds it now.

    Raises NotFound where no series has that id.
    """
    found = whole_series(connection, series_id)
    series, facts = convert.series_out(found), found.facts
    method = facts.method
    of = belongs(connection, found, series)
    calipers = dict.fromkeys(r.caliper for t in series.trials for r in t.readings)
    return SeriesView(
        series=series,
        method=method,
        steps=steps_for(method, series.strip_side),
        running=running,
        quantities=tuple(_quantity(series, facts, q, method.noun) for q in method.reveals),
        doubts=tuple(_doubted(d, series, method) for d in series.doubts),
        settings=tuple(_settings(series, method, facts, of)),
        calipers=tuple(calipers),
        standards=tuple(_standards(series)),
        study=tuple(_study(series)),
        assumed=facts.repeatability_mm is None,
        belongs=of,
        visits=any(trial.visit > 1 for trial in series.trials),
    )


def _quantity(series: SeriesOut, facts: SeriesFacts, key: Quantity, noun: str) -> QuantityView:
    out = series.score.quantities[key]
    unit = out.unit
    values = _values(series, facts, key)
    doubted = {n for d in series.doubts for n in d.trials}
    combined = math.hypot(*(c.contribution for c in out.budget))
    # The API calls each by the word of its own.
    budget = [
        c.model_copy(update={"source": c.source.replace(" trials", f" {noun}s")})
        for c in out.budget
    ]
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
                places=tuple(_read(t, place) for place in facts.method.places),
                deviation=size(t.deviation_mm, "mm", facts.resolution_mm * 10, sign=True),
                value=size(v, unit, e, sign=unit == "deg"),
                u=size(e, unit, e),
                flags=tuple(FLAGS.get(f, f) for f in t.flags),
                doubted=t.number in doubted,
            )
            for t, v, e in values
        ),
        strip=_strip(facts, key, out, values, doubted, noun),
        facts=tuple(_facts(facts, out)),
        budget=tuple(_line(c, unit, combined) for c in budget),
        bars=budget_chart(bars, unit, budget, combined) if budget else None,
        combined=size(combined, unit, combined),
        trend=series.trend.get(key),
    )


def _read(trial: TrialOut, place: Place) -> Markup:
    # As `sent` in `parts.html` says it, which called for each of a thousand takes longer than all.
    read = [
        f'<data class="len" value="{r.mm!r}">{escape(r.sent)}'
        f"{'' if r.unit in r.sent else f' {r.unit}'}</data>"
        for r in trial.readings
        if r.place == place.key
    ]
    return Markup(", ".join(read) or "–")


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
) -> Picture | None:
    dots = [
        Dot(t.number, v, e or 0.0, t.number in doubted)
        for t, v, e in values
        if v is not None and t.state == "complete"
    ]
    if not dots or out.mean is None:
        return None
    limits = None
    if facts.tolerance is not None and out.tolerance is not None:
        outward = math.degrees(1) if out.unit == "deg" else 1.0
        limits = (facts.tolerance.low * outward, facts.tolerance.high * outward)
    title = f"{_TITLES[key]} of each {noun}"
    return strip_chart(title, out.unit, dots, out.mean, out.mean_interval, limits, noun)


def _signs(relation: Relation) -> str:
    if not relation.toward[0]:
        return ""
    view = f", {relation.view}" if relation.view else ""
    return f"Plus means: {relation.leans[0]}{view}."


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
        yield Fact("Tolerance", "what is good enough", _limits(facts.tolerance))


def _limits(tolerance: Tolerance) -> Markup:
    if tolerance.unit == "mm":
        return Markup("{} to {}").format(size(tolerance.low, "mm"), size(tolerance.high, "mm"))
    high = math.degrees(tolerance.high)
    return Markup("± {} ({})").format(size(high, "deg", high / 10), said(tolerance.text))


def _df(value: float | None) -> str:
    return "unlimited" if value is None or value > _UNLIMITED_DF else f"{value:.1f}"


def _line(c: ContributionOut, unit: Unit, combined: float) -> Line:
    if c.unit in ("deg", "mm"):
        own: Unit = "deg" if c.unit == "deg" else "mm"
        value, u = (size(x, own, c.standard_uncertainty) for x in (c.value, c.standard_uncertainty))
    else:  # a pure number: the scale
        value, u = Markup(plain(c.value or 0.0)), Markup(plain(c.standard_uncertainty, 2))
    result = "°" if unit == "deg" else " mm"
    per = "" if c.unit == unit else result if c.unit == "1" else f"{result}/{c.unit}"
    return Line(
        source=c.source,
        value=value,
        u=u,
        distribution=c.distribution,
        sensitivity=f"{plain(c.sensitivity, 2)}{per}".replace("-", "−"),
        contribution=size(c.contribution, unit, c.contribution),
        df="∞" if c.degrees_of_freedom is None else plain(c.degrees_of_freedom, 3),
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


def _settings(
    series: SeriesOut, method: Method, facts: SeriesFacts, of: Belongs
) -> Iterator[Setting]:
    """How it was measured, as it was given: lengths keep the digits they were typed with."""

    def given(text: str | None, mm: float | None) -> Markup:
        written = f"{text} {series.unit}"
        return Markup('<data class="len" value="{!r}">{}</data>').format(mm, written)

    yield Setting("Method", method.title)
    yield from (Setting(words, value) for words, value in of.settings())
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


def _study(series: SeriesOut) -> Iterator[Known]:
    """What is known of the calipers, and from which series."""
    study = series.score.study
    if study is not None and study.repeatability_mm is not None:
        repeat = size(study.repeatability_mm, "mm", study.repeatability_mm or None)
        df = study.repeatability_degrees_of_freedom
        words = Markup(
            "Caliper and hand repeat to {} (repeatability, a standard deviation with {} degrees"
            " of freedom), from {}."
        ).format(repeat, plain(df or 0.0, 3), _from_studies(study))
        yield Known(words, tuple(study.same_spot))
    if study is not None and study.scale_u is not None:
        words = Markup(
            "The caliper's scale is accurate to {} % (standard uncertainty), from known blocks."
        )
        yield Known(words.format(plain(100 * study.scale_u, 2)), tuple(study.known_block))


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
        yield "NIST/SEMATECH e-Handbook, 4.4.3", "drift from the first to the last"
    if any(d.kind == "outlier" for d in series.doubts):
        yield "NIST/SEMATECH e-Handbook, 1.3.5.17.1", "outlier (Grubbs' test)"
