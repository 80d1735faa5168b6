"""A load that is killed leaves whole series, and the same load again completes it."""

from __future__ import annotations

import sqlite3
import subprocess
from contextlib import closing
from pathlib import Path
from typing import Any

from tests.ptys import until
from tests.whole.serving import COMMAND

DAYS, A_DAY = 150, 20
PART = (
    "SELECT s.finished_at IS NULL, count(*) FROM series s JOIN trials t ON t.series_id = s.id"
    " GROUP BY s.id"
)


def asked(store: Path, question: str) -> list[Any]:
    with closing(sqlite3.connect(f"file:{store}?mode=ro", uri=True)) as connection:
        return connection.execute(question).fetchall()


def test_a_killed_load_leaves_whole_series_and_is_completed(tmp_path):
    page, store = tmp_path / "page.csv", tmp_path / "shop" / "bothends.sqlite"
    with page.open("w") as out:
        out.write("date,machine,method,unit,reading 1\n")
        for day in range(DAYS):
            moment = f"2024-{day // 28 + 1:02d}-{day % 28 + 1:02d}"
            out.writelines(f"{moment},Saw,stop-block,mm,412.{n:02d}\n" for n in range(A_DAY))
    words = [*COMMAND, "load", str(page), "--data", str(store.parent)]
    with subprocess.Popen(words, stdout=subprocess.DEVNULL) as loading:
        assert until(store.exists)
        assert until(lambda: asked(store, "SELECT 1 FROM sqlite_master WHERE name = 'benches'"))
        assert until(lambda: asked(store, "SELECT 1 FROM readings LIMIT 1"))
        loading.kill()
    part = asked(store, PART)
    assert part
    assert {count for _, count in part} == {A_DAY}
    assert asked(store, "SELECT series_id FROM benches") == [(None,)]
    again = subprocess.run(words, capture_output=True, text=True, check=True)
    left = (DAYS - len(part)) * A_DAY
    assert again.stdout == (
        f"{left} strips ({left} readings) loaded, {len(part) * A_DAY} known already,"
        " 0 lines refused\n"
    )
    assert asked(store, PART) == [(0, A_DAY)] * DAYS
