"""Keyboard-kind calipers: grabbed input devices and HID reports, from a real kernel."""

from __future__ import annotations

import os
import select
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from capture.errors import SourceBusyError, SourceMissingError, SourceUnsupportedError
from capture.finding import hid_instruments, keyboard_instruments
from capture.sources.keyboard import _EVENT, _EVIOCGRAB, Keyboard
from tests import uhid
from tests.capture.notebook import Notebook, bench, state_of
from tests.ptys import until

linux = pytest.mark.skipif(sys.platform != "linux", reason="Linux input devices")
kernel = pytest.mark.skipif(not uhid.AVAILABLE, reason="needs /dev/uhid")


@contextmanager
def typing_caliper(product: int = 1) -> Iterator[tuple[uhid.TypingCaliper, str]]:
    """A caliper that types, and the input device that the kernel made of it."""
    caliper = uhid.TypingCaliper(product=product)
    try:
        assert until(lambda: _event(product) is not None, 60)
        yield caliper, str(_event(product))
    finally:
        caliper.unplug()


_IDS = ("vendor", "product")


def _event(product: int) -> str | None:
    for folder in Path("/sys/class/input").glob("event*"):
        try:
            found = [int((folder / "device/id" / name).read_text(), 16) for name in _IDS]
        except OSError:
            continue
        if found == [uhid.VENDOR, product] and os.path.exists(f"/dev/input/{folder.name}"):
            return f"/dev/input/{folder.name}"
    return None


def _heard(notebook: Notebook, count: int) -> bool:
    return until(lambda: len(notebook.readings) >= count, 60)


@linux
def test_a_device_that_is_not_there_is_waited_for() -> None:
    with pytest.raises(SourceMissingError, match="plug it in"):
        Keyboard("/dev/input/by-id/nobody-event-kbd").open()


