"""The invented demo shop, and the pretend caliper whose button is on the page.

Its presses go through a real port on the loopback interface and the same source, decoding,
journal and pairing as any caliper's.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Any, Final
from uuid import UUID

from sqlalchemy import Connection, Engine, select

from analysis.geometry import at_stop, nominal_mm
from analysis.methods import METHODS, Method
from analysis.units import mm, parse_length
from api.errors import Conflict
from api.server import Server
from api.store import schema_step
from api.store.facts import method_of
from api.store.new_series import NewSeries
from api.store.rows.machines import machines
from api.store.squares import SQUARE, square_of
from api.store.stamps import new_id
from api.store.tables import Caliper
from capture.pretend import Board, PretendBench, Saw, strip_widths
from capture.records import Away, Reading
from capture.spec import MAIN_BENCH


@dataclass(frozen=True, slots=True)
class _DemoMachine:
    name: str
    kind: str
    saw: Saw
    # What happened to it: days ago, what, and its angle from then on.
    history: tuple[tuple[int, str | None, float], ...]
    # Its stops beside square: what each is called, its angle and its error.
    stops: tuple[tuple[str, str, float], ...] = ()


_MACHINES: Final = (
    _DemoMachine(
        "Window bench miter saw",
        "sliding compound miter saw",
        Saw(angle_deg=0.062, scatter_deg=0.012, stop_error_deg=0.03),
        ((210, None, 0.015), (150, None, 0.021), (90, "moved", 0.058), (20, None, 0.062)),
        # Its scale is 4 % too coarse, beside what it is off at square.
        (
            ("10 left", "-10", -0.34),
            ("5 left", "-5", -0.14),
            ("5 right", "5", 0.26),
            ("10 right", "10", 0.46),
        ),
    ),
    _DemoMachine(
        "Old radial arm",
        "radial arm saw",
        Saw(angle_deg=-0.11, scatter_deg=0.03, stop_error_deg=0.08, tilt_deg=0.2),
        ((200, None, -0.31), (120, "adjusted", -0.09), (45, None, -0.11)),
    ),
    _DemoMachine(
        "Birch sled",
        "table saw sled",
        Saw(angle_deg=0.008, scatter_deg=0.004),
        ((180, None, 0.034), (100, "adjusted", 0.007), (30, "blade changed", 0.008)),
    ),
)
_DEFAULT_SAW: Final = Saw(angle_deg=0.08, scatter_deg=0.01)
_BOARD: Final = Board(width_mm=mm(parse_length("184", "mm")), thickness_mm=18.0, strip_mm=11.4)
_METHOD: Final = METHODS["reversal"]
_TRIALS: Final = 5
_STOPS_DAYS: Final = 19  # since its other stops were measured
_FIRST_VISIT: Final = 2  # so many of its strips; each later one is a visit of its own


_CALIPER: Final = "demo caliper"


def may_open(engine: Engine) -> bool:
    """Whether the demo may open this store: one that does not exist yet, or that it made."""
    with engine.connect() as connection:
        return schema_step.revision(connection) is None or is_demo(connection)


def is_demo(connection: Connection) -> bool:
    """Whether the demo made this store: the first caliper in it is the demo's."""
    first = select(Caliper.name).order_by(Caliper.id).limit(1)
    return connection.execute(first).scalar() == _CALIPER


