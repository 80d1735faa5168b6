"""A serial port, real ones all: pseudo-terminals, sockets, a port across the network."""

from __future__ import annotations

import contextlib
import os
import pwd
import resource
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
import serial
import serial.rfc2217

from capture.errors import (
    SourceBusyError,
    SourceMissingError,
    SourceUnpluggedError,
    SourceUnsupportedError,
)
from capture.pretend import TcpPort
from capture.sources.serial_port import SerialPort
from capture.sources.wakeable_poll import WakeablePoll
from tests.ptys import plugged, until


@contextmanager
def opened(target: str, **settings: int) -> Iterator[SerialPort]:
    source = SerialPort(target, **settings)  # type: ignore[arg-type]
    source.open()
    try:
        yield source
    finally:
        source.close()


def read_until(source: SerialPort, end: bytes, seconds: float = 10.0) -> bytes:
    data = b""

    def ended() -> bool:
        nonlocal data
        data += source.read(0.05)
        return data.endswith(end)

    until(ended, seconds)
    return data


def test_every_byte_arrives_as_sent() -> None:
    everything = bytes(range(256))
    with plugged() as port, opened(port.target) as source:
        port.send(everything)
        assert read_until(source, b"\xff") == everything


def test_silence_is_no_error() -> None:
    with plugged() as port, opened(port.target) as source:
        assert source.read(0.01) == b""


def test_a_wait_without_end_can_be_ended_from_outside() -> None:
    with plugged() as port, opened(port.target) as source:
        ended = threading.Event()

        def wait() -> None:
            source.read(None)
            ended.set()

        threading.Thread(target=wait, daemon=True).start()
        source.wake()
        assert ended.wait(30)


def test_an_unplugged_port_says_so_and_is_released() -> None:
    with plugged() as port:
        source = SerialPort(port.target)
        source.open()
        port.unplug()
        with pytest.raises(SourceUnpluggedError, match="plug it in again"):
            until(lambda: source.read(1.0))
        source.close()
        source.close()