@linux
def test_what_is_no_input_device_is_said(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(SourceUnsupportedError, match="no input device"):
        Keyboard(str(tmp_path / "file")).open()


@linux
def test_nothing_is_grabbed_while_a_key_is_down(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where no input device can be made: the order of what is asked of the kernel."""
    import fcntl

    asked: list[str] = []

    def ioctl(_fd: int, request: int, _argument: object) -> bytes:
        if request == _EVIOCGRAB:
            asked.append("grab")
        else:
            asked.append("keys")
            return bytes([0, len(asked) < 4])
        return b""

    monkeypatch.setattr(fcntl, "ioctl", ioctl)
    os.mkfifo(tmp_path / "event5")
    source = Keyboard(str(tmp_path / "event5"))
    source.open()
    source.close()
    assert asked == ["keys", "keys", "keys", "keys", "grab"]


@kernel
def test_a_key_that_is_down_when_the_grab_comes_is_seen_to_go_up() -> None:
    """Grabbed with a key down, every other window would see that key held for ever."""
    with typing_caliper(3) as (caliper, device):
        other = os.open(device, os.O_RDONLY | os.O_NONBLOCK)
        source = Keyboard(device)
        thread = threading.Thread(target=source.open, daemon=True)
        fds = Path("/proc/self/fd")
        try:
            caliper.report(uhid.USAGES["1"])
            assert select.select([other], [], [], 30)[0]
            thread.start()
            assert until(lambda: sum(_leads_to(fd, device) for fd in fds.iterdir()) >= 2, 30)
            caliper.report()
            thread.join(30)
            ups = 0

            def up() -> bool:
                nonlocal ups
                if select.select([other], [], [], 0.1)[0]:
                    data = os.read(other, 64 * _EVENT.size)
                    # EV_KEY, KEY_1, released.
                    ups += sum(each[2:] == (1, 2, 0) for each in _EVENT.iter_unpack(data))
                return ups > 0

            assert until(up, 30)
        finally:
            source.close()
            os.close(other)


def _leads_to(fd: Path, device: str) -> bool:
    try:
        return os.readlink(fd) == device
    except OSError:
        return False


@kernel
def test_a_grabbed_caliper_types_for_the_bench_alone() -> None:
    """After the end everyone has it back."""
    with typing_caliper() as (caliper, device):
        other = os.open(device, os.O_RDONLY | os.O_NONBLOCK)
        try:
            with bench(f"keys:{device},name=k,unit=mm") as (book, instruments):
                assert until(lambda: state_of(instruments, "k").state == "listening", 60)
                caliper.type("12.34\n")
                assert _heard(book, 1)
                caliper.type("11.1\n")
                assert _heard(book, 2)
                assert book.sent() == ["12.34", "11.1"]
                assert not select.select([other], [], [], 0.3)[0]
                with pytest.raises(SourceBusyError, match="another program"):
                    Keyboard(device).open()
            caliper.type("7\n")
            assert select.select([other], [], [], 10)[0]
        finally:
            os.close(other)


@kernel
def test_a_caliper_pulled_out_while_a_key_is_down_gives_no_reading() -> None:
    """No repeats, no half line."""
    with (
        typing_caliper() as (caliper, device),
        bench(f"keys:{device},name=k,unit=mm") as (book, its),
    ):
        assert until(lambda: state_of(its, "k").state == "listening", 60)
        caliper.type("12.3")
        caliper.report(uhid.USAGES["9"])
        caliper.unplug()
        assert until(lambda: state_of(its, "k").state == "unplugged", 60)
        assert until(lambda: book.refusals, 60)
        assert book.readings == []


@kernel
def test_a_line_without_enter_is_given_up() -> None:
    with (
        typing_caliper() as (caliper, device),
        bench(f"keys:{device},name=k,unit=mm") as (book, its),
    ):
        assert until(lambda: state_of(its, "k").state == "listening", 60)
        caliper.type("12.3")
        assert until(lambda: book.refusals, 60)
        caliper.type("1.5\n")
        assert until(lambda: book.readings or len(book.refusals) > 1, 60)
        if not book.readings:  # so soon it may be the rest of what was given up
            assert "its beginning may be missing" in book.refusals[-1].reason
            caliper.type("1.5\n")
        assert _heard(book, 1)
        assert book.sent() == ["1.5"]


@kernel
def test_keys_lost_by_the_kernel_spoil_their_line_alone() -> None:
    """The kernel's buffer runs over while nobody reads."""
    with typing_caliper() as (caliper, device):
        source = Keyboard(device)
        source.open()
        try:
            # Many more events than the kernel keeps for a reader.
            caliper.type("1234567890" * 20 + "\n")
            events: list[tuple[int, int, int]] = []

            def dropped() -> bool:
                events.extend(source.read(0.1))
                return (0, 3, 0) in events  # EV_SYN, SYN_DROPPED

            assert until(dropped, 60)
        finally:
            source.close()


@kernel
def test_a_hid_caliper_is_heard_by_its_ids() -> None:
    with typing_caliper(2) as (caliper, _), bench("hid:1209:0002,name=h,unit=mm") as (book, its):
        assert until(lambda: state_of(its, "h").state == "listening", 60)
        caliper.type("12.34\n")
        assert _heard(book, 1)
        caliper.type("0.50\n")
        assert _heard(book, 2)
        assert book.sent() == ["12.34", "0.50"]
        caliper.unplug()
        assert until(lambda: state_of(its, "h").state == "unplugged", 60)
        with typing_caliper(2) as (again, _):
            assert until(lambda: state_of(its, "h").state == "listening", 60)
            again.type("3\n")
            assert _heard(book, 3)


@kernel
def test_a_waiting_keyboard_can_be_woken() -> None:
    with typing_caliper() as (_, device):
        source = Keyboard(device)
        source.open()
        ended = threading.Event()

        def wait() -> None:
            source.read(None)
            ended.set()

        threading.Thread(target=wait, daemon=True).start()
        source.wake()
        assert ended.wait(30)
        source.close()


@kernel
def test_what_types_is_found() -> None:
    with typing_caliper() as (_, device):
        assert any(each.device == device for each in keyboard_instruments())
        assert any(each.spec == "hid:1209:0001" for each in hid_instruments(Path("bothends")))
