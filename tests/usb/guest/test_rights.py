"""The udev rule that `bothends install` writes, tried by udev itself on real devices."""

from __future__ import annotations

import grp
import os
import subprocess
import sys
from pathlib import Path

import pytest

from capture.finding import RULES_FILE
from tests.usb.guest.hand import Hand
from tests.usb.guest.person import ADAPTER, CALIPER, NOBODY, as_nobody, soon
from tests.usb.guest.test_typing import by_hidraw, by_libusb
from tests.whole.commands import done, line_with

KEYBOARDS = "0627:0001"
SEAT = Path("/run/systemd/seats/seat0")


@pytest.fixture(scope="module", autouse=True)
def _everyone_may_run_bothends() -> None:
    """In this machine's own memory of its files only."""
    for folder in Path(sys.executable).resolve().parents:
        folder.chmod(folder.stat().st_mode | 0o011)


def _reload() -> None:
    """What `bothends install` says to run, for what this is about, and udev's answer awaited."""
    _udevadm("control", "--reload")
    _udevadm("trigger", *(f"--subsystem-match={each}" for each in ("usb", "hidraw", "input")))
    _udevadm("settle", "--timeout=60")


def _udevadm(*words: str) -> str:
    return subprocess.run(["udevadm", *words], check=True, capture_output=True, text=True).stdout


def _properties(name: Path | str) -> str:
    told = _udevadm("info", "--query=property", "--name", str(name))
    # Tags of earlier rules stay listed beside those in force.
    return "\n".join(line for line in told.splitlines() if not line.startswith("TAGS="))


def _nobody_may_open(node: str) -> bool:
    words = ["test", "-r", node, "-a", "-w", node]
    return subprocess.run(words, user=NOBODY, group=NOBODY, extra_groups=[]).returncode == 0


def test_without_the_rule_the_way_to_it_is_said(hand: Hand) -> None:  # noqa: ARG001
    with as_nobody("listen", f"{by_libusb()},name=c") as listen:
        assert "the udev rule" in line_with(listen, "no permission")
    with as_nobody("install", "--udev", "--id", KEYBOARDS) as refused:
        assert refused.stderr is not None
        assert f"only root may write {RULES_FILE}; run: sudo " in refused.stderr.read()


def test_with_the_rule_a_group_and_the_person_at_the_machine_may(hand: Hand) -> None:
    written = done("install", "--udev", "--id", KEYBOARDS)
    assert written.returncode == 0, written.stderr
    _reload()
    try:
        input_group = grp.getgrnam("input").gr_gid
        with as_nobody("listen", f"{by_libusb()},name=c,unit=mm", groups=[input_group]) as listen:
            assert line_with(listen, "c  listening") == "c  listening\n"
            hand.type("caliper", "12.34\n")
            assert "12.34 mm" in line_with(listen, "c  ")
            listen.terminate()
            listen.wait(60)
        assert soon(CALIPER.exists)

        assert not _nobody_may_open(str(CALIPER))
        # The person logged in here, in no group at all; the seat is what logind says of it.
        SEAT.parent.mkdir(parents=True)
        SEAT.write_text(f"IS_SEAT0=1\nACTIVE=1\nACTIVE_UID={NOBODY}\nACTIVE_SESSION=1\n")
        _reload()
        for node in (str(CALIPER), by_hidraw().removeprefix("hid:")):
            assert _nobody_may_open(node)
        with as_nobody("listen", f"{by_libusb()},name=c,unit=mm") as listen:
            line_with(listen, "c  listening")
            hand.type("caliper", "0.5\n")
            assert "0.5 mm" in line_with(listen, "c  ")
        # What the rule does not name stays shut.
        with as_nobody("listen", f"serial:{ADAPTER},name=s") as listen:
            assert "usermod -aG dialout" in line_with(listen, "no permission")
    finally:
        SEAT.unlink(missing_ok=True)
        Path(RULES_FILE).unlink()
        _reload()


def test_the_rule_keeps_other_programs_off_an_adapter(hand: Hand) -> None:
    port = ADAPTER.resolve()
    assert "ID_MM_DEVICE_IGNORE" not in _properties(port)
    assert done("install", "--udev", "--id", "0403:6001").returncode == 0
    _udevadm("control", "--reload")
    try:
        hand.unplug("adapter")
        assert soon(lambda: not ADAPTER.exists())
        hand.plug("adapter")
        assert soon(ADAPTER.exists)
        _udevadm("settle", "--timeout=60")
        assert "ID_MM_DEVICE_IGNORE=1" in _properties(ADAPTER.resolve())
        folder = (Path("/sys/class/tty") / ADAPTER.resolve().name / "device").resolve()
        usb = next(each for each in folder.parents if (each / "idVendor").exists())
        assert (usb / "power/control").read_text() == "on\n"
        numbers = [int((usb / name).read_text()) for name in ("busnum", "devnum")]
        properties = _properties("/dev/bus/usb/{:03}/{:03}".format(*numbers))
        assert "ID_MM_DEVICE_IGNORE=1" in properties
        assert ":uaccess:" in properties
        assert "uaccess" not in _properties(CALIPER)
        assert os.stat(ADAPTER).st_gid == grp.getgrnam("dialout").gr_gid
    finally:
        Path(RULES_FILE).unlink()
        _reload()
