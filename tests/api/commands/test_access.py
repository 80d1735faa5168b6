"""`bothends access` and `bothends token`: who is let in, from the command line."""

from __future__ import annotations

import io
import re
import sqlite3
import stat
from pathlib import Path

import numpy as np
import pytest
import zxingcpp

from api.access import book as module
from api.access.book import FILE, Book, Inviter
from api.access.rungs import Rung
from api.commands.access_invite import at_start, invite
from tests.api.commands.running import status


def test_a_token_is_printed_once_and_alone(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ("token", "add", "bench 2", "--may", "press", "--bench", "two", "--data", tmp_path)
    assert status(*words) == 0
    printed = capsys.readouterr()
    assert re.fullmatch(r"bothends_[\w-]{43}\n", printed.out)  # so that > FILE takes it
    assert "--token-file" in printed.err
    book = Book(tmp_path)
    found = book.find("token", printed.out.strip())
    book.close()
    assert found is not None
    assert (found.name, found.rung, found.benches) == ("bench 2", Rung.PRESS, ("two",))
    assert stat.S_IMODE((tmp_path / FILE).stat().st_mode) == 0o600
    assert status(*words) == 2
    assert "bench 2 is let in already" in capsys.readouterr().err
    assert status("token", "list", "--data", tmp_path) == 0
    listed = capsys.readouterr().out.splitlines()
    assert len(listed) == 2
    assert re.match(r"bench 2 +token +press +two +never +20\d\d-", listed[1])


def test_what_lets_somebody_in_is_ended_by_name_or_id(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    book = Book(tmp_path)
    token, _ = book.add_token("reports", Rung.READ)
    joined = book.join(book.invite(Rung.RUN, "phone")[1])
    first, second = book.invite(Rung.RUN, "next")[0], book.invite(Rung.RUN, "next")[0]
    assert joined is not None
    assert status("token", "revoke", "phone", "--data", tmp_path) == 2
    assert "no token phone" in capsys.readouterr().err
    assert status("access", "revoke", "next", "--data", tmp_path) == 2
    said = capsys.readouterr().err
    assert first.id in said
    assert second.id in said
    for name in ("phone", token.id, first.id):
        assert status("access", "revoke", name, "--data", tmp_path) == 0
    assert book.passes() == []
    assert book.invitations() == [second]
    book.close()
    capsys.readouterr()
    assert status("access", "list", "--data", tmp_path) == 0
    assert re.search(r"\nnext +invitation +run .* until ", capsys.readouterr().out)


def test_a_name_is_found_however_it_is_written_and_who_it_let_in_is_said(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    book = Book(tmp_path)
    phone = book.add_token("Anna's phone", Rung.RUN)[0]
    book.add_token("REPORTS", Rung.READ)
    book.invite(Rung.READ, "Reports")
    by = Inviter(phone.id, phone.name)
    assert book.join(book.invite(Rung.RUN, "second", by=by)[1]) is not None
    book.invite(Rung.RUN, "third", by=by)
    data = ("--data", tmp_path)
    assert status("access", "list", *data) == 0
    listed = capsys.readouterr().out
    assert re.search(r"\nsecond +device +run .* Anna's phone +[0-9a-f-]{36}\n", listed)
    assert re.search(r"\nthird +invitation +run .* Anna's phone +[0-9a-f-]{36}\n", listed)
    assert re.search(r"\nREPORTS +token +read .* - +[0-9a-f-]{36}\n", listed)
    assert status("access", "revoke", "reports", *data) == 2
    assert "several are called reports" in capsys.readouterr().err
    assert status("token", "revoke", " anna's  PHONE ", *data) == 0
    said = capsys.readouterr().out
    assert said.startswith("Anna's phone is not let in any more")
    assert "it had invited these, which stay until they are revoked too: second\n" in said
    assert [each.name for each in book.invitations()] == ["Reports"]
    assert status("access", "revoke", "Reports", *data) == 0
    assert book.invitations() == []
    assert [each.name for each in book.passes()] == ["second", "REPORTS"]
    book.close()


def test_with_whom_it_invited_a_lost_phone_leaves_nobody_in(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    book = Book(tmp_path)
    by = None
    for name in ("lost", "second", "third"):
        joined = book.join(book.invite(Rung.RUN, name, by=by)[1])
        assert joined is not None
        by = Inviter(joined[0].id, name)
    book.invite(Rung.RUN, "open", by=by)
    own = book.add_token("reports", Rung.READ)[0]
    waiting = book.invite(Rung.RUN, "fourth")[0]
    assert status("access", "revoke", "lost", "--with-invited", "--data", tmp_path) == 0
    assert capsys.readouterr().out.endswith(
        "\nnor are those that came in through it: second, third\n"
    )
    assert book.passes() == [own]
    assert book.invitations() == [waiting]
    book.close()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("token", "add", "x", "--may", "run", "--bench", "two"), "--bench is for --may press"),
        (("token", "add", "x", "--may", "press", "--bench", "a/b"), "can't be a bench's name"),
        (("token", "add", " ", "--may", "press"), "can't be a name"),
        (("token", "add", "a\x1b[2J", "--may", "press"), "can't be a name"),
        (("token", "add", "a" * 65, "--may", "press"), "can't be a name"),
        (("token", "add", "x"), "--may"),
        (("token", "add", "x", "--may", "write"), "invalid choice"),
        (("access", "invite", "--bench", "two"), "--bench is for --may press"),
        (("access", "revoke", "nobody"), "bothends access list"),
    ],
)
def test_what_cannot_be_right_is_said(
    words: tuple[str, ...], said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert status(*words, "--data", tmp_path) == 2
    assert said in capsys.readouterr().err
    book = Book(tmp_path)
    assert book.passes() == []
    assert book.invitations() == []
    book.close()


@pytest.mark.parametrize("what", ["access", "token"])
def test_a_book_that_takes_nothing_is_listed_and_said_in_a_sentence(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, what: str
) -> None:
    """As where the disk is full: then it is wanted to know who is in."""
    book = Book(tmp_path)
    book.add_token("reports", Rung.READ)
    other = sqlite3.connect(tmp_path / FILE, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    monkeypatch.setattr(module, "_LOCKED_S", 0.0)
    data = ("--data", tmp_path)
    assert status(what, "list", *data) == 0
    assert "\nreports " in capsys.readouterr().out
    assert status(what, "revoke", "reports", *data) == 2
    assert status("token", "add", "more", "--may", "read", *data) == 2
    said = capsys.readouterr().err.splitlines()
    assert len(said) == 2
    assert all(each.endswith("and invite everybody anew") for each in said)
    other.close()
    assert [each.name for each in book.passes()] == ["reports"]
    book.close()


def test_an_invitation_is_a_code_until_a_server_says_where_it_is(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert status("access", "invite", "--name", "phone", "--data", tmp_path) == 0
    said = capsys.readouterr().out
    assert f"a server that keeps to {tmp_path} alone" in said
    code = re.search(r"this code there: (\w{5}-\w{5})\n", said)
    assert code is not None
    book = Book(tmp_path)
    found = book.join(code[1])
    assert found is not None
    assert (found[0].name, found[0].rung) == ("phone", Rung.RUN)
    book.reached_at("http://10.0.0.5:8017/")
    book.close()
    assert status("access", "invite", "--may", "read", "--data", tmp_path) == 0
    out = capsys.readouterr().out
    assert re.match(r"http://10\.0\.0\.5:8017/#join=\w{5}-\w{5}\nlets one device in, to read;", out)
    kept = ("--may", "press", "--bench", "saw", "--bench", "two")
    assert status("access", "invite", *kept, "--data", tmp_path) == 0
    assert "http://10.0.0.5:8017/bench/saw#join=" in capsys.readouterr().out
    assert status("access", "list", "--data", tmp_path) == 0
    assert re.search(r"invitation +press +saw, two +- ", capsys.readouterr().out)


def test_a_folder_that_is_no_server_s_is_left_as_it_is(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    nowhere, home = tmp_path / "data", tmp_path / "home"
    home.mkdir(mode=0o755)
    (home / "letter.txt").touch()
    for words in (("access", "list"), ("token", "list")):
        assert status(*words, "--data", nowhere) == 2
        assert f"no server has kept anything in {nowhere} yet" in capsys.readouterr().err
    for words in (("access", "invite"), ("access", "list"), ("token", "list")):
        assert status(*words, "--data", home) == 2
        assert "is not a data folder of bothends" in capsys.readouterr().err
    assert status("access", "certificate", "--data", home) == 2
    assert not nowhere.exists()
    assert [each.name for each in home.iterdir()] == ["letter.txt"]
    assert stat.S_IMODE(home.stat().st_mode) == 0o755
    # A bench's token may be made before the server's first start.
    assert status("token", "add", "saw", "--may", "press", "--data", nowhere) == 0
    assert stat.S_IMODE(nowhere.stat().st_mode) == 0o700


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_a_start_on_a_terminal_shows_an_invitation_as_a_code_that_a_camera_reads(
    tmp_path: Path,
) -> None:
    book, out = Book(tmp_path), Terminal()
    at_start(book, "http://10.0.0.5:8017/", "bothends access invite", out)
    assert [each.rung for each in book.invitations()] == [Rung.ADMIN]
    book.close()
    (address,) = re.findall(r"\nhttp://\S+", out.getvalue())
    drawn = re.findall(r"\x1b\[97;40m(.*)\x1b\[0m", out.getvalue())
    (read,) = zxingcpp.read_barcodes(_seen(drawn))
    assert read.text == address.strip()


def _seen(lines: list[str]) -> np.ndarray:
    """What a camera sees of half blocks, light on dark: shape (rows, columns), 0 to 255."""
    light = {" ": (0, 0), "▀": (1, 0), "▄": (0, 1), "█": (1, 1)}
    halves = np.array([[light[block] for block in line] for line in lines], np.uint8)
    picture = halves.transpose(0, 2, 1).reshape(2 * len(lines), -1)
    return np.kron(255 * picture, np.ones((4, 4), np.uint8))


def test_a_start_without_a_terminal_puts_no_code_into_its_log(tmp_path: Path) -> None:
    book, out = Book(tmp_path), io.StringIO()
    at_start(book, "http://10.0.0.5:8017/", "bothends access invite --data x", out)
    assert book.invitations() == []
    assert out.getvalue().endswith("invite by: bothends access invite --data x\n")
    invite(book, Rung.RUN, out)
    assert "#join=" in out.getvalue()
    book.close()
