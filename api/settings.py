"""The settings that a server starts with."""

from __future__ import annotations

import sys
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Final

from api.addresses import loopback

if TYPE_CHECKING:
    from capture.spec import Spec


CALIPERS_FILE: Final = "calipers.json"
"""The file of the data folder that names the calipers which are remembered."""
METHODS_FOLDER: Final = "methods"
"""The folder in the data folder whose *.toml files are methods of the user's own."""
KEPT_BESIDE_FILE: Final = "bothends-kept-beside.sqlite"
"""The file of the data folder with the presses that a damaged store could not take."""

DAILY_BACKUPS: Final = 7
"""How many daily backups are kept where nothing else is said."""


PORT: Final = 8017
"""The port to serve on where nothing else is said."""


@dataclass(frozen=True, slots=True)
class Settings:
    """`data`: the folder of the store and its backups. `db`: a database URL; None for the SQLite
    file in `data`. `allow_hosts`: names of this server in addition to those that it finds itself.
    `behind`: the addresses of the reverse proxies that requests come through. `cert`, `key`: the
    files of a certificate and its key, both or none, with which https is served.
    `allow_network_calipers`: other computers may have any device or address opened. `pretend`: an
    invented demo shop and a pretend caliper on bench main. `backups`: how many daily backups are
    kept; 0: none is made."""

    data: Path
    db: str | None = None
    host: str = "127.0.0.1"
    port: int = PORT
    allow_hosts: tuple[str, ...] = ()
    behind: tuple[str, ...] = ()
    cert: Path | None = None
    key: Path | None = None
    allow_network_calipers: bool = False
    calipers: tuple[Spec, ...] = field(default=())
    pretend: bool = False
    seed: int = 1
    backups: int = DAILY_BACKUPS

    @property
    def open_to_others(self) -> bool:
        """Whether requests come from other computers too."""
        return bool(self.behind) or not loopback(self.host)


def program() -> Path:
    """The `bothends` command of the environment that this runs in."""
    return Path(sys.executable).with_name("bothends")


def user_settings() -> Path | None:
    """The settings file of a user, in the platform's folder for settings; None without a home."""
    import platformdirs

    try:
        folder = platformdirs.user_config_dir("bothends", appauthor=False)
    except RuntimeError:
        return None
    return Path(folder) / "bothends.toml"


def user_data() -> Path:
    """The platform's folder for a user's data. Raises RuntimeError for a user without a home."""
    import platformdirs

    return Path(platformdirs.user_data_dir("bothends", appauthor=False))
