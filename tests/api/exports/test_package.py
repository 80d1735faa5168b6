"""The whole history in one file that describes itself."""

from __future__ import annotations

import io
import json
import zipfile
from decimal import Decimal

from sqlalchemy import select

from api.store.corrections import Corrections
from api.store.tables import Series
from api.store.trail import By
from tests.api.exports.pulled import body, rows


def test_the_package_describes_what_it_holds(person, server):
    series = _last_series(server)
    Corrections(server.journal.transactions).series(
        series, {"note": "=cold"}, By("Ada", "said later"), lambda _columns: None
    )
    archive = zipfile.ZipFile(io.BytesIO(body(person, "/api/history.zip")))
    assert archive.testzip() is None
    package = json.loads(archive.read("datapackage.json"))
    tables = {}
    for resource in package["resources"]:
        found = rows(archive.read(resource["path"]))
        tables[resource["name"]] = found
        fields = resource["schema"]["fields"]
        header = archive.read(resource["path"]).decode().partition("\r\n")[0].split(",")
        assert [field["name"] for field in fields] == header
        units = {f["name"]: f.get("unit") for f in fields}
        assert all(units[name] == "mm" for name in units if name.endswith("_mm"))
        assert all(units[name] == "deg" for name in units if name.endswith("_deg"))
        keys = [tuple(row[k] for k in resource["schema"]["primaryKey"]) for row in found]
        assert len(set(keys)) == len(keys)
        for field in fields:
            for row in found:
                if row[field["name"]] and field["type"] in ("number", "integer"):
                    Decimal(row[field["name"]])
    (change,) = tables["changes"]
    assert (change["who"], change["field"], change["before"]) == ("Ada", "note", "")
    assert (change["after"], change["series_id"]) == ('"=cold"', str(series))
    joined = 0
    for resource in package["resources"]:
        for key in resource["schema"].get("foreignKeys", ()):
            there = key["reference"]
            theirs = tables[there["resource"] or resource["name"]]
            named = {row[key["fields"]] for row in tables[resource["name"]]} - {""}
            assert named <= {row[there["fields"]] for row in theirs}, key
            joined += bool(named)
    assert joined >= 9
    assert archive.read("trials.csv") == body(person, "/api/trials.csv")
    swapped = next(r["trial_id"] for r in tables["trials"] if r["flags"] == "ends-swapped")
    assert [r["place"] for r in tables["trial-readings"] if r["trial_id"] == swapped] == [
        "open end",
        "fence end",
    ]


def _last_series(server):
    with server.engine.connect() as store:
        return store.scalars(select(Series.id).order_by(Series.id.desc())).first()
