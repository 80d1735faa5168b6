"""A pull that a server does not let in says what to do; one that follows waits, once it was in."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import closing
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from threading import Thread

import pytest

from api.commands.following import _follow
from api.exports.followed import FollowedFile
from api.exports.sources import NotLetIn, OtherHistory, PullFailed, Question, ServerSource
from api.http import Token, TokenError


class Asked(BaseHTTPRequestHandler):
    """Lets in "right", tells "other" that its history is another one, and may not "little"."""

    def do_GET(self) -> None:
        told = {"Bearer right": 200, "Bearer little": 403, "Bearer other": 410}
        status = told.get(self.headers.get("Authorization", ""), 401)
        live = self.path.startswith("/api/live")
        said = {"last_event": 7, "detail": "no"} if status == 200 else {"detail": "may only read"}
        body = b": here\n\n" if live and status == 200 else json.dumps(said).encode()
        self.send_response(status)
        self.send_header("Content-Type", "text/event-stream" if live else "application/json")
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, *_: object) -> None:
        """Say nothing on the error stream."""


@pytest.fixture(scope="module")
def url() -> Iterator[str]:
    with ThreadingHTTPServer(("127.0.0.1", 0), Asked) as server:
        thread = Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
        thread.start()
        yield f"http://127.0.0.1:{server.server_address[1]}"
        server.shutdown()
        thread.join()


def one_after_the_other(*tokens: str) -> Token:
    left = list(tokens)
    return lambda: left.pop(0)


@pytest.mark.parametrize(
    ("token", "says"),
    [
        (None, "lets in nobody without a token; run on its computer: bothends token add NAME"),
        ("wrong", "does not take this token"),
        ("little", "answers: may only read; a token that may is made on its computer"),
    ],
)
def test_a_pull_that_is_not_let_in_says_what_makes_a_token(url, token, says):
    with closing(ServerSource(url, token=lambda: token, may="--may run")) as server:
        with pytest.raises(NotLetIn, match=says) as told, server.pull(Question("trials"), "csv"):
            pass
        assert "bothends token add NAME --may run" in str(told.value)


def test_a_token_that_cannot_be_read_ends_a_pull_with_its_sentence(url):
    def gone() -> str:
        raise TokenError("the token file is gone")

    with (
        closing(ServerSource(url, token=gone)) as server,
        pytest.raises(PullFailed, match=r"^the token file is gone$"),
    ):
        server.ask("GET", "/api/machines")


def test_who_follows_waits_for_another_token_once_it_was_let_in(url, tmp_path: Path, capsys):
    followed = FollowedFile(tmp_path / "events.jsonl", url, "main")
    # The bench and its stream; then the token is revoked, and mended.
    token = one_after_the_other("right", "right", "wrong", "other")
    with (
        closing(ServerSource(url, token=token)) as server,
        closing(followed.memory),
        pytest.raises(OtherHistory),
    ):
        _follow(server, "main", followed, None)
    said = capsys.readouterr().err
    assert said.count("asked again until it is back") == 1


def test_who_follows_and_was_never_let_in_is_told_at_once(url, tmp_path: Path):
    followed = FollowedFile(tmp_path / "events.jsonl", url, "main")
    with (
        closing(ServerSource(url)) as server,
        closing(followed.memory),
        pytest.raises(NotLetIn),
    ):
        _follow(server, "main", followed, None)
