"""Pages from templates: escaped, whole, compressed where that is understood."""

from __future__ import annotations

import gzip
from datetime import UTC, datetime

import pytest
from fastapi import FastAPI
from jinja2 import TemplateNotFound, UndefinedError
from starlette.requests import Request

from api.access.rungs import Rung
from api.store.backups import BackupState
from api.web.pages.shared.rendering import page
from api.web.visitors import Visitor


class _Server:
    """What a page asks of a running server."""

    def __init__(self, backup: BackupState | None) -> None:
        self._backup = backup

    def backup(self) -> BackupState | None:
        return self._backup


def request(*accepted: str, backup: BackupState | None = None) -> Request:
    headers = [(b"accept-encoding", each.encode()) for each in accepted]
    app = FastAPI()
    app.state.server = _Server(backup)
    here = {"bothends.visitor": Visitor("this computer", "", local=True, rung=Rung.ADMIN)}
    asked = {"type": "http", "method": "GET", "path": "/", "headers": headers, "app": app}
    return Request(asked | here)


def missing(*accepted: str, title: str = "Not here", **more: int):
    return page(request(*accepted), "shared/missing.html", title=title, message="Look", **more)


def test_a_value_that_looks_like_code_is_shown_as_text():
    shown = missing(title="<script>alert(1)</script>").body.decode()
    assert "<h1>&lt;script&gt;alert(1)&lt;/script&gt;</h1>" in shown
    assert "<script>alert" not in shown


def test_a_missing_value_is_an_error_and_not_a_blank():
    with pytest.raises(UndefinedError, match="message"):
        page(request(), "shared/missing.html", title="Not here")
    with pytest.raises(TemplateNotFound):
        page(request(), "shared/none.html")


def test_every_page_carries_its_status():
    answer = missing(status=404)
    assert (answer.status_code, missing().status_code) == (404, 200)
    assert answer.headers["content-type"] == "text/html; charset=utf-8"


MADE = datetime(2026, 3, 2, 12, tzinfo=UTC)


@pytest.mark.parametrize(
    ("backup", "said"),
    [
        (None, []),
        (BackupState(), []),
        (BackupState(MADE, "b.sqlite"), ["Last backup: <time", "2 March 2026, "]),
        (
            BackupState(None, None, "No room; make <room>."),
            ["no good backup yet. No room; make &lt;"],
        ),
        (
            BackupState(MADE, "b.sqlite", "Old."),
            ["The last good backup is of <time", "</time>. Old."],
        ),
    ],
)
def test_every_page_says_how_the_backups_stand(backup, said):
    shown = page(request(backup=backup), "shared/missing.html", title="T", message="M")
    body = shown.body.decode()
    assert all(each in body for each in said), body
    assert ('class="backup"' in body) == bool(said)


def test_a_page_is_compressed_for_who_asks_for_that_alone():
    plain, packed = missing(), missing("br, gzip")
    assert "content-encoding" not in plain.headers
    assert packed.headers["content-encoding"] == "gzip"
    assert gzip.decompress(packed.body) == plain.body
    # The same bytes each time, and a cache keeps the two apart.
    assert packed.body == missing("gzip").body
    assert plain.headers["vary"] == packed.headers["vary"] == "Accept-Encoding"
    assert int(packed.headers["content-length"]) == len(packed.body)
