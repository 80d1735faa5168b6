"""A bench for a test, and a notebook that records what the bench hands on."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from capture.bench import Instruments
from capture.records import CaliperState, Reading, Refusal
from capture.spec import parse_spec
from tests.ptys import until


class Notebook:
    """What the bench hands on, and whether it is in a mood to take it."""

    def __init__(self) -> None:
        self.readings: list[Reading] = []
        self.refusals: list[Refusal] = []
        self.states: list[CaliperState] = []
        self.fault: Exception | None = None
        self.gate = threading.Event()
        self.gate.set()

    def keep(self, reading: Reading) -> None:
        self.gate.wait()
        if self.fault is not None:
            raise self.fault
        self.readings.append(reading)

    def refuse(self, refusal: Refusal) -> None:
        self.refusals.append(refusal)

    def report(self, state: CaliperState) -> None:
        self.states.append(state)

    def sent(self, caliper: str | None = None) -> list[str]:
        return [each.sent for each in self.readings if caliper in (None, each.caliper)]

    def said(self, state: str, words: str = "") -> bool:
        return any(each.state == state and words in each.message for each in tuple(self.states))


@contextmanager
def bench(*specs: str, **options: Callable[[], object]) -> Iterator[tuple[Notebook, Instruments]]:
    notebook = Notebook()
    instruments = Instruments(notebook.keep, notebook.refuse, notebook.report, **options)  # type: ignore[arg-type]
    try:
        instruments.start(parse_spec(spec) for spec in specs)
        yield notebook, instruments
    finally:
        notebook.gate.set()
        instruments.stop()


def listening(notebook: Notebook, count: int = 1) -> bool:
    return until(lambda: sum(each.state == "listening" for each in notebook.states) >= count)


def state_of(instruments: Instruments, name: str) -> CaliperState:
    return next(each for each in instruments.states() if each.caliper == name)
