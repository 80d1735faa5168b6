"""The invented demo shop, and the pretend caliper whose button is on the page.

Its presses go through a real port on the loopback interface and the same source, decoding,
journal and pairing as any caliper's.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Final
from uuid import UUID

from sqlalchemy import Connection, Engine, select

from analysis.methods import METHODS
from analysis.units import mm, parse_length
from api.errors import Conflict
from api.server import Server
from api.store import schema_step
from api.store.facts import method_of
from api.store.new_series import NewSeries
from api.store.rows.machines import machines
from api.store.stamps import new_id
from api.store.tables import Caliper
from capture.pretend import Board, PretendBench, Saw, strip_widths
from capture.records import Reading


@dataclass(frozen=True, slots=True)
class _DemoMachine:
    name: str
    kind: str
    saw: Saw
    # What happened to it: days ago, what, and its angle from then on.
    history: tuple[tuple[int, str | None, float], ...]


_MACHINES: Final = (
    _DemoMachine(
        "Window bench miter saw",
        "sliding compound miter saw",
        Saw(angle_deg=0.062, scatter_deg=0.012, stop_error_deg=0.03),
        ((210, None, 0.015), (150, None, 0.021), (90, "moved", 0.058), (20, None, 0.062)),
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

    bench: str = "main"

    def __init__(self, server: Server) -> None:
        self._server = server
        self._seed = server.settings.seed
        self._saws = {m.name: m.saw for m in _MACHINES}
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
        self._caliper.saw = self._saws.get(head.machine_name, _DEFAULT_SAW)
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
            method_of(head), at.place, at.trial, series=str(head.id), repeat=at.repeat, board=board
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
                self._measured(machine, machine_id, angle, at + timedelta(hours=1))
            started = machine_id
        if started is not None:
            self._server.journal.start(_series(started, "main"))

    def _measured(
        self, machine: _DemoMachine, machine_id: UUID, angle_deg: float, at: datetime
    ) -> None:
        journal = self._server.journal
        series = journal.start(_series(machine_id, self.bench), at)
        saw = replace(machine.saw, angle_deg=angle_deg)
        seed = f"{self._seed} {machine.name} {at:%j}"
        readings = []
        for trial in range(1, _TRIALS + 1):
            for place, width in enumerate(
                strip_widths(_METHOD, saw, _BOARD, trial=trial, seed=seed)
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
