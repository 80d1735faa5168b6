"""Tab completes in a real shell."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.api.commands.running import status
from tests.ptys import until

Typed = Callable[[str, str], None]


@pytest.fixture
def bash(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Iterator[Typed]:
    """Types into an interactive bash until it shows what is expected."""
    assert status("completion", "bash") == 0
    script = tmp_path / "bothends"
    script.write_text(capsys.readouterr().out)
    master, slave = os.openpty()
    shell = subprocess.Popen(
        ["bash", "--noprofile", "--norc", "-i"],
        stdin=slave,
        stdout=slave,
        stderr=slave,
        cwd=tmp_path,
        env={"PATH": os.environ["PATH"], "TERM": "dumb", "PS1": "ready>", "INPUTRC": "/dev/null"},
        start_new_session=True,
    )
    os.close(slave)
    os.set_blocking(master, False)

    def typed(text: str, expected: str) -> None:
        os.write(master, text.encode())
        shown = ""

        def seen() -> bool:
            nonlocal shown
            try:
                shown += os.read(master, 4096).decode(errors="replace")
            except BlockingIOError:
                return False
            return expected in shown

        until(seen)

    typed("", "ready>")
    typed(f". {script}; echo so''urced\n", "sourced")
    yield typed
    shell.kill()
    shell.wait()
    os.close(master)


@pytest.mark.skipif(shutil.which("bash") is None, reason="needs bash")
def test_tab_completes_a_command_an_option_a_choice_and_a_file(bash: Typed, tmp_path: Path) -> None:
    (tmp_path / "notebook.csv").touch()
    (tmp_path / "shopfolder").mkdir()
    bash("bothends doc\t", "doctor ")
    bash("\x15bothends serve --back\t", "--backups ")
    bash("\x15bothends correct setup\t", "setup-change ")
    bash("\x15bothends load --strip-side r\t", "right ")
    bash("\x15bothends load noteb\t", "notebook.csv ")
    bash("\x15bothends backup --data shopf\t", "shopfolder")


@pytest.mark.parametrize("shell", ["zsh", "fish"])
def test_the_script_of_another_shell_is_its_language(
    shell: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert status("completion", shell) == 0
    script = capsys.readouterr().out
    assert "backups" in script
    if shutil.which(shell) is None:
        pytest.skip(f"{shell} is not installed, so its script is not tried in it")
    (tmp_path / "bothends").write_text(script)
    subprocess.run([shell, "-n", str(tmp_path / "bothends")], check=True)
    if shell == "fish":
        asked = f"source {tmp_path}/bothends; complete -C 'bothends serve --back'"
        told = subprocess.run(["fish", "-c", asked], check=True, capture_output=True, text=True)
        assert told.stdout.startswith("--backups\t")


def test_without_its_package_the_command_that_adds_it_is_named(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setitem(sys.modules, "shtab", None)
    assert status("completion", "bash") == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert told.err.startswith("bothends: Completion needs one more package; run: ")
    assert told.err.endswith("pip install shtab\n")
