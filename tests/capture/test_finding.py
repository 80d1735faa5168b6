"""Names that stay, and what is missing: from folders laid out as the system lays out its own.

The layout of /dev/serial, /proc/bus/input/devices and /sys/class/hidraw is Linux's; the
devices in them are invented.
"""

from __future__ import annotations

import os
import shlex
from pathlib import Path

import pytest
from serial.tools.list_ports_common import ListPortInfo

from capture.finding import (
    Found,
    devices_without_driver,
    find_again,
    hid_instruments,
    identical_units,
    identity_of,
    instruments,
    keyboard_instruments,
    serial_instruments,
    why_not_taken,
)
from tests.ptys import plugged


def port(
    device: Path,
    serial_number: str | None = None,
    location: str | None = None,
    ids: tuple[int, int] = (0x1209, 0x0001),
) -> ListPortInfo:
    info = ListPortInfo(str(device))
    info.vid, info.pid = ids
    info.serial_number, info.location = serial_number, location
    info.manufacturer, info.product = "Workbench", "Gauge"
    return info


def node(dev: Path, name: str) -> Path:
    path = dev / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.touch()
    return path


def link(dev: Path, name: str, to: Path) -> Path:
    path = dev / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.unlink(missing_ok=True)
    path.symlink_to(to)
    return path


def test_a_caliper_that_comes_back_under_another_number_is_found_again(tmp_path: Path) -> None:
    old, new = node(tmp_path, "ttyACM0"), node(tmp_path, "ttyACM1")
    by_id = link(tmp_path, "serial/by-id/usb-Workbench_Gauge_17-if00", old)
    identity = identity_of(str(old), tmp_path, lambda: [port(old, "17", "1-2")])
    assert identity is not None
    assert find_again(identity, list) == str(old)
    by_id.unlink()
    old.unlink()
    assert find_again(identity, list) is None
    link(tmp_path, "serial/by-id/usb-Workbench_Gauge_17-if00", new)
    assert find_again(identity, list) == str(new)


def test_a_caliper_is_found_by_its_number_where_the_system_keeps_no_links(tmp_path: Path) -> None:
    old, new = node(tmp_path, "ttyACM0"), node(tmp_path, "ttyACM1")
    identity = identity_of(str(old), tmp_path, lambda: [port(old, "17", "1-2")])
    assert identity is not None
    # Another socket, another name, the same unit.
    assert find_again(identity, lambda: [port(new, "17", "1-4")]) == str(new)
    assert find_again(identity, lambda: [port(new, "18", "1-2")]) is None


def test_another_unit_under_the_old_name_is_not_taken_for_it(tmp_path: Path) -> None:
    device = node(tmp_path, "ttyACM0")
    identity = identity_of(str(device), tmp_path, lambda: [port(device, "17", "1-2")])
    assert identity is not None
    assert find_again(identity, lambda: [port(device, "99", "1-2")]) is None


def test_twins_without_a_number_are_told_apart_by_their_socket(tmp_path: Path) -> None:
    """Never guessed."""
    first, second = node(tmp_path, "ttyUSB0"), node(tmp_path, "ttyUSB1")
    twins = [port(first, None, "1-2"), port(second, None, "1-3")]
    # Both have the same by-id name, so one of the links has won.
    link(tmp_path, "serial/by-id/usb-Workbench_Gauge-if00-port0", second)
    sockets = {
        str(first): link(tmp_path, "serial/by-path/pci-0-usb-0:2:1.0-port0", first),
        str(second): link(tmp_path, "serial/by-path/pci-0-usb-0:3:1.0-port0", second),
    }
    for device in (first, second):
        identity = identity_of(str(device), tmp_path, lambda: twins)
        assert identity is not None
        assert find_again(identity, list) == str(device)
    swapped = [port(first, None, "1-3"), port(second, None, "1-2")]
    identity = identity_of(str(first), tmp_path / "nothing", lambda: twins)
    assert identity is not None
    assert find_again(identity, lambda: swapped) == str(second)
    found = serial_instruments(tmp_path, lambda: twins, tmp_path / "proc")
    assert {each.device: each.spec for each in found} == {
        device: f"serial:{name}" for device, name in sockets.items()
    }
    assert all("named by its socket" in each.likely for each in found)