class Demo:
    """Fills an empty store with the demo shop, then presses a pretend caliper on demand."""

    bench: str = MAIN_BENCH

    def __init__(self, server: Server) -> None:
        self._server = server
        self._seed = server.settings.seed
        self._saws = {(m.name, SQUARE): m.saw for m in _MACHINES} | {
            (m.name, name): replace(m.saw, angle_deg=error)
            for m in _MACHINES
            for name, _, error in m.stops
        }
        with server.reading() as connection:
            new = not machines(connection)
        if new:
            self._furnish()
        self._caliper = PretendBench(seed=self._seed, name="pretend caliper", bench=self.bench)
        server.instruments.add(self._caliper.spec)

    def press(self) -> str:
        """Press the pretend caliper's send button on the place that is read next.

        The text that was sent. Raises Conflict where no series runs.
        """
        at = self._server.journal.next_place(self.bench)
        head = self._server.bench(self.bench).series
        if at is None or head is None:
            raise Conflict("no series runs on this bench; start one, then press send")
        self._caliper.saw = self._saws.get((head.machine_name, head.stop), _DEFAULT_SAW)
        follows = at_stop(method_of(head), float(head.nominal_deg), float(head.bevel_deg))
        board = replace(
            _BOARD,
            width_mm=_BOARD.width_mm if head.baseline_nm is None else mm(head.baseline_nm),
            thickness_mm=(
                _BOARD.thickness_mm if head.thickness_nm is None else mm(head.thickness_nm)
            ),
            inset_mm=mm(head.inset_nm),
            strip_side=head.strip_side,
            pieces=head.pieces or _BOARD.pieces,
        )
        line = self._caliper.press(
            follows,
            at.place,
            at.trial,
            series=str(head.id),
            repeat=at.repeat,
            setup=at.visit - 1,
            board=_wide_enough(board, follows),
        )
        return line.decode().strip()

    def send(self, text: str) -> None:
        """Send `text` as the pretend caliper would, whatever it says."""
        self._caliper.send(text)

    def close(self) -> None:
        self._caliper.close()

    def _furnish(self) -> None:
        """The machines with some months of history, and a series that waits for presses."""
        today = datetime.now(UTC).replace(hour=9, minute=0, second=0, microsecond=0)
        started = None
        for machine in _MACHINES:
            machine_id = self._server.journal.add_machine(machine.name, machine.kind)
            for days, change, angle in machine.history:
                at = today - timedelta(days=days)
                if change is not None:
                    self._server.journal.add_setup_change(machine_id, change, at, None)
                self._measured(
                    machine, _series(machine_id, MAIN_BENCH), angle, at + timedelta(hours=1)
                )
            at = today - timedelta(days=_STOPS_DAYS)
            for name, nominal, error in machine.stops:
                at += timedelta(hours=1)
                angles = {"nominal_deg": nominal, "bevel_deg": "0"}
                stop = self._server.machine_records.add_stop(machine_id, name, angles, None, None)
                # A wedge is read at marks: jaws over its ends would count with their unknown width.
                series = replace(
                    _series(machine_id, MAIN_BENCH),
                    stop_id=stop,
                    baseline_within="0.2",
                    inset="10",
                    inset_nm=parse_length("10", "mm"),
                    inset_within="0.2",
                )
                self._measured(machine, series, error, at, nominal)
            started = machine_id
        if started is not None:
            with self._server.reading() as connection:
                square = square_of(connection, started)
            self._server.machine_records.add_work(_work(started, square))
            self._server.journal.start(_series(started, MAIN_BENCH))

    def _measured(
        self,
        machine: _DemoMachine,
        new: NewSeries,
        angle_deg: float,
        at: datetime,
        nominal_deg: str = "0",
    ) -> None:
        """A series of strips, measured then; at a stop beside square, the machine was swung away
        and back between most of them."""
        journal = self._server.journal
        series = journal.start(new, at)
        saw = replace(machine.saw, angle_deg=angle_deg)
        follows = at_stop(_METHOD, float(nominal_deg))
        board = _wide_enough(replace(_BOARD, inset_mm=mm(new.inset_nm)), follows)
        of = nominal_deg if new.stop_id else f"{at:%j}"
        seed = f"{self._seed} {machine.name} {of}"
        readings: list[Reading] = []
        setup = 0
        for trial in range(1, _TRIALS + 1):
            if new.stop_id is not None and trial > _FIRST_VISIT:
                journal.keep(readings)
                journal.act(self.bench, Away())
                readings, setup = [], setup + 1
            for place, width in enumerate(
                strip_widths(follows, saw, board, trial=trial, seed=seed, setup=setup)
            ):
                sent = f"{width:.2f}"
                readings.append(
                    Reading(
                        id=new_id(),
                        bench=self.bench,
                        caliper=_CALIPER,
                        sent=sent,
                        unit="mm",
                        nm=parse_length(sent, "mm"),
                        taken_at=at + timedelta(minutes=3 * trial, seconds=8 * place),
                    )
                )
        journal.keep(readings)
        journal.finish(series, at + timedelta(minutes=3 * _TRIALS + 1))


def _wide_enough(board: Board, follows: Method) -> Board:
    """A strip that is wide enough where its fence end is read, that its open end is no point."""
    wedge = nominal_mm(follows, board.width_mm, board.strip_side)
    return replace(board, strip_mm=board.strip_mm + max(-wedge, 0.0))


def _work(machine_id: UUID, stop_id: UUID) -> dict[str, Any]:
    """What the shop makes: cases that are cut at one stop."""
    return {
        "name": "Seed boxes",
        "unit": "mm",
        "tolerance_deg": None,
        "gap": "0.15",
        "joint": "120",
        "parts": {
            "kind": "case",
            "width": "380",
            "height": "240",
            "depth": "120",
            "cuts": [{"machine": str(machine_id), "stop": str(stop_id)}],
        },
        "note": None,
    }


def _series(machine_id: UUID, bench: str) -> NewSeries:
    width = f"{_BOARD.width_mm:g}"
    return NewSeries(
        machine_id=machine_id,
        bench=bench,
        method=_METHOD,
        unit="mm",
        baseline=width,
        baseline_nm=parse_length(width, "mm"),
        thickness=None,
        thickness_nm=None,
        inset="0",
        inset_nm=0,
        strip_side="left",
        repeats=1,
        tolerance_gap="0.1",
        tolerance_joint="150",
        strips=_TRIALS,
    )
