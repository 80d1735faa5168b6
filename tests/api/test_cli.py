"""What the command line passes on, and the exit status that it gives back."""

from __future__ import annotations

import argparse
import io
import os
import subprocess
import sys
from importlib import import_module

import pytest

from api import VERSION
from api.cli import COMMANDS, main, parser


@pytest.fixture
def umask():
    """A usual mask of file rights; the one of the tests is given back at the end."""
    before = os.umask(0o022)
    yield 0o022
    os.umask(before)


def replaced(monkeypatch, command: str, run) -> None:
    monkeypatch.setattr(import_module(f"api.commands.{command}"), "run", run)


def current_umask(_args: argparse.Namespace) -> int:
    now = os.umask(0)
    os.umask(now)
    return now


def test_every_command_has_its_help(capsys):
    for name in COMMANDS:
        with pytest.raises(SystemExit) as ended:
            main([name, "--help"])
        assert ended.value.code == 0
        assert capsys.readouterr().out.startswith(f"usage: bothends {name} ")


def test_the_help_lists_every_command_in_its_order():
    lines = parser().format_help().splitlines()
    first_words = [line.split()[0] for line in lines if line.startswith("    ") and line[4] != " "]
    assert first_words == list(COMMANDS)


def test_the_version_is_said(capsys):
    with pytest.raises(SystemExit) as ended:
        main(["--version"])
    assert ended.value.code == 0
    assert capsys.readouterr().out == f"bothends {VERSION}\n"


@pytest.mark.parametrize("words", [[], ["saw"], ["doctor", "--no-such-option"]])
def test_a_command_that_cannot_be_right_is_exit_2(words, capsys):
    with pytest.raises(SystemExit) as ended:
        main(words)
    assert ended.value.code == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.startswith("usage: bothends")


def test_the_command_gets_its_options_and_its_status_is_given_back(monkeypatch):
    replaced(monkeypatch, "doctor", lambda args: 7 if args.db == "sqlite://" else 0)
    assert main(["doctor", "--db", "sqlite://"]) == 7
    assert main(["doctor"]) == 0


def test_only_files_of_a_store_are_for_the_user_alone(umask, monkeypatch):
    replaced(monkeypatch, "doctor", current_umask)
    assert main(["doctor"]) == 0o077
    replaced(monkeypatch, "pull", current_umask)
    assert main(["pull", "--to", "x.csv"]) == umask
    assert current_umask(argparse.Namespace()) == umask


def test_the_rights_are_given_back_after_a_failure_too(umask, monkeypatch):
    def fails(_args):
        raise RuntimeError

    replaced(monkeypatch, "doctor", fails)
    with pytest.raises(RuntimeError):
        main(["doctor"])
    assert current_umask(argparse.Namespace()) == umask


def test_a_person_who_interrupts_gets_no_traceback(monkeypatch, capsys):
    def interrupted(_args):
        raise KeyboardInterrupt

    replaced(monkeypatch, "doctor", interrupted)
    assert main(["doctor"]) == 130
    assert capsys.readouterr() == ("", "")


def test_a_reader_of_the_output_who_is_gone_gets_no_second_error(monkeypatch):
    def unread(_args):
        raise BrokenPipeError

    errors = io.StringIO()
    replaced(monkeypatch, "doctor", unread)
    monkeypatch.setattr(sys, "stderr", errors)
    assert main(["doctor"]) == 1
    assert errors.closed


def test_the_grammar_alone_imports_nothing_heavy():
    code = (
        "import sys; from api.cli import parser; parser();"
        "print(*{'fastapi', 'numpy', 'scipy', 'serial', 'sqlalchemy'} & sys.modules.keys())"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=True
    )
    assert done.stdout == "\n"
