"""The address of a bench's page; `addresses.js` says the same for the scripts."""

from __future__ import annotations

from urllib.parse import quote

from capture.spec import MAIN_BENCH


def bench_page(name: str) -> str:
    """The path of the page of bench `name`: "/" for the main one."""
    return "/" if name == MAIN_BENCH else f"/bench/{quote(name, safe='')}"
