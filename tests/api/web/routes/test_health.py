"""The state of the server, asked over HTTP: well, or what to do where it is not."""

from __future__ import annotations

from api.server import Server
from api.settings import Settings
from api.web.app import build
from capture.records import CaliperState
from tests.api.conftest import local_client
from tests.ptys import until


def test_health_and_the_contract_are_told(client, server):
    health = client.get("/api/health").json()
    assert (health["status"], health["store"], health["calipers"]) == ("ok", server.engine.name, [])
    assert "/api/trials.csv" in client.get("/openapi.json").json()["paths"]


def test_a_store_that_was_taken_away_is_told_and_so_is_that_it_is_back(tmp_path):
    server = Server(Settings(data=tmp_path))
    file = tmp_path / "bothends.sqlite"
    with local_client(build(server)) as client:
        aside = file.rename(tmp_path / "aside.sqlite")
        answer = client.get("/api/health")
        told = answer.json()
        assert (answer.status_code, told["status"]) == (503, "store in trouble")
        assert "put it back" in told["message"]
        aside.rename(file)
        answer = client.get("/api/health")
        assert (answer.status_code, answer.json()["message"]) == (200, "")
    server.close()


def test_no_backup_is_told_before_the_first_one_and_none_of_a_store_that_is_no_file(client, server):
    expected = {"made_at": None, "file": None, "trouble": ""}
    assert client.get("/api/health").json()["backup"] == (
        expected if server.engine.name == "sqlite" else None
    )


def test_the_last_backup_is_told_and_null_where_none_are_made(tmp_path):
    off = Server(Settings(data=tmp_path / "off", backups=0))
    with local_client(build(off)) as other:
        assert other.get("/api/health").json()["backup"] is None
    off.close()
    on = Server(Settings(data=tmp_path / "on"))
    with local_client(build(on)) as other:
        on.start()

        def told() -> dict:
            return other.get("/api/health").json()["backup"]

        assert until(lambda: told()["file"])
        assert told()["file"].startswith("bothends-20")
        assert told()["made_at"].endswith("Z")
        assert told()["trouble"] == ""
        assert "Last backup: " in other.get("/instruments").text
    on.close()


def test_the_calipers_of_every_bench_are_told(client, server):
    server.heard_of([CaliperState("by the door", "six-inch", "quiet")])
    (told,) = client.get("/api/health").json()["calipers"]
    assert (told["bench"], told["name"], told["state"]) == ("by the door", "six-inch", "quiet")
