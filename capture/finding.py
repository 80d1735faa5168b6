"""Lists what is plugged in, by a lasting name, and what is missing before it can be read.

Nothing here opens a port: that can restart a board behind it or disturb the program that uses
it. Everything is read from the system's own records.
"""

from __future__ import annotations

import contextlib
import os
import re
import shlex
import sys
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, Literal

RULES_FILE: Final = "/etc/udev/rules.d/70-bothends.rules"


@dataclass(frozen=True, slots=True)
class Identity:
    """What identifies a serial device, whatever number the system gives it today.

    None where the system does not know. Two units of one type without serial
    numbers are distinguished only by the socket (`by_path`, `location`).
    """

    vendor: int | None = None
    product: int | None = None
    serial_number: str | None = None
    location: str | None = None
    by_id: str | None = None
    by_path: str | None = None


@dataclass(frozen=True, slots=True)
class Found:
    """One thing that is plugged in.

    `spec`: what to give to `--caliper`, with the most lasting name there is. `likely`: what
    it probably is. `missing`: why it cannot be read yet, "" when it can; `remedy`: the
    exact command, or text to put into a file, that solves that. `called`: the name that the
    device gives itself, "" where it gives none.
    """

    kind: Literal["serial", "hid", "keys", "usb"]
    device: str
    spec: str
    likely: str
    missing: str = ""
    remedy: str = ""
    called: str = ""


def _ports() -> list[Any]:
    from serial.tools import list_ports

    return list(list_ports.comports())


def _links(folder: Path) -> dict[str, str]:
    """Real device to the link in `folder` that leads to it; empty without the folder."""
    links: dict[str, str] = {}
    with contextlib.suppress(OSError):
        for link in sorted(folder.iterdir()):
            with contextlib.suppress(OSError):
                links.setdefault(str(link.resolve(strict=True)), str(link))
    return links


def identity_of(
    device: str,
    dev: Path = Path("/dev"),
    ports: Callable[[], Iterable[Any]] = _ports,
    socket: bool = False,
) -> Identity | None:
    """What identifies `device` after it was unplugged.

    None where the name itself identifies it as well as possible: a link that the system keeps, a
    URL, a port with neither number nor socket. `socket`: for a link too, give the identity of the
    device that it leads to now, by its socket.
    """
    if "://" in device or (os.path.islink(device) and not socket):
        return None
    device = os.path.realpath(device) if socket else device
    if device.startswith(f"{dev}/input/"):
        # Today's event5 may be the person's own keyboard tomorrow: never use the number.
        by_id = _links(dev / "input/by-id").get(device)
        by_path = _links(dev / "input/by-path").get(device)
        return Identity(by_id=by_id, by_path=by_path) if by_id or by_path else None
    by_id = _links(dev / "serial/by-id").get(device)
    by_path = _links(dev / "serial/by-path").get(device)
    port = next((each for each in ports() if each.device == device), None)
    identity = Identity(
        vendor=getattr(port, "vid", None),
        product=getattr(port, "pid", None),
        serial_number=getattr(port, "serial_number", None),
        location=getattr(port, "location", None),
        by_id=by_id,
        by_path=by_path,
    )
    named = identity.by_id or identity.by_path or identity.serial_number or identity.location
    return identity if named else None


def identical_units(target: str, ports: Callable[[], Iterable[Any]] = _ports) -> list[str]:
    """The units that share the by-id name `target`; empty where it names a single one.

    Units of one type without a serial number share one such name, and it leads to the one that
    was plugged in last. They are given by the name of their socket (by-path), which is unique,
    or by their device where the system has no such name.
    """
    link = Path(target)
    if link.parent.name != "by-id":
        return []
    device = os.path.realpath(target)
    known = {each.device: each for each in ports()}
    port = known.get(device)
    if port is None or device not in _identical_units(known.values()):
        return []
    by_path = _links(link.parent.with_name("by-path"))
    same = [
        each.device
        for each in known.values()
        if (each.vid, each.pid) == (port.vid, port.pid)
        and not each.serial_number
        # One unit may have several ports, each with its own name.
        and (_unit_of(each) != _unit_of(port) or each is port)
    ]
    return [by_path.get(each, each) for each in sorted(same)] if len(same) > 1 else []


