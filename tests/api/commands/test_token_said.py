"""A token comes from a file that only its owner may read, or from the environment, and is said
nowhere else."""

from __future__ import annotations

import os
from argparse import ArgumentParser, Namespace
from pathlib import Path

import pytest

from api.cli import parser
from api.commands.settings_said import Said
from api.commands.token_said import VARIABLE, add_token_option, token_for, token_words
from api.http import Token, TokenError

ONE, OTHER = (f"bothends_{each * 43}" for each in "xy")
HERE, SHOP = "http://127.0.0.1:8017", "http://shop.example:8017"


@pytest.fixture(autouse=True)
def _nothing_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv(VARIABLE, raising=False)


@pytest.fixture
def file(tmp_path: Path) -> Path:
    made = tmp_path / "token"
    made.write_text(f"{ONE}\n")
    made.chmod(0o600)
    return made


def told(file: Path | str | None, url: str | None = HERE) -> Token:
    words = [] if file is None else ["--token-file", str(file)]
    command = ArgumentParser()
    add_token_option(command)
    return token_for(command.parse_args(words), url)


def refused(capsys: pytest.CaptureFixture[str], file: Path | str | None) -> str:
    with pytest.raises(SystemExit) as end:
        told(file)
    assert end.value.code == 2
    said = capsys.readouterr()
    assert not said.out
    assert "xxx" not in said.err
    return said.err


def test_the_file_goes_before_the_environment_and_without_both_there_is_none(file, monkeypatch):
    assert told(None)() is None
    monkeypatch.setenv(VARIABLE, f" {OTHER}\n")
    assert told(None)() == OTHER
    assert told(file)() == ONE
    assert told(None, url=None)() is None


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "is empty"),
        (b" \n\n", "is empty"),
        (f"{ONE}\n{ONE}\n".encode(), "more than a token"),
        (f"token {ONE}".encode(), "more than a token"),
        (f"{ONE}é".encode(), "in ASCII"),
        (ONE.encode("utf-16"), "in ASCII"),
        (f'"{ONE}"'.encode(), "holds no token"),
        (b"\0" * 5000, "holds no token"),
    ],
)
def test_a_file_that_holds_no_token_is_refused_with_what_to_do(file, capsys, data, words):
    file.write_bytes(data)
    said = refused(capsys, file)
    assert f"{file} " in said
    assert words in said


def test_a_file_saved_with_a_mark_before_its_text_and_spaces_around_it_is_read(file):
    file.write_bytes(b"\xef\xbb\xbf  " + ONE.encode() + b"\r\n\r\n")
    assert told(file)() == ONE


def test_a_file_that_others_may_read_is_refused_with_the_command_that_mends_it(file, capsys):
    for mode in (0o640, 0o604, 0o620):
        file.chmod(mode)
        assert f"run: chmod 600 {file}" in refused(capsys, file)


def test_what_systemd_hands_over_may_show_a_right_of_the_group(file, monkeypatch, capsys):
    file.chmod(0o440)
    refused(capsys, file)
    monkeypatch.setenv("CREDENTIALS_DIRECTORY", str(file.parent))
    assert told(file)() == ONE


def test_a_missing_file_is_named_and_a_token_in_its_place_is_not_repeated(tmp_path, capsys):
    assert "No such file" in refused(capsys, tmp_path / "none")
    assert "revoke that token" in refused(capsys, ONE)


def test_a_wrong_variable_is_refused_without_being_shown(monkeypatch, capsys):
    monkeypatch.setenv(VARIABLE, f"{ONE} {ONE}")
    assert VARIABLE in refused(capsys, None)


def test_the_variable_is_no_misspelt_setting_of_a_server():
    assert Said({}, {VARIABLE: ONE}).get("port") is None


def test_a_file_that_was_mended_is_taken_and_one_that_went_is_told(file):
    token = told(file)
    assert token() == ONE
    file.write_text(OTHER)
    os.utime(file, ns=(0, 0))  # however coarse the file system's clock
    assert token() == OTHER
    file.chmod(0o644)
    with pytest.raises(TokenError, match="chmod 600"):
        token()
    file.unlink()
    with pytest.raises(TokenError, match="cannot be read"):
        token()


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="pipes by name are POSIX's")
def test_a_token_from_a_pipe_is_read_once(tmp_path):
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe, 0o600)
    # Open for both, so that neither side waits for the other; the reader takes what is there.
    with open(os.open(pipe, os.O_RDWR | os.O_NONBLOCK), "wb", buffering=0) as both:
        both.write(ONE.encode().ljust(4096))
        token = told(pipe)
        both.write(OTHER.encode().ljust(4096))
        assert [token(), token()] == [ONE, ONE]


def test_who_can_overhear_it_is_said_once_where_the_network_can(file, capsys):
    for url in (HERE, "http://localhost:8017", "https://shop.example"):
        told(file, url)
        told(None, SHOP)
    assert capsys.readouterr().err == ""
    told(file, SHOP)()
    said = capsys.readouterr().err
    assert said.count("shop.example") == 1
    assert "can overhear the network" in said
    assert ONE not in said


def test_a_token_without_a_server_to_give_it_to_is_refused(file, capsys):
    with pytest.raises(SystemExit):
        told(file, url=None)
    assert "server's address" in capsys.readouterr().err


@pytest.mark.parametrize(
    "words",
    [
        ["bench", "--to", HERE, "--caliper", "stdin:"],
        ["pull", HERE, "--to", "-"],
        ["load", "notebook.csv", "--to", HERE],
        ["correct", "undo", "--to", HERE],
    ],
)
def test_every_command_that_asks_a_server_takes_the_file_and_none_the_token(words, file, capsys):
    asked = parser().parse_args([*words, "--token-file", str(file)])
    assert asked.token_file == file
    assert token_words(asked) == ["--token-file", str(file)]
    file.chmod(0o644)
    with pytest.raises(SystemExit):
        token_words(Namespace(token_file=file))
    assert "chmod 600" in capsys.readouterr().err
