"""Stores for the fuzzers that need one, on either engine."""

from __future__ import annotations

from tests.api.conftest import postgres_server, store_url, upgraded_database, upgraded_file

__all__ = ["postgres_server", "store_url", "upgraded_database", "upgraded_file"]
