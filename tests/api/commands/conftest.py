"""Commands know no store but the one that a test names."""

from __future__ import annotations

import pytest

from api.store.urls import VARIABLE


@pytest.fixture(autouse=True)
def own_folder(tmp_path_factory, monkeypatch):
    """The user's own folder, which is empty, and no store named by the environment."""
    folder = tmp_path_factory.mktemp("own")
    monkeypatch.delenv(VARIABLE, raising=False)
    monkeypatch.setattr("api.settings.user_data", lambda: folder)
    return folder
