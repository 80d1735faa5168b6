"""An emulated computer with USB sockets, for the tests that press keys and pull plugs.

    python -m tests.usb.machine [WORD ...]

boots Debian's kernel in QEMU, without any help of the processor, and runs the tests of
`tests/usb/guest` in it (WORDs go to pytest). The machine sees this computer's files under
the same paths; what it writes, it forgets. Plugged in are two keyboards and a serial
adapter; this program is the hand that works them when the tests in the machine ask.
"""

from __future__ import annotations

import contextlib
import json
import lzma
import os
import queue
import shlex
import shutil
import socket
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path
from typing import Any, Final

from platformdirs import user_cache_path

ROOT: Final = Path(__file__).resolve().parents[2]
MODULES: Final = (
    "virtio_pci",
    "virtio_console",
    "9pnet_virtio",
    "9p",
    "overlay",
    "xhci_pci",
    "usbhid",
    "hid_generic",
    "evdev",
    "uhid",
    "ftdi_sio",
)
# QEMU hands keys to the keyboard that belongs to a screen: each has a screen of its own.
DEVICES: Final[dict[str, dict[str, str]]] = {
    "caliper": {"driver": "usb-kbd", "serial": "CAL1", "port": "1", "display": "screen-caliper"},
    "desk": {"driver": "usb-kbd", "serial": "DESK1", "port": "2", "display": "screen-desk"},
    "adapter": {"driver": "usb-serial", "serial": "TTY1", "port": "3", "chardev": "wire"},
}
KEYS: Final = {"\n": "ret", ".": "dot", ",": "comma", "-": "minus", " ": "spc"}
# For the whole run; on two cores it takes a third of it.
LONGEST_S: Final = 600.0
NO_ANSWER: Final = 125
# Run as the machine's first process once it has its files. Loading every plugin of pytest
# takes longer than most tests there.
_JOB: Final = """\
export HOME=/root PATH="{path}" LANG=C.UTF-8
/lib/systemd/systemd-udevd --daemon
udevadm trigger --action=add
udevadm settle --timeout=60
stty -opost </dev/hvc0
cd {root}
BOTHENDS_GUEST=1 PYTEST_DISABLE_PLUGIN_AUTOLOAD=1 PYTHONDONTWRITEBYTECODE=1 {do} >/dev/hvc0 2>&1
echo '{{"do": "end", "status": '$?'}}' >/dev/virtio-ports/hand
sleep 20
"""


def kernel(cache: Path) -> Path:
    """A folder with `vmlinuz`, `modules/` and `modules/order`, fetched with apt once.

    Raises SystemExit saying what is missing.
    """
    folder = cache / "kernel"
    complete = folder / "complete"
    if complete.exists() and complete.read_text() == " ".join(MODULES):
        return folder
    shutil.rmtree(folder, ignore_errors=True)
    (folder / "modules").mkdir(parents=True)
    name = _kernel_package()
    with tempfile.TemporaryDirectory(prefix="bothends-kernel-") as scratch:
        _run("apt-get", "download", "-qq", "-o", "APT::Sandbox::User=root", name, cwd=scratch)
        (package,) = Path(scratch).glob("*.deb")
        _run("dpkg-deb", "-x", str(package), f"{scratch}/all")
        everything = Path(scratch) / "all"
        if (everything / "usr/lib").is_dir() and not (everything / "lib").exists():
            (everything / "lib").symlink_to("usr/lib")
        (version,) = (each.name for each in (everything / "lib/modules").iterdir())
        _run("depmod", "-b", str(everything), version)
        order: list[str] = []
        for module in MODULES:
            told = _run("modprobe", "-d", str(everything), "-S", version, "--show-depends", module)
            for line in told.splitlines():
                verb, *file = line.split()
                if verb != "insmod" or Path(file[0]).name.removesuffix(".xz") in order:
                    continue
                data = Path(file[0]).read_bytes()
                if file[0].endswith(".xz"):
                    data = lzma.decompress(data)
                order.append(Path(file[0]).name.removesuffix(".xz"))
                (folder / "modules" / order[-1]).write_bytes(data)
        shutil.copy(next((everything / "boot").glob("vmlinuz-*")), folder / "vmlinuz")
    (folder / "modules/order").write_text("".join(f"{each}\n" for each in order))
    complete.write_text(" ".join(MODULES))
    return folder


