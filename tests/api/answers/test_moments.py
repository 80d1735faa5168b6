"""How long ago something was, in words."""

from __future__ import annotations

from datetime import datetime, timedelta

import pytest

from api.answers.moments import ago


@pytest.mark.parametrize(
    ("days", "words"),
    [
        (-1, "today"), (0, "today"), (1, "yesterday"), (2, "2 days ago"), (20, "20 days ago"),
        (21, "3 weeks ago"), (59, "8 weeks ago"), (60, "2 months ago"), (90, "3 months ago"),
        (729, "24 months ago"), (731, "2 years ago"),
    ],
)  # fmt: skip
def test_an_age_is_said_in_words_a_person_would_use(days, words):
    now = datetime(2026, 6, 10, 12).astimezone()
    assert ago(now - timedelta(days=days), now) == words
