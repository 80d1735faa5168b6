"""Splits bytes into whole lines.

A line ends at a terminator: CR, LF or TAB, any number of them in any order, so CR LF,
LF CR and doubled ones end one line, and a terminator split across two reads adds none.
An instrument that sends no terminator at all ends its line by silence. The two rules
conflict where a terminated line is delayed in the middle (a network, a busy hub): the
silence would cut one number into two wrong ones. So from the first line that ended with a
terminator, silence no longer ends lines on that port; a half line that nothing completes is
refused.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final, Literal

LineStart = Literal["fresh", "joined"]
RefusedKind = Literal["overlong", "half", "abandoned", "lost"]
ParityKind = Literal["7 data bits, even parity", "7 data bits, odd parity"]
NoiseKind = Literal["wrong speed?"] | ParityKind

LONGEST: Final = 256
"""Bytes in one line; ten times what a caliper sends (common practice, no source)."""
GAP_S: Final = 0.150
"""Silence that ends an unterminated line: well above a USB adapter's latency timer of 16 ms
and a character at 300 baud (33 ms), well below the time between two presses of a button."""
STALE_S: Final = 2.0
"""Silence after which a half line of a terminated instrument will not be completed."""

_TERMINATORS: Final = re.compile(rb"[\r\n\t]+")
_CONTROL: Final = bytes([*range(1, 32), 127])
_HAS_CONTROL: Final = re.compile(rb"[\x01-\x1f\x7f]")
_LEADING: Final = re.compile(rb"[\x01-\x20\x7f]*")
_TRAILING: Final = re.compile(rb"[\x01-\x20\x7f]*\Z")


@dataclass(frozen=True, slots=True)
class Line:
    """One whole line as received, without its terminator, NULs and outer control bytes.

    `began_at` and `ended_at` are the moments (monotonic seconds) at which its first byte
    and its end were read.
    """

    raw: bytes
    ended_by: Literal["terminator", "gap"]
    began_at: float
    ended_at: float


@dataclass(frozen=True, slots=True)
class Refused:
    """Something received that is no line, kept to be shown.

    kind "overlong": more than the longest line, the rest dropped up to the next end;
    "half": nothing completed it; "abandoned": keys without Enter; "lost": keys were lost.
    """

    raw: bytes
    kind: RefusedKind
    reason: str
    at: float


def _without_outer_controls(part: bytes) -> bytes:
    """`part` without the control bytes before its first and after its last printable byte."""
    if not _HAS_CONTROL.search(part):
        return part
    lead = _LEADING.match(part)
    head = lead.end() if lead else 0
    trail = _TRAILING.search(part, head)
    tail = trail.start() if trail else len(part)
    before, after = part[:head], part[tail:]
    return before.translate(None, _CONTROL) + part[head:tail] + after.translate(None, _CONTROL)


class LineReader:
    """Splits what a port delivers into lines, independent of the sizes of the reads.

    longest: bytes a line may have (NULs not counted); a longer one is refused once and
        dropped up to the next terminator or a silence of 2 s. Memory never exceeds it.
    gap: seconds of silence that end a line where no terminator ever came; None: never.
    start: "joined" drops everything before the first terminator (or silence), since reading of
        a stream begins within a line; "fresh" takes the first line as it comes.

    Call `feed` with every read and `quiet` when `due` is reached without one. The same
    bytes at the same moments give the same lines, whatever the sizes of the reads.
    Raises ValueError when `longest` or `gap` is not above zero.
    """

    def __init__(
        self,
        longest: int = LONGEST,
        gap: float | None = GAP_S,
        start: LineStart = "fresh",
    ) -> None:
        if longest < 1:
            raise ValueError(f"longest must be at least 1 byte, not {longest}")
        if gap is not None and not gap > 0:
            raise ValueError(f"gap must be above zero seconds, not {gap}; None switches it off")
        self.longest = longest
        self.gap = gap
        self.start: LineStart = start
        self._half = b""
        self._began_at = 0.0
        self._heard_at = 0.0
        self._terminated = False
        self._dropping = False
        self._joining = start == "joined"

    @property
    def due(self) -> float | None:
        """The moment at which `quiet` has something to do; None when nothing is pending."""
        if not self._half:
            return None
        return self._heard_at + self._patience

    @property
    def _patience(self) -> float:
        return STALE_S if self._terminated or self.gap is None else self.gap

    def feed(self, data: bytes, now: float) -> list[Line | Refused]:
        """The lines that `data`, read at `now`, completes, in order."""
        out = self.quiet(now)
        data = data.translate(None, b"\0")
        if not data:
            return out
        if self._half:
            data = self._half + data
        else:
            self._began_at = now
        self._heard_at = now
        parts = _TERMINATORS.split(data)
        last = parts.pop()
        longest = self.longest
        for part in parts:
            if self._dropping:
                self._dropping = False
            elif len(part) > longest:
                out.append(self._overlong(part, now))
            elif self._joining:
                pass
            else:
                raw = _without_outer_controls(part)
                if raw and not raw.isspace():
                    out.append(Line(raw, "terminator", self._began_at, now))
                    self._terminated = True
            self._joining = False
            self._began_at = now
        if self._dropping:
            last = b""
        elif len(last) > longest:
            out.append(self._overlong(last, now))
            self._dropping = True
            last = b""
        self._half = last
        return out

    def quiet(self, now: float) -> list[Line | Refused]:
        """The line or refusal, at most one, that the silence up to `now` ends."""
        if not self._half:
            if self._dropping and now >= self._heard_at + STALE_S:
                self._dropping = False
            return []
        if now < self._heard_at + self._patience:
            return []
        raw, self._half = _without_outer_controls(self._half), b""
        if self._joining:
            self._joining = False
            return []
        if not raw or raw.isspace():
            return []
        if self._terminated or self.gap is None:
            # The terminator may have been noise: let silence end lines again.
            self._terminated = False
            reason = "half a line: nothing followed it; press again"
            return [Refused(raw, "half", reason, self._heard_at)]
        return [Line(raw, "gap", self._began_at, now)]

    def hang_up(self) -> Refused | None:
        """The half line left by an unplug; resets the reader."""
        raw = _without_outer_controls(self._half)
        at = self._heard_at
        joining = self._joining
        self._half = b""
        self._terminated = self._dropping = False
        self._joining = self.start == "joined"
        if joining or not raw or raw.isspace():
            return None
        return Refused(raw, "half", "half a line: the connection was lost; press again", at)

    def _overlong(self, part: bytes, now: float) -> Refused:
        self._joining = False
        reason = (
            f"more than {self.longest} bytes without an end of line; the rest is dropped "
            "up to the next one (is the instrument set to end its lines?)"
        )
        return Refused(part[: self.longest], "overlong", reason, now)


_MASK: Final = bytes(value & 0x7F for value in range(256))
_ODD: Final = bytes(value for value in range(256) if value.bit_count() % 2)
_EVEN: Final = bytes(value for value in range(256) if value.bit_count() % 2 == 0)
_TEXT: Final = bytes([*range(0x20, 0x7F), 0x0D, 0x0A, 0x09])
_GOOD: Final = bytes(range(1, 0x80))


def mask_parity(data: bytes) -> bytes:
    """`data` with every top bit cleared: what a 7-bit instrument sent, read as 8 bits."""
    return data.translate(_MASK)


def parity_of(data: bytes) -> ParityKind | None:
    """The parity with which `data` would be 7-bit text, None if it is plain or not text.

    Given only where at least one top bit is set, every byte agrees, and there are four
    bytes with two digits among them: fewer agree by chance.
    Source: the bytes of a frame with 7 data bits and a parity bit (common practice).
    """
    if not data.translate(None, _GOOD):
        return None
    text = data.translate(_MASK)
    if len(text) < 4 or text.translate(None, _TEXT) or sum(48 <= mark < 58 for mark in text) < 2:
        return None
    if not data.translate(None, _EVEN):
        return "7 data bits, even parity"
    if not data.translate(None, _ODD):
        return "7 data bits, odd parity"
    return None


# A motor that starts nearby can put a stray byte on a long cable. A person who gets no reading
# presses again sooner than this.
_FORGET_S: Final = 10.0


class NoiseDetector:
    """Distinguishes a port at the wrong speed from one with occasional errors.

    At a wrong speed most bytes are NUL or have the top bit set. The port is noisy after
    `bad_bytes` of them, or `bad_bursts` bursts that contain some, since the last clean line,
    where they are at least half of all bytes since then (a silence of 10 s forgets the
    bursts). From then on nothing is trusted until `clean_lines` clean lines came in a row.

    Call `feed` with all bytes (before NULs are dropped) and `line` with each line; `line`
    says whether the line may be read. `heard` holds the bytes that showed the last trouble.
    """

    def __init__(self, bad_bytes: int = 16, bad_bursts: int = 3, clean_lines: int = 3) -> None:
        self.bad_bytes = bad_bytes
        self.bad_bursts = bad_bursts
        self.clean_lines = clean_lines
        self.noisy = False
        self.heard = b""
        self._bad = 0
        self._all = 0
        self._bursts = 0
        self._in_bad_burst = False
        self._heard_at = float("-inf")
        self._clean_in_a_row = 0
        self._sample = bytearray()

    def feed(self, data: bytes, now: float) -> NoiseKind | None:
        """The trouble that `data` brings to light, once per spell of noise."""
        if now - self._heard_at >= GAP_S:
            self._in_bad_burst = False
            if now - self._heard_at >= _FORGET_S:
                self._bursts = 0
        if data:
            self._heard_at = now
        if not data.translate(None, _GOOD):
            self._count_good(data)
            return None
        trouble: NoiseKind | None = None
        for value in data:
            self._all += 1
            if len(self._sample) < 64:
                self._sample.append(value)
            if 0 < value < 0x80:
                if value in b"\r\n\t":
                    self._in_bad_burst = False
                continue
            self._bad += 1
            self._clean_in_a_row = 0
            if not self._in_bad_burst:
                self._in_bad_burst = True
                self._bursts += 1
            enough = self._bad >= self.bad_bytes or self._bursts >= self.bad_bursts
            if not self.noisy and enough and 2 * self._bad >= self._all:
                self.noisy = True
                self.heard = bytes(self._sample)
                trouble = parity_of(self.heard) or "wrong speed?"
        return trouble

    def _count_good(self, data: bytes) -> None:
        if not self._bad:
            return
        self._all += len(data)
        self._sample += data[: 64 - len(self._sample)]
        if _TERMINATORS.search(data):
            self._in_bad_burst = False

    def line(self, raw: bytes) -> NoiseKind | None:
        """Judge one line; `noisy` says afterwards whether it may be read.

        Returns the parity that the line shows, where it is the first to show it.
        """
        if raw.isascii() and not _HAS_CONTROL.search(raw):
            self._clean()
            return None
        if raw.isascii():
            self._clean_in_a_row = 0
            return None
        parity = parity_of(raw)
        if parity is None:
            try:
                clean = raw.decode().isprintable()
            except UnicodeDecodeError:
                clean = False
            if clean:
                self._clean()
            else:
                self._clean_in_a_row = 0
            return None
        self._clean_in_a_row = 0
        if self.noisy:
            return None
        self.noisy = True
        self.heard = raw
        return parity

    def _clean(self) -> None:
        if self.noisy:
            self._clean_in_a_row += 1
            if self._clean_in_a_row < self.clean_lines:
                return
            self.noisy = False
        self._bad = self._all = self._bursts = self._clean_in_a_row = 0
        self._in_bad_burst = False
        self._sample.clear()


_RUNS: Final = re.compile(rb"[\x01-\x08\x0b\x0c\x0e-\x7f]+[\r\n\t]*|[\r\n\t]+|[\0\x80-\xff]+")


def runs(data: bytes) -> Iterator[bytes]:
    """`data` cut after each terminator and wherever good and bad bytes meet."""
    return (run[0] for run in _RUNS.finditer(data))