def has_identical_unit(identity: Identity, ports: Callable[[], Iterable[Any]] = _ports) -> bool:
    """Whether a unit like `identity`, neither having a serial number, is in another socket."""
    return (
        identity.vendor is not None
        and not identity.serial_number
        and any(
            (each.vid, each.pid) == (identity.vendor, identity.product)
            and not each.serial_number
            and each.location != identity.location
            for each in ports()
        )
    )


def _unit_of(port: Any) -> str:
    """The socket of a port's unit, the same for all of its interfaces."""
    return str(port.location.partition(":")[0] if port.location else port.device)


def find_again(identity: Identity, ports: Callable[[], Iterable[Any]] = _ports) -> str | None:
    """The present device of `identity`; None where it is not plugged in. Never a guess.

    A unit with a serial number is found in any socket; one without only in its own
    socket. None where there is more than one candidate.
    """
    lasting = identity.by_id if identity.serial_number else identity.by_path or identity.by_id
    if lasting is not None:
        with contextlib.suppress(OSError):
            return str(Path(lasting).resolve(strict=True))
    candidates = [
        each.device
        for each in ports()
        if (each.vid, each.pid) == (identity.vendor, identity.product)
        and (
            each.serial_number == identity.serial_number
            if identity.serial_number
            else each.location is not None and each.location == identity.location
        )
    ]
    return candidates[0] if len(candidates) == 1 else None


def instruments(program: Path) -> list[Found]:
    """Everything here that may be a measuring instrument, ready or not.

    program: the path of this program, for the commands that solve what is missing.
    Needs no permissions and never fails: what cannot be read is left out.
    """
    found = serial_instruments()
    if sys.platform == "linux":
        found += [*typing_instruments(program), *devices_without_driver()]
    else:
        found += _hidapi_instruments()
    return found


def typing_instruments(program: Path) -> list[Found]:
    """Devices that type, or may, and that can be taken from the system to read them (Linux).

    program: as for `instruments`.
    """
    if sys.platform != "linux":
        return []
    return [*keyboard_instruments(), *hid_instruments(program)]


def serial_instruments(
    dev: Path = Path("/dev"),
    ports: Callable[[], Iterable[Any]] = _ports,
    proc: Path = Path("/proc"),
) -> list[Found]:
    """The serial ports, USB ones first."""
    by_id, by_path = _links(dev / "serial/by-id"), _links(dev / "serial/by-path")
    known = {each.device: each for each in ports()}
    # Ports of a type that pyserial does not list still have a link.
    devices = [*known, *(real for real in by_id if real not in known)]
    twins = _identical_units(known.values())
    holders = _holders(devices, proc)
    consoles = {line.split()[0] for line in _text(proc / "consoles").splitlines()}
    found = []
    for device in sorted(devices, key=lambda name: (name not in by_id, name)):
        port = known.get(device)
        name = by_id.get(device, device)
        if device in twins or device not in by_id:
            name = by_path.get(device, name)
        likely = _likely_serial(port)
        if device in twins:
            likely += (
                "; one of several of the same type without serial number, so named by its socket"
            )
        missing, remedy = _rights(device, "dialout")
        if os.path.basename(device) in consoles:
            missing, remedy = "it is this system's console", "use another port"
        elif not missing and device in holders:
            missing = f"{holders[device]} has it open"
            remedy = "close that program"
        found.append(Found("serial", device, f"serial:{name}", likely, missing, remedy))
    return found


def _identical_units(ports: Iterable[Any]) -> set[str]:
    alike: dict[tuple[Any, Any], list[str]] = {}
    for each in ports:
        if each.vid is not None and not each.serial_number:
            alike.setdefault((each.vid, each.pid), []).append(each.device)
    return {device for devices in alike.values() if len(devices) > 1 for device in devices}