def test_a_by_id_name_that_twins_share_chooses_none_of_them(tmp_path: Path) -> None:
    """For whoever named the link itself."""
    first, second = node(tmp_path, "ttyUSB0"), node(tmp_path, "ttyUSB1")
    shared = link(tmp_path, "serial/by-id/usb-Workbench_Gauge-if00-port0", second)
    sockets = [
        link(tmp_path, "serial/by-path/pci-0-usb-0:2:1.0-port0", first),
        link(tmp_path, "serial/by-path/pci-0-usb-0:3:1.0-port0", second),
    ]
    twins = [port(first, None, "1-2"), port(second, None, "1-3")]
    assert identical_units(str(shared), lambda: twins) == [str(each) for each in sockets]
    # Alone it is what its name says, and so is a unit with a number, or one of two ports.
    assert identical_units(str(shared), lambda: twins[1:]) == []
    assert identical_units(str(shared), lambda: [port(first, "1"), port(second, "2")]) == []
    assert identical_units(str(shared), lambda: [port(first, None, "1-3:1.0"), twins[1]]) == []
    assert identical_units(str(sockets[0]), lambda: twins) == []
    assert identical_units(str(second), lambda: twins) == []


def test_two_candidates_are_none(tmp_path: Path) -> None:
    first, second = node(tmp_path, "ttyUSB0"), node(tmp_path, "ttyUSB1")
    identity = identity_of(str(first), tmp_path, lambda: [port(first, "0001")])
    assert identity is not None
    # Cheap chips that all carry the same number.
    assert find_again(identity, lambda: [port(first, "0001"), port(second, "0001")]) is None


def test_a_port_that_has_only_its_name_goes_by_it(tmp_path: Path) -> None:
    device = node(tmp_path, "ttyS0")
    assert identity_of(str(device), tmp_path, list) is None
    assert identity_of("socket://127.0.0.1:1", tmp_path, list) is None
    lasting = link(tmp_path, "serial/by-id/usb-Workbench_Gauge_17-if00", device)
    assert identity_of(str(lasting), tmp_path, list) is None


def test_the_console_of_the_system_is_not_offered(tmp_path: Path) -> None:
    device = node(tmp_path, "ttyS0")
    node(tmp_path, "proc/consoles").write_text("ttyS0                -W- (EC   a)    4:64\n")
    (found,) = serial_instruments(tmp_path, lambda: [port(device)], tmp_path / "proc")
    assert "console" in found.missing


def test_a_keyboard_is_never_taken_for_the_caliper_that_had_its_number(tmp_path: Path) -> None:
    caliper, desk = node(tmp_path, "input/event5"), node(tmp_path, "input/event6")
    by_path = link(tmp_path, "input/by-path/pci-0-usb-0:2:1.0-event-kbd", caliper)
    identity = identity_of(str(caliper), tmp_path, list)
    assert identity is not None
    by_path.unlink()
    assert find_again(identity, list) is None
    link(tmp_path, "input/by-path/pci-0-usb-0:2:1.0-event-kbd", desk)
    assert find_again(identity, list) == str(desk)


def test_a_port_is_shown_by_its_lasting_name_and_what_it_is(tmp_path: Path) -> None:
    device = node(tmp_path, "ttyACM0")
    name = link(tmp_path, "serial/by-id/usb-Workbench_Gauge_17-if00", device)
    (found,) = serial_instruments(tmp_path, lambda: [port(device, "17")], tmp_path / "proc")
    assert (found.device, found.spec) == (str(device), f"serial:{name}")
    assert found.likely == "USB instrument or board Workbench Gauge"
    assert (found.missing, found.remedy) == ("", "")


def test_a_port_that_another_program_has_is_said_to_be_held() -> None:
    with plugged() as pty:
        holder = os.open(pty.target, os.O_RDWR | os.O_NOCTTY)
        try:
            info = ListPortInfo(pty.target)
            info.vid = None
            # This very process is left out, so a child holds it for the test.
            import subprocess
            import sys

            child = subprocess.Popen(
                [sys.executable, "-c", "print('up', flush=True); input()"],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                pass_fds=(holder,),
            )
            assert child.stdout is not None
            child.stdout.readline()
            found = serial_instruments(ports=lambda: [info])
            held = next(each for each in found if each.device == pty.target)
            assert f"process {child.pid}" in held.missing
            assert held.remedy == "close that program"
            child.communicate(b"\n")
        finally:
            os.close(holder)


LISTING = """\
I: Bus=0003 Vendor=1209 Product=0002 Version=0110
N: Name="Workbench Typing Gauge"
H: Handlers=sysrq kbd leds event5
B: EV=120013
B: KEY=1000000000007 ff9f207ac14057ff febeffdfffefffff fffffffffffffffe

I: Bus=0019 Vendor=0000 Product=0001 Version=0000
N: Name="Power Button"
H: Handlers=kbd event0
B: EV=3
B: KEY=10000000000000 0

I: Bus=0003 Vendor=1209 Product=0003 Version=0110
N: Name="Workbench Mouse"
H: Handlers=mouse0 event6
B: EV=17
B: KEY=1f0000 0 0 0 0

"""


