"""What was pulled, read as another program reads it."""

from __future__ import annotations

import csv
import io

from tests.api.bench import Person

FORMULA = '=HYPERLINK("http://192.0.2.1","a, b")'
TRIALS_HEADER = (
    "trial_id,series_id,machine,method,number,taken_at,baseline_mm,readings_mm,deviation_mm,"
    "angle_deg,tilt_deg,expanded_uncertainty_deg,state,flags,caliper,"
    "length_mm,stop,nominal_deg,levels,corrected,visit"
)


def body(person: Person, path: str, status: int = 200) -> bytes:
    answer = person.client.get(path)
    assert answer.status_code == status, answer.text
    return answer.content


def rows(data: bytes) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(data.decode(), newline=""), strict=True))