def _likely_serial(port: Any) -> str:
    if port is None or port.vid is None:
        return "a serial port of this computer"
    words = " ".join(word for word in (port.manufacturer, port.product) if word)
    kind = "USB instrument or board" if "ACM" in port.device else "USB serial adapter"
    return f"{kind} {words}".rstrip()


def _rights(device: str, usual_group: str) -> tuple[str, str]:
    if os.access(device, os.R_OK | os.W_OK):
        return "", ""
    if not os.path.exists(device):
        return "it has just gone", "plug it in again"
    group = _group_of(device) or usual_group
    if group == "root":
        group = usual_group
    return (
        f"you may not open it (group {group})",
        f"sudo usermod -aG {group} $USER, then log out and in again",
    )


def _group_of(device: str) -> str | None:
    try:
        import grp

        return grp.getgrgid(os.stat(device).st_gid).gr_name
    except (ImportError, OSError, KeyError):
        return None


def _holders(devices: Iterable[str], proc: Path) -> dict[str, str]:
    """The programs that have a device open, as far as this user may see (Linux)."""
    wanted, holders = set(devices), {}
    if not wanted:
        return {}
    for folder in proc.glob("[0-9]*"):
        if folder.name == str(os.getpid()):
            continue
        with contextlib.suppress(OSError):
            for link in (folder / "fd").iterdir():
                with contextlib.suppress(OSError):
                    target = os.readlink(link)
                    if target in wanted:
                        name = (folder / "comm").read_text().strip()
                        holders[target] = f"{name} (process {folder.name})"
    return holders


@dataclass(frozen=True, slots=True)
class _Keyboard:
    """An input device that types. `unit`: the same for all input devices of one plugged-in unit."""

    name: str
    event: str
    unit: str
    ids: str


def _keyboards(listing: Path) -> list[_Keyboard]:
    try:
        blocks = listing.read_text(errors="replace").split("\n\n")
    except OSError:
        return []
    found = []
    for block in blocks:
        name = re.search(r'^N: Name="(.*)"$', block, re.M)
        handlers = re.search(r"^H: Handlers=(.*)$", block, re.M)
        keys = re.search(r"^B: KEY=(.*)$", block, re.M)
        if name is None or handlers is None or keys is None:
            continue
        words = handlers[1].split()
        event = next((word for word in words if word.startswith("event")), None)
        # The digit 1 and Enter: KEY_1 is code 2, KEY_ENTER code 28 (input-event-codes.h).
        low = int(keys[1].split()[-1], 16)
        if event is None or "kbd" not in words or not (low >> 2 & 1 and low >> 28 & 1):
            continue
        ids = re.search(r"^I: .*Vendor=([0-9a-f]{4}) Product=([0-9a-f]{4})", block, re.M)
        place = re.search(r"^P: Phys=(.+)$", block, re.M)
        unit = re.sub(r"/input[0-9]+$", "", place[1]) if place else event
        found.append(_Keyboard(name[1], event, unit, f"{ids[1]}:{ids[2]}" if ids else ""))
    return found


def keyboard_instruments(
    dev: Path = Path("/dev"), listing: Path = Path("/proc/bus/input/devices")
) -> list[Found]:
    """The input devices that type (Linux): keyboards, and calipers that act as one."""
    by_id, by_path = _links(dev / "input/by-id"), _links(dev / "input/by-path")
    found = []
    for each in _keyboards(listing):
        device = str(dev / "input" / each.event)
        lasting = by_id.get(device) or by_path.get(device) or device
        missing, remedy = _rights(device, "input")
        found.append(
            Found(
                "keys",
                device,
                f"keys:{lasting}",
                f"{each.name}: a keyboard, or a caliper that types; once listened to it types"
                " nowhere else, so never name the keyboard you work with",
                missing,
                remedy,
                each.name,
            )
        )
    return found


