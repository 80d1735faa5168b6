"""The decoder of a serial instrument: bytes in, values out.

bytes -> (parity bit cleared) -> noise detection -> lines -> values -> settled values. No clock
and no port: "now" is an argument, in monotonic seconds.

Two equal lines in quick succession are both given here: pairing sets a bounce of the button
aside, so that a person can restore it.
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
    NoiseDetector,
    NoiseKind,
    Refused,
    mask_parity,
    runs,
)
from capture.settling import Settling, StreamState
from capture.spec import Mode, Spec
from capture.values import Message, NotUnderstood, Pattern, Value, escaped, read_value

TroubleKind = NoiseKind | Literal["stream"]


@dataclass(frozen=True, slots=True)
class Trouble:
    """A problem of the port as a whole, given once until it changes.

    kind is its name, sentence what to do, raw the bytes that show it (escaped).
    """

    kind: TroubleKind
    sentence: str
    raw: str = ""


@dataclass(frozen=True, slots=True)
class HeldBack:
    """What was received at `heard_at` and held back until it was clear that it is no stream."""

    event: Value | NotUnderstood | Message
    heard_at: float


Decoded = Value | NotUnderstood | Message | Trouble | HeldBack

_SENTENCES: Final[dict[TroubleKind, str]] = {
    "wrong speed?": "wrong speed? Most bytes are no text; set `baud` to the instrument's speed",
    "7 data bits, even parity": "this looks like 7 data bits with even parity; "
    "set bytesize=7,parity=even, or mask=1 where the port cannot",
    "7 data bits, odd parity": "this looks like 7 data bits with odd parity; "
    "set bytesize=7,parity=odd, or mask=1 where the port cannot",
    "stream": "this is a stream; set mode=stream to take one reading each time it stands still",
}
_OF_A_STREAM: Final = "one line of a stream, no press; set mode=stream"
_AFTER_NOISE: Final = "the line before was noise; press again until clean lines follow one another"


def read_line(
    line: Line | Refused, unit: Unit | None, pattern: Pattern | None = None
) -> Value | NotUnderstood | Message:
    """The value of one line, or why it has none; see `values.read_value`."""
    if isinstance(line, Refused):
        return NotUnderstood(escaped(line.raw), line.reason)
    try:
        text = line.raw.decode()
    except UnicodeDecodeError:
        return NotUnderstood(escaped(line.raw), "bytes that are no text; check the speed")
    return read_value(text, unit, pattern)


_RUN_S: Final = 0.250
# Nobody presses more than four times a second for so long without a pause.
_LONGEST_RUN_S: Final = 6.0
# No display updates its value more often. What comes faster was buffered, or a program sends it.
_FASTEST: Final = 25
# What was buffered ends soon: lines that keep coming so fast for so long are a flood.
_FLOOD: Final = 100  # lines a second
_FLOOD_S: Final = 0.8
_MOST_HELD: Final = 200


class StreamDetector:
    """Distinguishes an instrument that sends by itself from a person who presses.

    A run is a sequence of lines less than 250 ms apart, so more than 4 a second. Its lines count
    as presses and are given immediately, because losing a press is worse than keeping one line
    too many. They are held back once the run has lasted six seconds with 4 to 25 lines a second
    that do not repeat the value before. A pause of 250 ms ends the run and gives back all that
    was held: a fast hand, a bouncing button and a program that waits for one reading before it
    sends the next lose nothing. A run is a stream when lines still come one second after
    holding began (or 200 of them are held), or when it has lasted a second and at least
    nine of its latest 12 lines repeat the value before (checked at every twelfth line, so that
    a flood costs little), or after 0.8 s with more than 100 lines a second. A second without a
    line ends the stream.

    Whether the lines given before holding began were presses cannot be known. `given` is
    their number, for the message to the person.
    """

    def __init__(self) -> None:
        self.streaming = False
        self.given = 0
        self._last_at = float("-inf")
        self._values: deque[int] = deque(maxlen=13)
        self._begin(0.0)

    def _begin(self, now: float) -> None:
        self._began_at = now
        self._held_at: float | None = None
        self._count = 0
        self._fresh = 0
        self.given = 0
        self._values.clear()

    @property
    def due(self) -> float:
        """The moment at which the run ends when no line comes before."""
        return self._last_at + _RUN_S

    def line(self, nm: int, now: float) -> Literal["press", "held", "stream"]:
        """What the line with the value `nm` at `now` is, as far as is known."""
        if now >= self._last_at + 1.0:
            self.streaming = False
        if now >= self.due:
            self._begin(now)
        self._last_at = now
        self._fresh += not self._values or self._values[-1] != nm
        self._values.append(nm)
        self._count += 1
        if self.streaming:
            return "stream"
        lasted = now - self._began_at
        if (
            self._held_at is None
            and lasted >= _LONGEST_RUN_S
            and 4 * lasted < self._fresh - 1 <= _FASTEST * lasted
        ):
            self._held_at = now
        held_long = self._held_at is not None and (
            now - self._held_at >= 1.0 or self._count - self.given > _MOST_HELD
        )
        flood = lasted >= _FLOOD_S and self._count > _FLOOD * lasted
        if flood or held_long or (self._count % 12 == 0 and lasted >= 1.0 and self._repeats()):
            self.streaming = True
            return "stream"
        if self._held_at is not None:
            return "held"
        self.given += 1
        return "press"

    def _repeats(self) -> bool:
        return sum(later == earlier for earlier, later in pairwise(self._values)) >= 9


class LineDecoder:
    """Values, refusals, messages and trouble from the bytes of one serial instrument.

    unit, pattern: see `values.read_value`. mode: "stream" gives one value each time the
    instrument stands still (see `settling.Settling`) and may begin within a line; "press" gives
    each line, unless they come as a stream (see `StreamDetector`; lines it held back are given
    as `HeldBack`); "ask" gives each line. longest, gap: see
    `lines.LineReader`. mask: clear every top bit first. frame: packed frames, not text.

    Call `feed` with every read, `quiet` when `due` is reached without one, `hang_up` when
    the port is lost. Never raises; memory is bounded for any input.
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
        self._noise = NoiseDetector()
        self._stream = StreamDetector()
        self._settling = Settling(settle, tolerance_nm=tolerance_nm, rearm_nm=rearm_nm)
        self._held: list[HeldBack] = []
        # The latest text for each length, to give a settled length its text.
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
    def state(self) -> StreamState | None:
        """The state of a stream ("moving", "settled", "still"); None in the other modes."""
        return self._settling.state if self.mode == "stream" else None

    @property
    def due(self) -> float | None:
        """The moment at which `quiet` has something to do; None when nothing is pending."""
        due = self._frames.due if self._frames is not None else self._lines.due
        if not self._held:
            return due
        return self._stream.due if due is None else min(due, self._stream.due)

    def feed(self, data: bytes, now: float) -> list[Decoded]:
        """The results of `data`, read at `now`, in order."""
        out: list[Decoded] = []
        if self._frames is not None:
            self._give_back(now, out)
            for value in self._frames.feed(data, now):
                self._take(value, now, out)
            return out
        out += self.quiet(now)
        if self.mask:
            data = mask_parity(data)
        if data.isascii() and b"\0" not in data and not self._noise.noisy:
            self._feed_piece(data, now, out)
            return out
        # Noise and lines are judged in the order of the bytes, so that the size of a read changes
        # nothing.
        for run in runs(data):
            if self._noise.noisy or (run.isascii() and run[0]):
                self._feed_piece(run, now, out)
            else:
                for at in range(len(run)):
                    self._feed_piece(run[at : at + 1], now, out)
        return out

    def _feed_piece(self, data: bytes, now: float, out: list[Decoded]) -> None:
        trouble = self._noise.feed(data, now)
        if trouble is not None:
            out.append(Trouble(trouble, _SENTENCES[trouble], escaped(self._noise.heard)))
        for line in self._lines.feed(data, now):
            self._line(line, out)

    def quiet(self, now: float) -> list[Decoded]:
        """The results of what the silence up to `now` ends."""
        out: list[Decoded] = []
        if self._frames is not None:
            for value in self._frames.quiet(now):
                self._take(value, now, out)
        for line in self._lines.quiet(now):
            self._line(line, out)
        self._give_back(now, out)
        return out

    def give_back(self) -> list[Decoded]:
        """What is held back, where nothing more can show that it is a stream (after an unplug)."""
        out: list[Decoded] = [*self._held]
        self._held.clear()
        return out

    def hang_up(self) -> NotUnderstood | None:
        """The half line left by an unplug; resets the decoder.

        Call `give_back` first: what is held back is lost here.
        """
        self._noise = NoiseDetector()
        self._stream = StreamDetector()
        self._held.clear()
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

    def _give_back(self, now: float, out: list[Decoded]) -> None:
        if self._held and now >= self._stream.due:
            out += self.give_back()

    def _take(self, value: Value | NotUnderstood | Message, now: float, out: list[Decoded]) -> None:
        if self.mode == "press":
            self._press(value, now, out)
        elif not isinstance(value, Value) or self.mode == "ask":
            out.append(value)
        else:
            if len(self._recent) >= 64:
                self._recent.clear()
            self._recent[value.nm] = value
            settled = self._settling.feed(value.nm, now)
            if settled is not None:
                out.append(self._recent.get(settled, value))

    def _press(
        self, value: Value | NotUnderstood | Message, now: float, out: list[Decoded]
    ) -> None:
        self._give_back(now, out)
        if not isinstance(value, Value):
            # Kept in its place among the held lines, up to a limit.
            if self._held and len(self._held) < 2 * _MOST_HELD:
                self._held.append(HeldBack(value, now))
            else:
                out.append(value)
            return
        was = self._stream.streaming
        kind = self._stream.line(value.nm, now)
        if kind == "press":
            out.append(value)
        elif kind == "held":
            self._held.append(HeldBack(value, now))
        elif not was:
            for held in self.give_back():
                assert isinstance(held, HeldBack)
                event = held.event
                if isinstance(event, Value):
                    event = NotUnderstood(event.sent, _OF_A_STREAM)
                out.append(event)
            sentence = _SENTENCES["stream"]
            if self._stream.given:
                sentence += (
                    f"; the {self._stream.given} readings before this was clear were no presses:"
                    " take them back"
                )
            out.append(Trouble("stream", sentence, value.sent))
