"""Everything between the bytes of a serial instrument and its values, in one place.

bytes -> (parity masked) -> noise watched -> lines -> values -> settled. No clock and no
port: "now" is an argument, in monotonic seconds.

Two equal lines shortly after one another both come out here: a bounce of the button is
set aside where trials are paired, so that a person can have it back.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from itertools import pairwise
from typing import Final, Literal

from analysis.units import Unit
from capture.frames import FrameLayout, FrameReader
from capture.lines import (
    GAP_S,
    LONGEST,
    Line,
    LineReader,
    NoiseKind,
    NoiseWatch,
    Refused,
    mask_parity,
    runs,
)
from capture.settling import Settling, State
from capture.spec import Mode, Spec
from capture.values import Message, NotUnderstood, Pattern, Value, escaped, read_value

TroubleKind = NoiseKind | Literal["stream"]


@dataclass(frozen=True, slots=True)
class Trouble:
    """Something about the port as a whole, said once until it changes.

    kind is its name, sentence what to do, raw the bytes that betray it (escaped).
    """

    kind: TroubleKind
    sentence: str
    raw: str = ""


Decoded = Value | NotUnderstood | Message | Trouble

_SENTENCES: Final[dict[TroubleKind, str]] = {
    "wrong speed?": "wrong speed? Most bytes are no text; set `baud` to the instrument's speed",
    "7 data bits, even parity": "this looks like 7 data bits with even parity; "
    "set bytesize=7,parity=even, or mask=1 where the port cannot",
    "7 data bits, odd parity": "this looks like 7 data bits with odd parity; "
    "set bytesize=7,parity=odd, or mask=1 where the port cannot",
    "stream": "this is a stream; set mode=stream to take one reading each time it stands still",
}
_AFTER_NOISE: Final = "the line before was noise; press again until clean lines follow one another"


def read_line(
    line: Line | Refused, unit: Unit | None, pattern: Pattern | None = None
) -> Value | NotUnderstood | Message:
    """What one line, or what is refused instead of one, says; see `values.read_value`."""
    if isinstance(line, Refused):
        return NotUnderstood(escaped(line.raw), line.reason)
    try:
        text = line.raw.decode()
    except UnicodeDecodeError:
        return NotUnderstood(escaped(line.raw), "bytes that are no text; check the speed")
    return read_value(text, unit, pattern)


class StreamWatch:
    """Tells an instrument that sends by itself from a person who presses.

    A run is lines that follow each other within 250 ms, so more than 4 a second. It is a
    stream when it has lasted a second and
    - of its latest 12 lines at least half repeat the value before, or
    - its latest 24 lie within 0.03 mm and come at an even pace, or
    - 60 lines came over 3 s at an even pace, whatever they say.
    Even pace: no gap above 2.5 times the mean, which is at least 15 ms. It is judged at
    every twelfth line, so that a flood costs little.

    When unsure it is presses, for a lost press is worse. A program that tests by pressing
    twenty different strips in a second is let through; equal values so close together are
    bounces to whoever pairs them, so nothing that would count is held back, and of a
    stream's first lines the repeats do no harm. A second without a line ends the stream.
    """

    def __init__(self) -> None:
        self.streaming = False
        self._last_at = float("-inf")
        self._values: deque[int] = deque(maxlen=24)
        self._begin(0.0)

    def _begin(self, now: float) -> None:
        self._began_at = now
        self._count = 0
        self._longest = 0.0
        self._values.clear()

    def value(self, nm: int, now: float) -> bool:
        """Whether the line that said `nm` at `now` belongs to a stream."""
        gap = now - self._last_at
        if gap >= 1.0:
            self.streaming = False
        if gap > 0.250:
            self._begin(now)
        elif gap > self._longest:
            self._longest = gap
        self._last_at = now
        self._values.append(nm)
        self._count += 1
        if not self.streaming and self._count % 12 == 0:
            self.streaming = self._is_stream(now - self._began_at)
        return self.streaming

    def _is_stream(self, lasted: float) -> bool:
        if lasted < 1.0:
            return False
        latest = list(self._values)[-13:]
        if sum(later == earlier for earlier, later in pairwise(latest)) >= 6:
            return True
        mean = lasted / (self._count - 1)
        if self._longest > 2.5 * mean or mean < 0.015:
            return False
        steady = self._count >= 24 and max(self._values) - min(self._values) <= 30_000
        return steady or (self._count >= 60 and lasted >= 3.0)


class LineDecoder:
    """Values from the bytes of one serial instrument, and what else they say.

    unit, pattern: see `values.read_value`. mode: "stream" gives one value each time the
    instrument stands still (see `settling.Settling`) and joins in mid-line; "press" gives
    each line, unless they come as a stream; "ask" gives each line. longest, gap: see
    `lines.LineReader`. mask: clear every top bit first. frame: packed frames, not text.

    Call `feed` with every read, `quiet` when `due` is reached without one, `hang_up` when
    the port is lost. Never raises; memory is bounded whatever comes.
    """

    def __init__(
        self,
        unit: Unit | None = None,
        mode: Mode = "press",
        *,
        pattern: Pattern | None = None,
        gap: float | None = GAP_S,
        longest: int = LONGEST,
        mask: bool = False,
        settle: float = 0.4,
        tolerance_nm: int = 30_000,
        rearm_nm: int = 500_000,
        frame: FrameLayout | None = None,
    ) -> None:
        self.unit = unit
        self.mode: Mode = mode
        self.pattern = pattern
        self.mask = mask
        self._lines = LineReader(longest, gap, "joined" if mode == "stream" else "fresh")
        self._frames = FrameReader(frame, gap or GAP_S) if frame is not None else None
        self._noise = NoiseWatch()
        self._stream = StreamWatch()
        self._settling = Settling(settle, tolerance_nm=tolerance_nm, rearm_nm=rearm_nm)
        self._told_stream = False
        # Whose text goes with a settled length: of the few counts among which it flickers.
        self._recent: dict[int, Value] = {}

    @classmethod
    def for_spec(cls, spec: Spec) -> LineDecoder:
        """The decoder that `spec` describes."""
        return cls(
            spec.unit,
            spec.mode,
            pattern=spec.pattern,
            gap=spec.gap,
            mask=spec.mask,
            settle=spec.settle,
            tolerance_nm=spec.tolerance_nm,
            rearm_nm=spec.rearm_nm,
            frame=spec.frame,
        )

    @property
    def state(self) -> State | None:
        """How a stream stands ("moving", "settled", "still"); None in the other modes."""
        return self._settling.state if self.mode == "stream" else None

    @property
    def due(self) -> float | None:
        """The moment at which `quiet` has something to do; None when nothing is pending."""
        return self._frames.due if self._frames is not None else self._lines.due

    def feed(self, data: bytes, now: float) -> list[Decoded]:
        """What `data`, read at `now`, says, in order."""
        out: list[Decoded] = []
        if self._frames is not None:
            for value in self._frames.feed(data, now):
                self._take(value, now, out)
            return out
        out += self.quiet(now)
        if self.mask:
            data = mask_parity(data)
        if data.isascii() and b"\0" not in data and not self._noise.noisy:
            self._piece(data, now, out)
            return out
        # Noise and lines are judged in the order of the bytes, however a read was cut.
        for run in runs(data):
            if self._noise.noisy or (run.isascii() and run[0]):
                self._piece(run, now, out)
            else:
                for at in range(len(run)):
                    self._piece(run[at : at + 1], now, out)
        return out

    def _piece(self, data: bytes, now: float, out: list[Decoded]) -> None:
        trouble = self._noise.feed(data, now)
        if trouble is not None:
            out.append(Trouble(trouble, _SENTENCES[trouble], escaped(self._noise.heard)))
        for line in self._lines.feed(data, now):
            self._line(line, out)

    def quiet(self, now: float) -> list[Decoded]:
        """What the silence up to `now` ends."""
        out: list[Decoded] = []
        if self._frames is not None:
            for value in self._frames.quiet(now):
                self._take(value, now, out)
            return out
        for line in self._lines.quiet(now):
            self._line(line, out)
        return out

    def hang_up(self) -> NotUnderstood | None:
        """The half line that an unplug leaves behind; the decoder is as new afterwards."""
        self._noise = NoiseWatch()
        self._stream = StreamWatch()
        self._told_stream = False
        self._settling.reset()
        if self._frames is not None:
            return self._frames.hang_up()
        refused = self._lines.hang_up()
        return None if refused is None else NotUnderstood(escaped(refused.raw), refused.reason)

    def _line(self, line: Line | Refused, out: list[Decoded]) -> None:
        if isinstance(line, Refused):
            if not self._noise.noisy:
                out.append(read_line(line, self.unit))
            return
        raw = line.raw
        trouble = self._noise.line(raw)
        if trouble is not None:
            out.append(Trouble(trouble, _SENTENCES[trouble], escaped(raw)))
        elif self._noise.noisy:
            if raw.isascii():
                out.append(NotUnderstood(escaped(raw), _AFTER_NOISE))
            return
        self._take(read_line(line, self.unit, self.pattern), line.ended_at, out)

    def _take(self, value: Value | NotUnderstood | Message, now: float, out: list[Decoded]) -> None:
        if not isinstance(value, Value) or self.mode == "ask":
            out.append(value)
        elif self.mode == "press":
            if not self._stream.value(value.nm, now):
                self._told_stream = False
                out.append(value)
            elif not self._told_stream:
                self._told_stream = True
                out.append(Trouble("stream", _SENTENCES["stream"], value.sent))
        else:
            if len(self._recent) >= 64:
                self._recent.clear()
            self._recent[value.nm] = value
            settled = self._settling.feed(value.nm, now)
            if settled is not None:
                out.append(self._recent.get(settled, value))