def why_not_taken(wanted: Iterable[Found], listing: Path = Path("/proc/bus/input/devices")) -> str:
    """Why the typing devices `wanted` must not be taken from the system; "" when they may.

    A device that does not type, such as a mouse, is never taken, nor is the last keyboard:
    nobody could type then to get it back.
    """
    keyboards = _keyboards(listing)
    taken: set[str] = set()
    for each in wanted:
        ids = each.spec.removeprefix("hid:")
        event = os.path.basename(each.device)
        key = ids if each.kind == "hid" else event
        own = {known.unit for known in keyboards if key in (known.ids, known.event)}
        if not own:
            return f"{each.device} is not a device that types, so it is not taken"
        taken |= own
    if taken and all(each.unit in taken for each in keyboards):
        return (
            "no other keyboard would be left to work with, so nothing was taken; plug one in, or"
            " press on the Bench page, which receives typed readings without taking the device"
        )
    return ""


def hid_instruments(
    program: Path, dev: Path = Path("/dev"), sys_class: Path = Path("/sys/class/hidraw")
) -> list[Found]:
    """The HID devices (Linux), from what every user may read about them.

    program: as for `instruments`.
    """
    found = []
    for folder in sorted(sys_class.glob("hidraw*")):
        try:
            text = (folder / "device/uevent").read_text(errors="replace")
        except OSError:
            continue
        facts = dict(line.split("=", 1) for line in text.splitlines() if "=" in line)
        ids = re.fullmatch(r"[0-9A-F]+:0*([0-9A-F]{4}):0*([0-9A-F]{4})", facts.get("HID_ID", ""))
        if ids is None:
            continue
        vendor, product = ids[1].lower(), ids[2].lower()
        device = str(dev / folder.name)
        missing = remedy = ""
        if not os.access(device, os.R_OK | os.W_OK):
            missing = "you may not open it"
            # With its path: sudo does not search a user's own folders.
            command = shlex.quote(str(program))
            remedy = f"sudo {command} install --udev --id {vendor}:{product}"
        found.append(
            Found(
                "hid",
                device,
                f"hid:{vendor}:{product}",
                f"{facts.get('HID_NAME', 'an HID device')}: a keyboard or another HID device",
                missing,
                remedy,
                facts.get("HID_NAME", ""),
            )
        )
    return found


def devices_without_driver(sys_usb: Path = Path("/sys/bus/usb/devices")) -> list[Found]:
    """USB devices of a serial class without a driver (Linux)."""
    found = []
    for folder in sorted(sys_usb.glob("*:*")):
        try:
            usb_class = (folder / "bInterfaceClass").read_text().strip()
        except OSError:
            continue
        # Vendor-specific and communications classes: those of serial converters.
        if usb_class not in ("ff", "02") or (folder / "driver").exists():
            continue
        unit = folder.parent / folder.name.split(":")[0]
        facts: Mapping[str, str] = {
            name: _text(unit / name) for name in ("idVendor", "idProduct", "product")
        }
        found.append(
            Found(
                "usb",
                f"{facts['idVendor']}:{facts['idProduct']}",
                "",
                f"{facts['product'] or 'a USB device'}, perhaps a serial adapter",
                "no driver uses it, or a service (for braille displays, for example) took it away",
                "sudo dmesg | tail -n 20 shows which; plug it in again afterwards",
            )
        )
    return found


def _text(path: Path) -> str:
    try:
        return path.read_text(errors="replace").strip()
    except OSError:
        return ""


def _hidapi_instruments() -> list[Found]:
    from capture.sources.hid import PAGE_REMEDY, backends

    found = []
    for module in backends()[:1]:
        for each in module.enumerate():
            if (each.get("usage_page"), each.get("usage")) != (1, 6):
                continue
            ids = f"{each['vendor_id']:04x}:{each['product_id']:04x}"
            found.append(
                Found(
                    "hid",
                    ids,
                    f"hid:{ids}",
                    f"{each.get('product_string') or 'a keyboard'}: a keyboard, or a caliper"
                    " that types",
                    PAGE_REMEDY,
                    called=each.get("product_string") or "",
                )
            )
    return found