def test_what_types_is_listed_and_a_power_button_is_not(tmp_path: Path) -> None:
    listing = tmp_path / "devices"
    listing.write_text(LISTING)
    device = node(tmp_path, "input/event5")
    name = link(tmp_path, "input/by-id/usb-Workbench_Typing_Gauge-event-kbd", device)
    (found,) = keyboard_instruments(tmp_path, listing)
    assert found.spec == f"keys:{name}"
    assert found.likely.startswith("Workbench Typing Gauge: a keyboard, or a caliper that types")
    assert "never name the keyboard you work with" in found.likely
    assert found.called == "Workbench Typing Gauge"
    assert keyboard_instruments(tmp_path, tmp_path / "nowhere") == []


DESK = """\
I: Bus=0003 Vendor=1209 Product=0009 Version=0110
N: Name="Desk Keyboard"
P: Phys=usb-0000:00:14.0-3/input0
H: Handlers=sysrq kbd leds event7
B: KEY=1000000000007 ff9f207ac14057ff febeffdfffefffff fffffffffffffffe

I: Bus=0003 Vendor=1209 Product=0009 Version=0110
N: Name="Desk Keyboard, its second half"
P: Phys=usb-0000:00:14.0-3/input1
H: Handlers=sysrq kbd event8
B: KEY=1000000000007 ff9f207ac14057ff febeffdfffefffff fffffffffffffffe

"""


def test_the_last_keyboard_is_never_taken_and_a_mouse_neither(tmp_path: Path) -> None:
    listing = tmp_path / "devices"
    gauge = Found("keys", "/dev/input/event5", "keys:/dev/input/event5", "")
    same = Found("hid", "/dev/hidraw1", "hid:1209:0002", "")
    desk = Found("keys", "/dev/input/event7", "keys:/dev/input/event7", "")
    mouse = Found("hid", "/dev/hidraw2", "hid:1209:0003", "")
    listing.write_text(LISTING)
    for each in (gauge, same):
        assert "no other keyboard would be left" in why_not_taken([each], listing)
    listing.write_text(LISTING + DESK)
    for each in (gauge, same, desk):
        assert why_not_taken([each], listing) == ""
    # One keyboard is one, whatever its halves; and two are not taken at once.
    assert "no other keyboard" in why_not_taken([gauge, desk], listing)
    assert "not a device that types" in why_not_taken([mouse], listing)
    assert "not a device that types" in why_not_taken([gauge], tmp_path / "nowhere")
    assert why_not_taken([], tmp_path / "nowhere") == ""


@pytest.mark.skipif(os.geteuid() == 0 and not hasattr(os, "seteuid"), reason="rights of root")
def test_missing_rights_come_with_the_rule_that_gives_them(tmp_path: Path) -> None:
    program = Path("/home/me/the shop/.venv/bin/bothends")
    folder = tmp_path / "hidraw/hidraw3/device"
    folder.mkdir(parents=True)
    (folder / "uevent").write_text(
        "HID_ID=0003:00001209:0000ABCD\nHID_NAME=Workbench Typing Gauge\nHID_UNIQ=17\n"
    )
    (found,) = hid_instruments(program, tmp_path, tmp_path / "hidraw")
    assert found.spec == "hid:1209:abcd"
    assert found.missing == "you may not open it"
    # The command that writes the whole rule, keeps what it opened before, and says the rest:
    # by its path, in one word for a shell, since sudo does not look where the program is.
    assert shlex.split(found.remedy) == [
        *("sudo", str(program), "install", "--udev", "--id", "1209:abcd")
    ]
    node(tmp_path, "hidraw3")
    (found,) = hid_instruments(program, tmp_path, tmp_path / "hidraw")
    assert (found.missing, found.remedy) == ("", "")


def test_an_adapter_without_a_driver_is_named(tmp_path: Path) -> None:
    unit, port_of_it = tmp_path / "1-2", tmp_path / "1-2:1.0"
    unit.mkdir()
    port_of_it.mkdir()
    (unit / "idVendor").write_text("1209\n")
    (unit / "idProduct").write_text("0004\n")
    (unit / "product").write_text("Workbench Converter\n")
    (port_of_it / "bInterfaceClass").write_text("ff\n")
    (found,) = devices_without_driver(tmp_path)
    assert found.device == "1209:0004"
    assert "no driver" in found.missing
    (port_of_it / "driver").mkdir()
    assert devices_without_driver(tmp_path) == []


def test_looking_never_fails_with_nothing_plugged_in() -> None:
    assert isinstance(instruments(Path("bothends")), list)
