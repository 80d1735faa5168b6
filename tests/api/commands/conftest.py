"""Commands know no store but the one that a test names."""

from __future__ import annotations

import pytest

from api.commands.settings_said import SETTINGS


@pytest.fixture(autouse=True)
def own_folder(tmp_path_factory, monkeypatch):
    """The user's own folder, which is empty, and no setting said by the environment or a file."""
    folder = tmp_path_factory.mktemp("own")
    for name in ("BOTHENDS_CONFIG", *(setting.variable for setting in SETTINGS)):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setattr("api.settings.user_settings", lambda: folder / "bothends.toml")
    monkeypatch.setattr("api.settings.user_data", lambda: folder)
    return folder
