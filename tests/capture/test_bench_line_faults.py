"""Faults on the line of an instrument on a real port, and what comes of them in the record."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass

import pytest

from capture.pretend import PtyPort
from tests.capture.notebook import bench, listening, state_of
from tests.ptys import plugged, until


def test_bare_digits_end_by_silence() -> None:
    """Some instruments send no end of line."""
    with plugged() as port, bench(f"serial:{port.target},unit=mm") as (book, _):
        assert listening(book)
        port.send(b"12.34")
        assert until(lambda: book.readings)
        port.send(b"12.35")
        assert until(lambda: len(book.readings) == 2)
        assert book.sent() == ["12.34", "12.35"]


@pytest.mark.parametrize("size", [1, 2, 5, 1000])
def test_chunks_make_no_difference(size: int) -> None:
    """However the system hands the bytes over."""
    sent = [f"{number}.5" for number in range(10)]
    data = "".join(f"{each}\r\n" for each in sent).encode()
    with plugged() as port, bench(f"serial:{port.target},unit=mm") as (book, _):
        assert listening(book)
        for at in range(0, len(data), size):
            port.send(data[at : at + size])
        assert until(lambda: len(book.readings) == 10)
        assert book.sent() == sent


def even(text: str) -> bytes:
    """`text` in 7 data bits and even parity, as 8 bits show it."""
    return bytes(byte | byte.bit_count() % 2 << 7 for byte in text.encode())


@dataclass(frozen=True)
class Fault:
    """What comes down the line, and all that may come of it: readings as sent with their
    nanometres, words of each refusal, words of the trouble that is said."""

    name: str
    sent: bytes
    readings: Sequence[tuple[str, int]] = ()
    refused: Sequence[str] = ()
    trouble: str = ""
    options: str = "unit=mm"


OK = ("7.77", 7_770_000)


FAULTS = [
    Fault("CR", b"1.5\r7.77\r", [("1.5", 1_500_000), OK]),
    Fault("LF", b"1.5\n7.77\n", [("1.5", 1_500_000), OK]),
    Fault("LF CR, doubled", b"1.5\n\r\n\r7.77\n\r", [("1.5", 1_500_000), OK]),
    Fault("CR CR LF", b"1.5\r\r\n\r\r\n7.77\r\r\n", [("1.5", 1_500_000), OK]),
    Fault("even parity, said", even("1.5\r\n2.5\r\n") * 4, trouble="7 data bits with even parity"),
    Fault(
        "even parity, masked",
        even("-12.34\r\n"),
        [("-12.34", -12_340_000)],
        options="unit=mm,mask=1",
    ),
    Fault("control bytes around", b"\0\x02+1.5\x03\0\r\n7.77\r\n", [("+1.5", 1_500_000), OK]),
    Fault("control byte within", b"1\x07.5\r\n7.77\r\n", [OK], ["control"]),
    Fault("line too long", b"9" * 3000 + b"\r\n7.77\r\n", [OK], ["more than 256 bytes"]),
    Fault(
        "unit in the line",
        b"25.4 mm\r\n1.0 in\r\n7.77\r\n",
        [("25.4 mm", 25_400_000), ("1.0 in", 25_400_000), OK],
    ),
    Fault("no unit", b"25.4\r\n7.77 mm\r\n", [("7.77 mm", OK[1])], ["unit"], options="name=g"),
    Fault("decimal comma", b"12,34\r\n7.77\r\n", [("12,34", 12_340_000), OK]),
    Fault("comma and point", b"1,234.5\r\n7.77\r\n", [OK], ["more than one decimal mark"]),
    Fault(
        "signs",
        "+1.2\r-0.00\r- 12.3\r\u22121.5\r7.77\r".encode(),
        [
            ("+1.2", 1_200_000),
            ("-0.00", 0),
            ("- 12.3", -12_300_000),
            ("\u22121.5", -1_500_000),
            OK,
        ],
    ),
    Fault("sign behind", b"12.3-\r7.77\r", [OK], [""]),
    Fault(
        "spaces and zeros",
        b"  12.340  \r000.50\r.5\r5.\r7.77\r",
        [
            ("  12.340  ", 12_340_000),
            ("000.50", 500_000),
            (".5", 500_000),
            ("5.", 5_000_000),
            OK,
        ],
    ),
    Fault(
        "words around",
        b"A1 +12.34\r12.34 mm OK\r7.77\r",
        [("A1 +12.34", 12_340_000), ("12.34 mm OK", 12_340_000), OK],
    ),
    Fault("two numbers", b"12.34 56.78\r7.77\r", [OK], [""]),
    Fault(
        "pattern",
        b"T20 W=1.5 Z9\rT20 X=1.5\r",
        [("T20 W=1.5 Z9", 1_500_000)],
        ["a message of the instrument"],
        options="unit=mm,pattern=T[0-9]+ W=(?P<value>[0-9.]+) Z[0-9]",
    ),
    *(
        Fault(f"no number: {line!r}", f"{line}\r7.77\r".encode(), [OK], [""])
        for line in ("nan", "inf", "1e3", "0x10", "1_000", "\u0661\u0662.5", "1.2.3")
    ),
    Fault(
        "very large and negative",
        b"9999.99\r-3.21\r7.77\r",
        [("9999.99", 9_999_990_000), ("-3.21", -3_210_000), OK],
    ),
]


@pytest.mark.parametrize("fault", FAULTS, ids=lambda fault: fault.name)
def test_a_fault_on_the_line_costs_what_it_must_and_no_more(fault: Fault) -> None:
    """Through a real port to the record."""
    with plugged() as port, bench(f"serial:{port.target},{fault.options}") as (book, _):
        assert listening(book)
        port.send(fault.sent)
        if fault.trouble:
            assert until(lambda: book.said("trouble", fault.trouble))
        assert until(lambda: len(book.readings) >= len(fault.readings))
        assert until(lambda: len(book.refusals) >= len(fault.refused))
        assert [(each.sent, each.nm) for each in book.readings] == list(fault.readings)
        if not fault.trouble:
            assert len(book.refusals) == len(fault.refused), book.refusals
            for refusal, words in zip(book.refusals, fault.refused, strict=True):
                assert words in refusal.reason


@pytest.mark.parametrize("baud", [2400, 19200, 115200])
def test_a_port_at_the_wrong_speed_says_so_and_keeps_nothing(baud: int) -> None:
    """The bytes are what a receiver at 9600 makes of them."""
    port = PtyPort(baud=baud)
    try:
        with bench(f"serial:{port.target},unit=mm") as (book, _):
            assert listening(book)
            numbers = itertools.count(1000)

            def said() -> bool:
                port.send(f"{next(numbers) / 100:.2f}\r\n".encode())
                return book.said("trouble", "wrong speed?")

            assert until(said)
            assert book.readings == []
    finally:
        port.close()


def test_a_bounce_reaches_the_record_with_the_time_that_tells_it() -> None:
    """Both are kept, and how close they came."""
    with plugged() as port, bench(f"serial:{port.target},unit=mm") as (book, _):
        assert listening(book)
        port.send(b"12.34\r\n12.34\r\n")
        assert until(lambda: len(book.readings) == 2)
        since = book.readings[1].since_previous_ms
        assert since is not None
        assert since < 250


def test_what_an_instrument_says_of_itself_is_shown_and_not_counted() -> None:
    with plugged() as port, bench(f"serial:{port.target},name=g,unit=mm") as (book, instruments):
        assert listening(book)
        port.send(b"LOW BAT\r\n")
        assert until(lambda: "LOW BAT" in state_of(instruments, "g").message)
        assert until(lambda: book.refusals)
        port.send(b"1.00\r\n")
        assert until(lambda: book.readings)
        assert until(lambda: state_of(instruments, "g").message == "")
