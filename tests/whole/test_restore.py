"""A shop whose store is damaged gets it back with one command, and not under a running server."""

from __future__ import annotations

from pathlib import Path

from tests.api.small_files import ALL, put_small_files, small_files
from tests.ptys import until
from tests.whole.commands import done
from tests.whole.forked import serving


def _press(server, *sent: str) -> None:
    for number, text in enumerate(sent):
        body = {"bench": "main", "caliper": "six inch", "sent": text, "unit": "mm"}
        body |= {"id": f"00000000-0000-7000-8000-{int(float(text) * 100):012d}"}
        server.post("/api/readings", [body | {"taken_at": f"2026-03-02T12:{number:02d}:00Z"}])


def test_a_damaged_store_is_restored_with_its_calipers_and_methods(tmp_path: Path) -> None:
    data, copy = tmp_path / "shop", tmp_path / "copy.sqlite"
    put_small_files(data)
    with serving(data) as server:
        series = server.start_series(method="sled-turn")
        _press(server, "11.00", "11.10")
        assert done("backup", "--data", str(data), "--to", str(copy)).returncode == 0
        _press(server, "11.20", "11.30")
        refused = done("restore", str(copy), "--data", str(data))
        assert refused.returncode == 1
        assert "a server has the store" in refused.stderr
        assert server.trials(series) == [["11.00", "11.10"], ["11.20", "11.30"]]
        server.kill()
        # Page by page, as a failing disk would.
        with (data / "bothends.sqlite").open("r+b") as store:
            store.write(b"\xff" * 8192)
        (data / "calipers.json").unlink()
        (data / "methods" / "sled.toml").unlink()

        restored = done("restore", str(copy), "--data", str(data))
        assert restored.returncode == 0, restored.stderr
        assert "2 readings" in restored.stdout
        (aside,) = data.glob("before-restore-*")
        assert str(aside) in restored.stdout
        assert (aside / "bothends.sqlite").read_bytes().startswith(b"\xff" * 8192)
        assert small_files(data) == ALL

        server.start()
        assert server.trials(series) == [["11.00", "11.10"]]
        assert until(lambda: [c["name"] for c in server.get("/api/calipers")] == ["six inch"])
        _press(server, "11.40", "11.50")
        assert server.trials(series)[1] == ["11.40", "11.50"]
        assert server.stop() == 0
    assert done("doctor", "--data", str(data)).stdout == "the store is in order\n"
