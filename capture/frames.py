"""Reads values from packed binary frames, by a layout that is data.

Small microcontroller adapters pass a caliper's own count on as a few packed bytes. The
layout gives the bits of the count, its sign and its unit; nothing here is specific to one
instrument.

A frame is one integer: its bytes in `byte_order`, each read most or least significant
bit first. Bit 0 is the integer's lowest bit.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal
from typing import Final, Literal

from analysis.units import Unit, to_nanometres
from capture.errors import LayoutError
from capture.lines import GAP_S
from capture.values import NotUnderstood, Value, escaped


@dataclass(frozen=True, slots=True)
class FrameLayout:
    """Where the value is in a packed frame.

    size: bytes in a frame, `sync` not counted.
    value: lowest bit and width of the count's field.
    sign: the bit that is 1 for a negative value; "twos" for two's complement within the
        field; None where the count is never negative.
    unit: the bit that is 1 for inches; None where all frames are in `only` unit.
    counts_mm, counts_in: counts in one mm and in one inch (100: 0.01 mm; 2000: 0.0005 in).
    byte_order: which byte comes first; bit_order: which bit of a byte was sent first,
        "lsb" where adapters collect bits into bytes the other way round.
    sync: bytes before each frame, none if silence alone separates the frames (see FrameReader).
    zero: bits that are 0 in every good frame; a frame with a 1 there is refused.
    idle: a frame (as an integer) that means that nothing is measured.

    Raises LayoutError when the fields overlap, lie outside the frame or are missing.
    """

    size: int
    value: tuple[int, int]
    sign: int | Literal["twos"] | None = None
    unit: int | None = None
    only: Unit = "mm"
    counts_mm: int = 100
    counts_in: int = 2000
    byte_order: Literal["little", "big"] = "little"
    bit_order: Literal["msb", "lsb"] = "msb"
    sync: bytes = b""
    zero: tuple[int, ...] = ()
    idle: int | None = None

    def __post_init__(self) -> None:
        if not 1 <= self.size <= 32:
            raise LayoutError(f"a frame has 1 to 32 bytes, not {self.size}")
        bits = 8 * self.size
        first, width = self.value
        if not (1 <= width <= 40 and first >= 0 and first + width <= bits):
            raise LayoutError(
                f"the value must lie within the frame's {bits} bits and have 1 to 40 of them"
            )
        singles = [bit for bit in (self.sign, self.unit, *self.zero) if isinstance(bit, int)]
        taken = set(range(first, first + width))
        for bit in singles:
            if not 0 <= bit < bits:
                raise LayoutError(f"bit {bit} lies outside the frame's {bits} bits")
            if bit in taken:
                raise LayoutError(f"bit {bit} is used twice")
            taken.add(bit)
        for counts, unit in ((self.counts_mm, "mm"), (self.counts_in, "in")):
            if not 1 <= counts <= 1_000_000:
                raise LayoutError(f"counts per {unit} must be 1 to 1000000, not {counts}")
        if self.idle is not None and not 0 <= self.idle < 1 << bits:
            raise LayoutError(f"idle must fit into the frame's {bits} bits")

    def __str__(self) -> str:
        """The layout as `parse_layout` reads it."""
        out = [f"size:{self.size}", f"value:{self.value[0]}+{self.value[1]}"]
        if self.sign is not None:
            out.append(f"sign:{self.sign}")
        out.append(f"unit:{self.only if self.unit is None else self.unit}")
        out += [f"mm:{self.counts_mm}", f"in:{self.counts_in}"]
        out += [f"bytes:{self.byte_order}", f"bits:{self.bit_order}"]
        if self.sync:
            out.append(f"sync:{self.sync.hex()}")
        if self.zero:
            out.append(f"zero:{'+'.join(map(str, self.zero))}")
        if self.idle is not None:
            out.append(f"idle:{self.idle:x}")
        return " ".join(out)


_WORD: Final[dict[str, str]] = {
    "size": r"[0-9]{1,2}",
    "value": r"[0-9]{1,3}\+[0-9]{1,2}",
    "sign": r"[0-9]{1,3}|twos",
    "unit": r"[0-9]{1,3}|mm|in",
    "mm": r"[0-9]{1,7}",
    "in": r"[0-9]{1,7}",
    "bytes": r"little|big",
    "bits": r"msb|lsb",
    "sync": r"(?:[0-9a-f]{2}){1,8}",
    "zero": r"[0-9]{1,3}(?:\+[0-9]{1,3})*",
    "idle": r"[0-9a-f]{1,64}",
}


def parse_layout(text: str) -> FrameLayout:
    """The layout written in `text`: words `name:value` separated by spaces.

    `size:3 value:0+20 sign:20 unit:23 mm:100 in:2000 bytes:little bits:msb sync:aa55
    zero:21+22 idle:ffffff`; value is lowest bit + width, sync and idle are hexadecimal,
    `unit:mm` or `unit:in` where no bit gives the unit. Only size and value are needed.
    Raises LayoutError naming the word that is wrong.
    """
    found: dict[str, str] = {}
    for word in text.lower().split():
        name, _, value = word.partition(":")
        if name not in _WORD or not re.fullmatch(_WORD[name], value, re.ASCII):
            raise LayoutError(
                f"{word!r} is no part of a frame layout; write size:3 value:0+20 sign:20 "
                "unit:23 mm:100 in:2000 bytes:little bits:msb sync:aa55 zero:21+22 idle:ffffff"
            )
        if name in found:
            raise LayoutError(f"the frame layout gives {name} twice; give it once")
        found[name] = value
    if "size" not in found or "value" not in found:
        raise LayoutError("a frame layout needs at least size:BYTES and value:LOWEST+WIDTH")
    first, _, width = found["value"].partition("+")
    sign = found.get("sign")
    unit = found.get("unit", "mm")
    return FrameLayout(
        size=int(found["size"]),
        value=(int(first), int(width)),
        sign=None if sign is None else "twos" if sign == "twos" else int(sign),
        unit=int(unit) if unit.isdigit() else None,
        only="in" if unit == "in" else "mm",
        counts_mm=int(found.get("mm", "100")),
        counts_in=int(found.get("in", "2000")),
        byte_order="big" if found.get("bytes") == "big" else "little",
        bit_order="lsb" if found.get("bits") == "lsb" else "msb",
        sync=bytes.fromhex(found.get("sync", "")),
        zero=tuple(int(bit) for bit in found["zero"].split("+")) if "zero" in found else (),
        idle=int(found["idle"], 16) if "idle" in found else None,
    )


_REVERSED: Final = bytes(int(f"{value:08b}"[::-1], 2) for value in range(256))


def read_frame(layout: FrameLayout, frame: bytes) -> Value | NotUnderstood | None:
    """The length in one whole frame of `layout.size` bytes; None for an idle frame.

    `sent` is the count as a plain decimal with its unit, such as "-12.34 mm": the bits
    themselves mean nothing to a reader, and this text reads back as the same length.
    """
    ordered = frame.translate(_REVERSED) if layout.bit_order == "lsb" else frame
    whole = int.from_bytes(ordered, layout.byte_order)
    if whole == layout.idle:
        return None
    if any(whole >> bit & 1 for bit in layout.zero):
        return NotUnderstood(frame.hex(" "), "a frame whose fixed bits are not 0")
    first, width = layout.value
    count = whole >> first & (1 << width) - 1
    if layout.sign == "twos":
        if count >> width - 1:
            count -= 1 << width
    elif layout.sign is not None and whole >> layout.sign & 1:
        count = -count
    inches = layout.unit is not None and whole >> layout.unit & 1
    unit: Unit = "in" if inches or (layout.unit is None and layout.only == "in") else "mm"
    counts = layout.counts_in if unit == "in" else layout.counts_mm
    number = Decimal(count) / counts
    try:
        nm = to_nanometres(number, unit)
    except ValueError as error:
        return NotUnderstood(frame.hex(" "), str(error))
    return Value(f"{number:f} {unit}", number, unit, nm, layout.unit is not None, None)


_LONGEST_RUN_S: Final = 2.0
_LONGEST_RUN: Final = 1024


class FrameReader:
    """Cuts a port's bytes into frames of `layout` and reads them.

    With `sync` bytes a frame begins after them and is given as soon as it is whole; bytes
    between frames are refused once. Without, only silence shows where a frame begins: what
    comes between two pauses of `gap` seconds is given after the second one, and
    only if it is a whole number of frames; anything else is refused as a whole, including the
    rest of a frame during which the port was opened. Where no pause comes for 2 s or 1024
    bytes, that is refused once, with what to do, and all is dropped up to the next pause.
    Call as `lines.LineReader`. Never raises; memory is bounded.
    """

    def __init__(self, layout: FrameLayout, gap: float = GAP_S) -> None:
        self.layout = layout
        self.gap = gap
        self._half = b""
        self._began_at = 0.0
        self._heard_at = 0.0
        self._lost = b""
        self._dropping = False

    @property
    def due(self) -> float | None:
        """The moment at which `quiet` has something to do; None when nothing is pending."""
        return self._heard_at + self.gap if self._half or self._lost else None

    def feed(self, data: bytes, now: float) -> list[Value | NotUnderstood]:
        """The values that `data`, read at `now`, completes, in order."""
        out = self.quiet(now)
        if not data:
            return out
        if not self._half:
            self._began_at = now
        self._heard_at = now
        if self.layout.sync:
            self._synced(self._half + data, out)
        elif not self._dropping:
            self._half += data
            if now - self._began_at >= _LONGEST_RUN_S or len(self._half) > _LONGEST_RUN:
                out.append(NotUnderstood(escaped(self._half[:64]), self._endless))
                self._half = b""
                self._dropping = True
        return out

    def _synced(self, rest: bytes, out: list[Value | NotUnderstood]) -> None:
        sync, size = self.layout.sync, self.layout.size
        at = 0
        while len(rest) - at >= len(sync) + size:
            if not rest.startswith(sync, at):
                found = rest.find(sync, at)
                # The last bytes may be the beginning of a sync that the next read completes.
                end = found if found >= 0 else len(rest) - len(sync) + 1
                self._lose(rest[at:end])
                at = end
                continue
            out += self._refuse_lost()
            at += len(sync)
            value = read_frame(self.layout, rest[at : at + size])
            at += size
            if value is not None:
                out.append(value)
        self._half = rest[at:]

    @property
    def _endless(self) -> str:
        return (
            f"no pause of {self.gap:g} s in which a frame could begin; give a `gap` shorter than"
            " the pause between frames, or the frame's sync"
        )

    def quiet(self, now: float) -> list[Value | NotUnderstood]:
        """The values that the silence up to `now` completes, or a refusal of a partial frame."""
        if now < self._heard_at + self.gap:
            return []
        self._dropping = False
        run, size = self._half, self.layout.size
        self._half = b""
        if not self.layout.sync and run and len(run) % size == 0:
            frames = (run[at : at + size] for at in range(0, len(run), size))
            read = (read_frame(self.layout, frame) for frame in frames)
            return [value for value in read if value is not None]
        self._lose(run)
        return [*self._refuse_lost()]

    def hang_up(self) -> NotUnderstood | None:
        """The part of a frame left by an unplug."""
        self._lose(self._half)
        self._half = b""
        self._dropping = False
        return next(iter(self._refuse_lost()), None)

    def _lose(self, data: bytes) -> None:
        self._lost = (self._lost + data)[:64]

    def _refuse_lost(self) -> list[NotUnderstood]:
        lost, self._lost = self._lost, b""
        if not lost:
            return []
        return [NotUnderstood(escaped(lost), "bytes that are no whole frame; check the layout")]
