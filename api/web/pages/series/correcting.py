"""What the page of a series asks to correct it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final
from uuid import UUID

from sqlalchemy import Connection

from analysis.methods import Method
from analysis.sentences import capital
from api.answers.moments import minute
from api.answers.settings import alike
from api.store.rows import machines as machine_rows
from api.store.rows import series as rows
from api.store.rows import stops as stop_rows
from api.store.rows import works as work_rows
from api.store.rows.changes import known_people
from api.web.convert.works import need_words
from api.web.pages.shared.numbers import degrees
from api.web.shapes.series import SeriesOut

# Strips are moved soon after: the board or the machine was changed in between.
_MOVE_TO: Final = 6


@dataclass(frozen=True, slots=True)
class Asked:
    """A setting as the form asks for it: its name in the API, what it is now, and what is offered
    to pick from."""

    name: str
    words: str
    now: str
    choices: Sequence[str] = ()


@dataclass(frozen=True, slots=True)
class Target:
    """A series that trials can be moved to."""

    id: UUID
    words: str


@dataclass(frozen=True, slots=True)
class CorrectingForm:
    """usual: what people correct most; rest: what they correct now and then. methods: key and title
    of those that read the same places. stops, works: id and words of those that can be chosen,
    empty where there is no choice."""

    usual: tuple[Asked, ...]
    rest: tuple[Asked, ...]
    methods: tuple[tuple[str, str], ...]
    stops: tuple[tuple[str, str], ...]
    works: tuple[tuple[str, str], ...]
    move_to: tuple[Target, ...]

    @property
    def labels(self) -> dict[str, str]:
        """What each setting is called, by its name."""
        return {asked.name: asked.words for asked in (*self.usual, *self.rest)}


def correcting_form(
    connection: Connection,
    series: SeriesOut,
    follows: Method,
    methods: Mapping[str, Method],
) -> CorrectingForm:
    row = rows.series(connection, series.id)
    machines = [each.name for each in machine_rows.machines(connection)]
    people = known_people(connection)
    same = alike(row, methods)
    near = rows.near(connection, row, [each.key for each in same], _MOVE_TO)
    titles = {each.key: each.title for each in same}
    several = stop_rows.with_several(connection)
    return CorrectingForm(
        usual=tuple(_usual(series, follows, machines, people)),
        rest=tuple(_rest(series, follows)),
        methods=tuple(titles.items()),
        stops=tuple(_stops(connection, series)),
        works=tuple(_works(connection, series)) if follows.reveals != ("length",) else (),
        move_to=tuple(
            Target(
                each.id,
                f"{each.machine_name}{f', {each.stop}' if each.machine_id in several else ''}:"
                f" {titles[each.method]}, {minute(each.started_at)}",
            )
            for each in near
        ),
    )


def _stops(connection: Connection, series: SeriesOut) -> Iterator[tuple[str, str]]:
    every = stop_rows.stops(connection, series.machine.id, retired=True)
    if len(every) > 1:
        for row in every:
            if row.retired_at is None or row.id == series.stop.id:
                yield str(row.id), f"{row.name}, {degrees(row.nominal_deg)}"


def _works(connection: Connection, series: SeriesOut) -> Iterator[tuple[str, str]]:
    every = [
        row
        for row in work_rows.works(connection, retired=True)
        if row.retired_at is None or row.id == series.work
    ]
    if every:
        yield "", "none"
    for row in every:
        yield str(row.id), f"{row.name}: {need_words(row)}"


def _usual(
    series: SeriesOut, method: Method, machines: Sequence[str], people: Sequence[str]
) -> Iterator[Asked]:
    if method.baseline is not None:
        yield Asked("baseline", capital(method.baseline), series.baseline or "")
    if method.needs_thickness:
        yield Asked("thickness", "Thickness of the board", series.thickness or "")
    yield Asked("machine", "Machine", series.machine.name, machines)
    yield Asked("person", "Measured by", series.person or "", people)


def _rest(series: SeriesOut, method: Method) -> Iterator[Asked]:
    insets = any(relation.insets for relation in method.relations)
    if insets:
        yield Asked("jaw_width", "Width of the jaws", series.jaw_width or "")
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
    if insets:
        yield Asked("inset_within", "The inset is right within", series.inset_within or "")
    yield Asked("straightness", "Edge or fence straight within", series.straightness or "")
