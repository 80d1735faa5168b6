"""Who opens a store looks through all of it where that is worth the wait."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from api.settings import Settings
from api.store import damage, opening, schema_step
from api.store.engine import DamagedStore, file_in
from api.store.place import look

STORES = Path(__file__).parents[3] / "fixtures" / "stores"
PAGE = 4096


def damaged_copy(of: Path, folder: Path) -> Path:
    """A copy whose list of tables is whole, and some page after it is not."""
    store = file_in(folder)
    shutil.copy(of, store)
    whole = store.read_bytes()
    for page in range(len(whole) // PAGE - 1, 1, -1):
        store.write_bytes(whole[: page * PAGE] + b"\xa5" * PAGE + whole[(page + 1) * PAGE :])
        # That list is on several pages, of which some may be among the last ones.
        if look(store).state != "damaged" and damage.found_in(store):
            return store
    raise AssertionError("every page could be overwritten unnoticed")


def opened(folder: Path, *, serving: bool) -> opening.Opened:
    settings = Settings(data=folder)
    engine = opening.engine_of(settings)
    try:
        return opening.bring_up_to_date(engine, settings, serving=serving)
    finally:
        engine.dispose()


def test_a_server_finds_damage_that_a_command_need_not_look_for(upgraded_file, tmp_path):
    damaged_copy(upgraded_file, tmp_path)
    assert opened(tmp_path, serving=True).damage
    found = opened(tmp_path, serving=False)
    assert (found.damage, found.check) == ("", None)


@pytest.mark.parametrize("serving", [True, False])
def test_a_damaged_store_of_an_earlier_step_is_never_upgraded(tmp_path, serving):
    newest = max(STORES.glob("0*.sqlite"))
    assert newest.stem < schema_step.HEAD
    store = damaged_copy(newest, tmp_path)
    before = store.read_bytes()
    assert opened(tmp_path, serving=serving).damage
    assert store.read_bytes() == before
    with pytest.raises(DamagedStore, match="is damaged"):
        opening.open_store(Settings(data=tmp_path))
