"""Series as they were measured in a shop, lately and in the past."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta
from uuid import UUID

from api.answers.settings import AskedSeries, new_series
from api.web.shapes.series import SeriesIn

MONDAY = datetime(2025, 1, 6, 9, tzinfo=UTC)


def measured(person, rows, machine="Window saw", **settings):
    """A finished series whose trials read `rows`; its id."""
    series = person.start(machine, **settings)
    unit = settings.get("unit", "mm")
    for row in rows:
        person.press(*row, unit=unit)
    person.post(f"/api/series/{series}/finish")
    return series


def reversals(error_deg, scatter_mm, trials, rng, baseline_mm=200.0):
    """Two widths of each strip that a saw so far off would leave."""
    deviation = 2 * baseline_mm * math.tan(math.radians(error_deg))
    return [
        (
            f"{10 + rng.normal(0, scatter_mm):.2f}",
            f"{10 + deviation + rng.normal(0, scatter_mm):.2f}",
        )
        for _ in range(trials)
    ]


def checked_on(server, person, at, rows, machine="Window saw", **settings):
    """A series of the past."""
    made = person.post("/api/machines", {"name": machine, "kind": "other"}, 201)
    body = {"machine": made["id"], "method": "reversal", "baseline": "200"}
    body |= {"unit": "mm", "strip_side": "left"} | settings
    asked = AskedSeries(**SeriesIn(**body).model_dump(exclude={"machine", "stop", "work"}))
    series = server.journal.start(new_series(asked, UUID(made["id"])), at)
    for row in rows:
        person.press(*row)
    server.journal.finish(series, at + timedelta(minutes=20))
    return str(series)


def machine_of(person, name="Window saw"):
    return next(m["id"] for m in person.get("/api/machines") if m["name"] == name)


def history(person, name="Window saw"):
    return person.get(f"/api/machines/{machine_of(person, name)}/history")


def refused(client, path):
    answer = client.get(path)
    assert answer.status_code == 422, answer.text
    assert answer.headers["content-type"] == "application/problem+json"
    return answer.json()["errors"][0]