def _kernel_package() -> str:
    for attempt in range(2):
        told = subprocess.run(
            ["apt-cache", "depends", "linux-image-amd64"], capture_output=True, text=True
        ).stdout
        for word in told.split():
            if word.startswith("linux-image-") and word != "linux-image-amd64":
                return word
        if attempt == 0 and os.geteuid() == 0:
            _run("apt-get", "update", "-qq")
    raise SystemExit(
        "tests/usb: apt knows no linux-image-amd64; this needs Debian, and `apt-get update` first"
    )


def _run(*words: str, cwd: str | None = None) -> str:
    done = subprocess.run(words, cwd=cwd, capture_output=True, text=True)
    if done.returncode:
        raise SystemExit(f"tests/usb: {shlex.join(words)} failed: {done.stderr.strip()}")
    return done.stdout


def _first_files(kernel: Path, folder: Path) -> Path:
    """The archive that the kernel unpacks into memory: busybox, `init`, the modules."""
    tree = folder / "first"
    shutil.copytree(kernel / "modules", tree / "modules")
    (tree / "bin").mkdir()
    shutil.copy(_program("busybox"), tree / "bin/busybox")
    shutil.copy(Path(__file__).with_name("init"), tree / "init")
    (tree / "init").chmod(0o755)
    names = "".join(f"{each.relative_to(tree)}\n" for each in sorted(tree.rglob("*")))
    archive = folder / "first.cpio"
    with archive.open("wb") as out:
        words = [_program("busybox"), "cpio", "-o", "-H", "newc"]
        subprocess.run(words, cwd=tree, input=names.encode(), stdout=out, check=True)
    return archive


def _program(name: str) -> str:
    path = shutil.which(name)
    if path is None:
        raise SystemExit(f"tests/usb: {name} is not installed; run: sh tests/usb/run")
    return path


def _connect(path: Path, seconds: float = 30.0) -> socket.socket:
    deadline = time.monotonic() + seconds
    while True:
        wire = socket.socket(socket.AF_UNIX)
        try:
            wire.connect(str(path))
        except OSError:
            wire.close()
            if time.monotonic() > deadline:
                raise
            time.sleep(0.05)
        else:
            return wire


class Monitor:
    """QEMU's own control line (QMP)."""

    def __init__(self, path: Path) -> None:
        self._file = _connect(path).makefile("rw")
        self._answers: queue.Queue[dict[str, Any]] = queue.Queue()
        self._gone: queue.Queue[str] = queue.Queue()
        self._file.readline()
        threading.Thread(target=self._listen, daemon=True).start()
        self.ask("qmp_capabilities")

    def ask(self, command: str, **arguments: Any) -> None:
        """Have `command` done. Raises RuntimeError with QEMU's words."""
        self._file.write(json.dumps({"execute": command, "arguments": arguments}) + "\n")
        self._file.flush()
        answer = self._answers.get(timeout=30)
        if "error" in answer:
            raise RuntimeError(f"{command}: {answer['error']['desc']}")

    def gone(self) -> None:
        """Wait until the device that was just taken out is out."""
        self._gone.get(timeout=30)

    def _listen(self) -> None:
        with contextlib.suppress(OSError, ValueError):
            for line in self._file:
                said = json.loads(line)
                if said.get("event") == "DEVICE_DELETED" and "device" in said["data"]:
                    self._gone.put(said["data"]["device"])
                elif "event" not in said:
                    self._answers.put(said)


class Hand:
    """What a hand does at the emulated machine; each public method can be asked for."""

    def __init__(self, monitor: Monitor, wire: Path) -> None:
        self._monitor = monitor
        self._wire_path = wire
        self._wire: socket.socket | None = _connect(wire)

    def key(self, what: str, key: str, down: bool) -> None:
        code = KEYS.get(key, key)
        event = {"type": "key", "data": {"down": down, "key": {"type": "qcode", "data": code}}}
        screen = DEVICES[what]["display"]
        self._monitor.ask("input-send-event", device=screen, head=0, events=[event])

    def type(self, what: str, text: str, pause_ms: float) -> None:
        """Press and release each key, as fast as a caliper does.

        QEMU keeps 16 keys and the machine asks every 8 ms: long texts need a `pause_ms` of
        5 or more between down and up, or keys are lost before they reach any driver.
        """
        for key in text:
            for down in (True, False):
                self.key(what, key, down)
                time.sleep(pause_ms / 1000)

    def plug(self, what: str) -> None:
        if what == "adapter":
            # QEMU 7.2 cannot add it twice, but takes it off the bus with its wire.
            self._wire = _connect(self._wire_path)
        else:
            self._monitor.ask("device_add", id=what, bus="usb.0", **DEVICES[what])

    def unplug(self, what: str) -> None:
        if what == "adapter":
            if self._wire is not None:
                self._wire.shutdown(socket.SHUT_RDWR)
                self._wire.close()
                self._wire = None
        else:
            self._monitor.ask("device_del", id=what)
            self._monitor.gone()

    def send(self, text: str) -> None:
        """Have the instrument behind the serial adapter send `text`."""
        assert self._wire is not None, "the adapter is not plugged in"
        self._wire.sendall(text.encode("latin-1"))


