"""The state of the server, asked over HTTP: well, or what to do where it is not."""

from __future__ import annotations


def test_health_and_the_contract_are_told(client, server):
    health = client.get("/api/health").json()
    assert (health["status"], health["store"], health["calipers"]) == ("ok", server.engine.name, [])
    assert "/api/trials.csv" in client.get("/openapi.json").json()["paths"]
