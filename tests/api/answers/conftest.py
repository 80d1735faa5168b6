"""What is answered follows from rows, whichever engine gives them.

Each query is sent to PostgreSQL by the tests that are marked so: at least by two, where two
send it at all.
"""

from __future__ import annotations

from tests.api.conftest import on_sqlite_unless_said as pytest_generate_tests

__all__ = ["pytest_generate_tests"]