def test_an_unplug_before_what_came_is_read_blames_no_other_program(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """As where the computer slept between seeing the bytes and reading them."""
    with plugged() as port, opened(port.target) as source:
        wait = WakeablePoll.wait

        def wait_and_sleep(poll: WakeablePoll, seconds: float | None) -> int:
            events = wait(poll, seconds)
            if events:
                port.unplug()
            return events

        monkeypatch.setattr(WakeablePoll, "wait", wait_and_sleep)
        port.send(b"1.0\r\n")
        with pytest.raises(SourceUnpluggedError, match="plug it in again"):
            until(lambda: source.read(1.0))


def test_a_second_program_is_told_that_the_port_is_taken() -> None:
    with plugged() as port, opened(port.target):
        with pytest.raises(SourceBusyError, match="another program"):
            SerialPort(port.target).open()
        code = f"import serial; serial.Serial({port.target!r}, exclusive=True)"
        other = subprocess.run([sys.executable, "-c", code], capture_output=True, check=False)
        assert other.returncode != 0


def test_a_reader_that_steals_bytes_is_named_rather_than_called_an_unplug() -> None:
    with plugged() as port, opened(port.target) as source:
        thief = os.open(port.target, os.O_RDONLY | os.O_NOCTTY | os.O_NONBLOCK)
        caught = threading.Event()

        def steal() -> None:
            while not caught.is_set():
                with contextlib.suppress(BlockingIOError):
                    os.read(thief, 1000)

        def read_on() -> bool:
            port.send(b"1.0\r\n")
            source.read(0.001)
            return False

        thread = threading.Thread(target=steal)
        thread.start()
        try:
            with pytest.raises(SourceBusyError, match="another program"):
                until(read_on, 30)
        finally:
            caught.set()
            thread.join()
            os.close(thief)


def test_a_killed_program_leaves_its_port_free() -> None:
    with plugged() as port:
        code = (
            "import sys, time; from capture.sources.serial_port import SerialPort;"
            f"s = SerialPort({port.target!r}); s.open(); print('open', flush=True);"
            "time.sleep(60)"
        )
        holder = subprocess.Popen([sys.executable, "-c", code], stdout=subprocess.PIPE)
        assert holder.stdout is not None
        assert holder.stdout.readline() == b"open\n"
        holder.kill()
        holder.wait()
        holder.stdout.close()
        with opened(port.target) as source:
            port.send(b"1\r")
            assert read_until(source, b"\r") == b"1\r"


@pytest.mark.parametrize(
    ("target", "error", "words"),
    [
        ("/dev/serial-port-of-nobody", SourceMissingError, "plug it in"),
        ("/dev/null", SourceUnsupportedError, "not a serial port"),
        ("nonsense://x", SourceUnsupportedError, "nonsense"),
        ("socket://127.0.0.1:1", SourceMissingError, "nobody answers"),
        ("socket://127.0.0.1:what", SourceMissingError, "nobody answers"),
    ],
)
def test_a_port_that_cannot_be_opened_says_what_to_do(
    target: str, error: type[Exception], words: str
) -> None:
    with pytest.raises(error, match=words):
        SerialPort(target).open()


def test_settings_that_a_port_refuses_are_said(tmp_path: Path) -> None:
    with plugged() as port:
        with opened(port.target):
            pass
        # A pseudo-terminal supports only 8 data bits, and reports that when nothing else changes.
        with pytest.raises(SourceUnsupportedError, match="settings"):
            SerialPort(port.target, bytesize=7, parity="even").open()
    (tmp_path / "file").write_text("12.34\n")
    with pytest.raises(SourceUnsupportedError, match="not a serial port"):
        SerialPort(str(tmp_path / "file")).open()


@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become somebody without rights")
def test_missing_rights_name_the_group_to_join() -> None:
    with plugged() as port:
        os.chmod(port.target, 0o600)
        code = (
            "import os, sys; os.setgroups([]); os.setgid(65534); os.setuid(65534)\n"
            "from capture.errors import SourceForbiddenError\n"
            "from capture.sources.serial_port import SerialPort\n"
            "try:\n"
            f"    SerialPort({port.target!r}).open()\n"
            "except SourceForbiddenError as fault:\n"
            "    print(fault.sentence)\n"
        )
        preload = "import serial, capture.errors, capture.sources.serial_port\n"
        said = subprocess.run(
            [sys.executable, "-c", preload + code], capture_output=True, text=True, check=False
        )
        assert "no permission" in said.stdout, said.stderr
        assert pwd.getpwuid(65534).pw_name


def test_many_open_files_do_not_deafen_a_port() -> None:
    """A descriptor past 1023 is where select() ends."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    if hard != resource.RLIM_INFINITY and hard < 1200:
        pytest.skip("this system allows too few open files")
    resource.setrlimit(resource.RLIMIT_NOFILE, (max(soft, 1200), hard))
    spare = [os.open(os.devnull, os.O_RDONLY) for _ in range(1050)]
    try:
        with plugged() as port, opened(port.target) as source:
            port.send(b"12.34\r\n")
            assert read_until(source, b"\n") == b"12.34\r\n"
        with socket.create_server(("127.0.0.1", 0)) as server:
            address = f"socket://127.0.0.1:{server.getsockname()[1]}"
            with pytest.raises(SourceUnsupportedError, match="thousand open files"):
                SerialPort(address).open()
    finally:
        for each in spare:
            os.close(each)
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))


def test_a_caliper_behind_a_socket_is_heard_and_its_going_noticed() -> None:
    port = TcpPort()
    try:
        with opened(port.target) as source:
            assert port.wait_for_listener()
            port.send(b"12.34\r\n")
            assert read_until(source, b"\n") == b"12.34\r\n"
            port.hang_up()
            with pytest.raises(SourceUnpluggedError):
                until(lambda: source.read(1.0))
    finally:
        port.close()


@pytest.mark.skipif(not hasattr(socket, "TCP_KEEPIDLE"), reason="this system names it otherwise")
def test_a_network_that_dies_in_silence_is_noticed_by_the_system() -> None:
    """Without keep-alive a converter whose cable was cut is quiet for ever."""
    port = TcpPort()
    try:
        with opened(port.target) as source:
            wire = source._port._socket
            assert wire.getsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE) != 0
            # Seconds until the first question, between two, and how many go unanswered: 5 s.
            names = (socket.TCP_KEEPIDLE, socket.TCP_KEEPINTVL, socket.TCP_KEEPCNT)
            assert [wire.getsockopt(socket.IPPROTO_TCP, name) for name in names] == [2, 1, 3]
    finally:
        port.close()


# pyserial leaves the closing of its log to the garbage collector.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
@pytest.mark.filterwarnings("ignore::ResourceWarning")
def test_a_spied_port_is_heard_and_logged(tmp_path: Path) -> None:
    log = tmp_path / "bytes.log"
    with plugged() as port:
        source = SerialPort(f"spy://{port.target}?file={log}")
        source.open()
        port.send(b"12.34\r\n")
        assert read_until(source, b"\n") == b"12.34\r\n"
        source.close()
    assert "32 2E 33 34 0D 0A" in log.read_text()


class _Rfc2217Server:
    """pyserial's own far side of a port across the network, over its port in memory.

    (A pseudo-terminal has none of the control lines that the far side reports.)
    """

    def __init__(self) -> None:
        self._server = socket.create_server(("127.0.0.1", 0))
        self.url = f"rfc2217://127.0.0.1:{self._server.getsockname()[1]}"
        self.port = serial.serial_for_url("loop://", timeout=0.05)
        self.stopped = threading.Event()
        self._wire: socket.socket | None = None
        self._threads = [threading.Thread(target=self._accept, daemon=True)]
        self._threads[0].start()

    def write(self, data: bytes) -> None:
        assert self._wire is not None
        self._wire.sendall(data)

    def _accept(self) -> None:
        self._wire, _ = self._server.accept()
        self._manager = serial.rfc2217.PortManager(self.port, self)
        outward = threading.Thread(target=self._outward, daemon=True)
        self._threads.append(outward)
        outward.start()
        while not self.stopped.is_set():
            data = self._wire.recv(1024)
            if not data:
                break
            self.port.write(b"".join(self._manager.filter(data)))

    def _outward(self) -> None:
        while not self.stopped.is_set():
            data = self.port.read(max(1, self.port.in_waiting))
            if data:
                self.write(b"".join(self._manager.escape(data)))

    def close(self) -> None:
        self.stopped.set()
        if self._wire is not None:
            self._wire.shutdown(socket.SHUT_RDWR)
        for each in self._threads:
            each.join(30)
        if self._wire is not None:
            self._wire.close()
        self._server.close()
        self.port.close()


# pyserial 3.5 starts its thread there by names that Python has deprecated.
@pytest.mark.filterwarnings("ignore:set(Daemon|Name):DeprecationWarning")
def test_a_port_across_the_network_is_heard_at_its_own_speed() -> None:
    server = _Rfc2217Server()
    try:
        with opened(server.url, baud=4800) as source:
            assert server.port.baudrate == 4800
            server.port.write(b"12.34\xff\x00\r\n")
            assert read_until(source, b"\n") == b"12.34\xff\x00\r\n"
    finally:
        server.close()


@pytest.mark.filterwarnings("ignore:set(Daemon|Name):DeprecationWarning")
def test_a_plain_socket_asked_for_rfc_2217_is_named_with_the_address_that_works() -> None:
    """And the caliper is heard at that address."""
    port = TcpPort()
    try:
        at = f"127.0.0.1:{port.port}"
        with pytest.raises(SourceUnsupportedError) as refused:
            SerialPort(f"rfc2217://{at}?timeout=0.1").open()
        said = refused.value.sentence
        assert said.startswith(f"rfc2217://{at} answers, but not as RFC 2217 asks; ")
        assert f"use serial:socket://{at}, " in said
        with opened(f"socket://{at}") as source:
            port.wait_for_listener()
            port.send(b"12.34\r\n")
            assert read_until(source, b"\n") == b"12.34\r\n"
    finally:
        port.close()
    with pytest.raises(SourceMissingError, match="nobody answers"):
        SerialPort(f"rfc2217://{at}").open()


@pytest.mark.filterwarnings("ignore:set(Daemon|Name):DeprecationWarning")
def test_a_server_that_hangs_up_is_no_server_that_is_off(monkeypatch: pytest.MonkeyPatch) -> None:
    """pyserial gets to know it as it sends a setting: the far side agrees to RFC 2217 before."""
    server = _Rfc2217Server()
    sends = serial.rfc2217.Serial.rfc2217_send_subnegotiation

    def hangs_up(port: serial.rfc2217.Serial, option: bytes, value: bytes = b"") -> None:
        port._socket.shutdown(socket.SHUT_WR)
        sends(port, option, value)

    monkeypatch.setattr(serial.rfc2217.Serial, "rfc2217_send_subnegotiation", hangs_up)
    try:
        with pytest.raises(SourceBusyError, match="answers and hangs up; if another program"):
            SerialPort(server.url).open()
    finally:
        server.close()


@pytest.mark.filterwarnings("ignore:set(Daemon|Name):DeprecationWarning")
@pytest.mark.parametrize(
    ("name", "way", "said"),
    [
        ("baudrate", "refuses", "refuses 4800 baud; give the speed that it has, as baud="),
        ("bytesize", "refuses", "refuses the number of data bits; give what it has, as bytesize="),
        ("baudrate", "is silent", "does not confirm what RFC 2217 sets; if it passes on"),
        ("control", "is silent", "use serial:rfc2217://{at}?timeout=0.2&ign_set_control"),
    ],
)
def test_a_port_across_the_network_that_refuses_a_setting_is_named_with_it(
    monkeypatch: pytest.MonkeyPatch, name: str, way: str, said: str
) -> None:
    """pyserial's far side, made to answer one setting with another value or not at all."""
    asked = {
        "baudrate": serial.rfc2217.SET_BAUDRATE,
        "bytesize": serial.rfc2217.SET_DATASIZE,
        "control": serial.rfc2217.SET_CONTROL,
    }[name]
    does = serial.rfc2217.PortManager._telnet_process_subnegotiation

    def answer(far_side: serial.rfc2217.PortManager, suboption: bytes) -> None:
        if suboption[1:2] != asked:
            does(far_side, suboption)
        elif way == "refuses":
            other = bytes(each ^ 1 for each in suboption[2:])
            acknowledged = bytes([asked[0] + 100])
            far_side.rfc2217_send_subnegotiation(acknowledged, other)

    monkeypatch.setattr(serial.rfc2217.PortManager, "_telnet_process_subnegotiation", answer)
    server = _Rfc2217Server()
    try:
        with pytest.raises(SourceUnsupportedError) as refused:
            SerialPort(f"{server.url}?timeout=0.2", baud=4800).open()
    finally:
        server.close()
    assert refused.value.sentence.startswith(f"{server.url} answers, but ")
    assert said.format(at=server.url.removeprefix("rfc2217://")) in refused.value.sentence


def test_a_request_reaches_the_instrument() -> None:
    asked = threading.Event()

    def answer(data: bytes) -> bytes:
        asked.set()
        return b"12.34\r\n" if data == b"?\r" else b""

    port = TcpPort(answer=answer)
    try:
        with opened(port.target) as source:
            source.write(b"?\r")
            assert read_until(source, b"\n") == b"12.34\r\n"
    finally:
        port.close()
    with opened("loop://") as source:
        source.write(b"5.0\r")
        assert read_until(source, b"\r") == b"5.0\r"