def run(kernel: Path, folder: Path, job: Path) -> int:
    """Boot, do what is asked for, and give the job's exit status; NO_ANSWER without one."""
    words: list[object] = [
        *(_program("qemu-system-x86_64"), "-nodefaults", "-no-user-config", "-no-reboot"),
        *("-M", "q35,i8042=off,hpet=off", "-cpu", "max,la57=off", "-smp", "2", "-m", "2048"),
        # Never the processor's own virtualization: tests must not depend on it.
        *("-accel", "tcg,thread=multi", "-display", "none", "-vga", "none"),
        *("-kernel", kernel / "vmlinuz", "-initrd", _first_files(kernel, folder)),
        *("-append", f"console=ttyS0 quiet panic=-1 mitigations=off bothends.job={job}"),
        *("-serial", f"file:{folder}/console", "-qmp", f"unix:{folder}/qmp,server=on,wait=off"),
        *("-fsdev", "local,id=host,path=/,security_model=none,readonly=on,multidevs=remap"),
        *("-device", "virtio-9p-pci,fsdev=host,mount_tag=host", "-device", "virtio-serial-pci"),
        *("-chardev", "stdio,id=out,signal=off", "-device", "virtconsole,chardev=out"),
        *("-chardev", f"socket,id=hand,path={folder}/hand,server=on,wait=off"),
        *("-device", "virtserialport,chardev=hand,name=hand"),
        *("-chardev", f"socket,id=wire,path={folder}/wire,server=on,wait=off"),
        *("-device", "secondary-vga,id=screen-caliper"),
        *("-device", "secondary-vga,id=screen-desk", "-device", "qemu-xhci,id=usb"),
    ]
    for name, facts in DEVICES.items():
        words += ["-device", json.dumps({**facts, "id": name, "bus": "usb.0"})]
    qemu = subprocess.Popen([str(word) for word in words], stdin=subprocess.DEVNULL)
    too_long = threading.Timer(LONGEST_S, qemu.kill)
    too_long.daemon = True
    too_long.start()
    status = None
    try:
        monitor = Monitor(folder / "qmp")
        hand = Hand(monitor, folder / "wire")
        with _connect(folder / "hand") as line, line.makefile("rw") as requests:
            for text in requests:
                request = json.loads(text)
                wanted = request.pop("do")
                if wanted == "end":
                    status = int(request["status"])
                    break
                requests.write(json.dumps(_answer(hand, wanted, request)) + "\n")
                requests.flush()
    except OSError as fault:
        print(f"tests/usb: {fault}", file=sys.stderr)
    finally:
        too_long.cancel()
        # Nothing in it is worth an orderly end.
        qemu.kill()
        qemu.wait()
    if status is None:
        print("tests/usb: the machine ended without a word; its console:", file=sys.stderr)
        print((folder / "console").read_text(errors="replace")[-4000:], file=sys.stderr)
        return NO_ANSWER
    return status


def _answer(hand: Hand, wanted: str, request: dict[str, Any]) -> dict[str, str]:
    try:
        getattr(hand, wanted)(**request)
    # Whatever it is, the test that asked should be the one that fails.
    except Exception as fault:
        return {"fault": f"{wanted}: {type(fault).__name__}: {fault}"}
    return {}


def main(words: list[str]) -> int:
    began = time.monotonic()
    its_kernel = kernel(user_cache_path("bothends") / "usb")
    with tempfile.TemporaryDirectory(prefix="bothends-usb-") as name:
        folder = Path(name)
        job = folder / "job"
        tests = shlex.join(
            [
                *(
                    sys.executable,
                    "-m",
                    "pytest",
                    "--color=no",
                    "-p",
                    "no:cacheprovider",
                    "-p",
                    "pytest_timeout",
                ),
                *("tests/usb/guest", "tests/capture/test_keyboard.py", *words),
            ]
        )
        job.write_text(_JOB.format(root=shlex.quote(str(ROOT)), path=os.environ["PATH"], do=tests))
        status = run(its_kernel, folder, job)
    print(f"real USB: {time.monotonic() - began:.0f} s", file=sys.stderr)
    return status


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
