"""What of a server's settings is said: by an option, else the environment, else the settings file.

`SETTINGS` is the one table of them. The name of a setting is that of its option, without the
dashes its key in the file, and in capitals the end of its variable's name.
"""

from __future__ import annotations

import argparse
import os
import shlex
import stat
import sys
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any, Final, Literal

from api.commands import fail, token_said
from api.settings import DAILY_BACKUPS, PORT

DB_HELP: Final = (
    "the store by its database URL, or @FILE that holds it (default: the file in --data; without"
    " --data what BOTHENDS_DB or the settings file names, else the file in your own folder)"
)
Kind = Literal["text", "folder", "file", "number", "list", "switch"]

_PREFIX: Final = "BOTHENDS_"
_FILE_VARIABLE: Final = f"{_PREFIX}CONFIG"
_AS_WRITTEN: Final[Mapping[Kind, tuple[str, str]]] = {
    "text": ("text", '"..."'),
    "folder": ("the name of a folder", '"/srv/bothends"'),
    "file": ("the name of a file", '"/srv/bothends/shop.pem"'),
    "number": ("a whole number", "8017"),
    "list": ("a list of texts", '["...", "..."]'),
    "switch": ("true or false", "true"),
}
_SWITCH: Final = {"1": True, "true": True, "yes": True, "on": True} | {
    "0": False, "false": False, "no": False, "off": False,
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Setting:
    """One setting of `serve`. secret: its value is never shown. example: where that of its kind
    does not fit."""

    name: str
    kind: Kind
    help: str
    metavar: str | None = None
    secret: bool = False
    example: str = ""

    @property
    def option(self) -> str:
        return f"--{self.name}"

    @property
    def variable(self) -> str:
        return _PREFIX + self.dest.upper()

    @property
    def dest(self) -> str:
        return self.name.replace("-", "_")


SETTINGS: Final = (
    Setting("data", "folder", "folder of the store (default: yours, by platform)", "DIR"),
    Setting("db", "text", DB_HELP, "URL", secret=True),
    Setting("host", "text", "address to serve on (127.0.0.1)"),
    Setting("port", "number", f"port ({PORT}); 0 picks a free one"),
    Setting(
        "allow-host",
        "list",
        "a further name by which browsers may reach this server, such as shop.example; repeat for"
        " more",
        "NAME",
    ),
    Setting(
        "behind",
        "list",
        "address of a reverse proxy that requests come through, such as 127.0.0.1: then nobody is"
        " taken for somebody at this computer; repeat for more",
        "ADDRESS",
    ),
    Setting(
        "cert",
        "file",
        "serve https with the certificate (PEM) in this file, and its key in that of --key; read"
        " again when it is renewed",
        "FILE",
    ),
    Setting("key", "file", "the key of --cert (PEM, without a password)", "FILE"),
    Setting(
        "caliper",
        "list",
        "an instrument to listen to, such as serial:/dev/ttyUSB0,unit=mm; repeat for more",
        "SPEC",
    ),
    Setting(
        "allow-network-calipers",
        "switch",
        "let who may do everything here add calipers on the network, and any device, from another"
        " computer too",
    ),
    Setting(
        "pretend", "switch", "an invented demo shop and a pretend caliper, in a store of their own"
    ),
    Setting(
        "backups",
        "number",
        "daily backups of an SQLite store that are kept, in the folder backups beside it"
        f" ({DAILY_BACKUPS}; none with --pretend); 0 makes none",
        "N",
        example=str(DAILY_BACKUPS),
    ),
)
_BY_NAME: Final = {setting.name: setting for setting in SETTINGS}
# What names a store or real calipers, and counts for the demo only where it is said with it.
_OF_REAL_READINGS: Final = ("data", "db", "caliper", "backups")

CONFIG_HELP: Final = (
    "settings file in TOML, with the options' names as keys (default: bothends/bothends.toml in"
    f" your own folder of settings, where there is one) [{_FILE_VARIABLE}]"
)
SAID_HELP: Final = (
    "What no option says is taken from the environment, by the name in brackets (several values:"
    " one a line), and what that does not say from the settings file."
)


def add_settings(
    command: argparse.ArgumentParser, settings: Iterable[Setting] = SETTINGS, said: bool = True
) -> None:
    """The options of these settings, None where they are not given. said: what they leave out
    `Said` may find elsewhere, and the help names the variables."""
    for setting in settings:
        variable = f" [{setting.variable}]" if said else ""
        more: dict[str, Any] = {"help": f"{setting.help}{variable}", "default": None}
        if setting.kind == "switch":
            more["action"] = argparse.BooleanOptionalAction
        else:
            more["metavar"] = setting.metavar
        if setting.kind == "list":
            more["action"] = "append"
        if setting.kind in ("number", "folder", "file"):
            more["type"] = int if setting.kind == "number" else Path
        command.add_argument(setting.option, **more)


def option_words(options: Mapping[str, Any], settings: Iterable[Setting]) -> list[str]:
    """The options by which a command is told what these options say."""
    words = []
    for setting in settings:
        value = options[setting.dest]
        if setting.kind == "switch" and value is not None:
            words.append(setting.option if value else f"--no-{setting.name}")
            continue
        for each in value if isinstance(value, list) else [value]:
            if each is not None:
                words += [setting.option, str(each)]
    return words


class Said:
    """What is said of the settings, each by the layer that goes first; read when first asked for.

    Ends the command with one sentence where a variable or the file can't be right.
    """

    def __init__(
        self, options: Mapping[str, Any], environment: Mapping[str, str] = os.environ
    ) -> None:
        given = {name: options.get(each.dest) for name, each in _BY_NAME.items()}
        file = options.get("config") or environment.get(_FILE_VARIABLE) or None
        layers = [
            {n: (v, _BY_NAME[n].option) for n, v in given.items() if v is not None and v != ""},
            _of_environment(environment),
            _of_file(None if file is None else Path(file)),
        ]
        self._said: dict[str, tuple[Any, str]] = {}
        for layer in layers:
            named = self._said.keys()
            shut = set()
            if "data" in named:
                # A folder means the store in it, whatever database is named further back.
                shut.add("db")
            if self.get("pretend"):
                shut.update(_OF_REAL_READINGS)
            self._said |= {n: s for n, s in layer.items() if n not in named and n not in shut}

    def get(self, name: str, default: Any = None) -> Any:
        """The value of a setting."""
        return self._said[name][0] if name in self._said else default

    def where(self, name: str) -> str:
        """By which words it was said: the option, the variable, or the key and its file."""
        return self._said[name][1] if name in self._said else _BY_NAME[name].option


_Layer = dict[str, tuple[Any, str]]


def _of_environment(environment: Mapping[str, str]) -> _Layer:
    _refuse_misspelt(environment)
    layer: _Layer = {}
    for setting in SETTINGS:
        text = environment.get(setting.variable, "")
        if not text.strip():
            continue
        layer[setting.name] = _of_text(setting, text), setting.variable
    return layer


def _of_text(setting: Setting, text: str) -> Any:
    match setting.kind:
        case "list":
            return [line.strip() for line in text.splitlines() if line.strip()]
        case "folder" | "file":
            return Path(text)
        case "text":
            return text
        case "number" if text.strip().removeprefix("-").isdecimal():
            return int(text)
        case "switch" if text.strip().lower() in _SWITCH:
            return _SWITCH[text.strip().lower()]
    kind, example = _AS_WRITTEN[setting.kind]
    wanted = setting.example or example
    return fail(f"{setting.variable}={text.strip()[:40]} is not {kind}; give one such as {wanted}")


def _refuse_misspelt(environment: Mapping[str, str]) -> None:
    """Others may use names with our prefix; what is nearly a name of ours was meant to be one."""
    from api.errors import nearest

    known = [_FILE_VARIABLE, *(setting.variable for setting in SETTINGS)]
    for name in environment:
        if name.startswith(_PREFIX) and name not in (*known, token_said.VARIABLE):
            ends = {each.removeprefix(_PREFIX): each for each in known}
            near = nearest(name.removeprefix(_PREFIX), ends, 0.7)
            if near is not None:
                fail(f"the environment has {name}, which is no setting; {ends[near]} is")


def _of_file(named: Path | None) -> _Layer:
    """What the file says; nothing where none is named and there is none at the usual place."""
    import tomllib

    from api.settings import user_settings

    path = user_settings() if named is None else named.expanduser()
    if path is None:
        return {}
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError as error:
        if named is None:
            return {}
        fail(f"the settings file {path} cannot be read ({error.strerror}); give its name")
    except OSError as error:
        fail(f"the settings file {path} cannot be read ({error.strerror})")
    except UnicodeDecodeError:
        fail(f"the settings file {path} is not text; save it as UTF-8")
    try:
        found = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        fail(f"the settings file {path} is not TOML: {error}; a line is such as port = {PORT}")
    layer = {
        key: (_of_value(_known(key, path), value, path), f"{key} in {path}")
        for key, value in found.items()
    }
    if "db" in layer and sys.platform != "win32" and path.stat().st_mode & stat.S_IROTH:
        _warn_of_password(path, layer["db"][0])
    return layer


@lru_cache  # a command may read its settings more than once
def _warn_of_password(path: Path, url: str) -> None:
    """Say where everybody may read a file with a password in it."""
    from api.store.urls import shown

    if not url.startswith("@") and "***" in shown(url):
        print(
            f"bothends: everybody may read the settings file {path}, and there is a password in"
            f" it; run: {shlex.join(['chmod', 'o-r', str(path)])}",
            file=sys.stderr,
        )


def _known(key: str, path: Path) -> Setting:
    from api.errors import nearest

    setting = _BY_NAME.get(key)
    if setting is None:
        near = nearest(key, _BY_NAME, 0.5)
        meant = f"did you mean {near}?" if near else f"there are {', '.join(_BY_NAME)}"
        fail(f"the settings file {path} says {key}, which is no setting; {meant}")
    return setting


def _of_value(setting: Setting, value: Any, path: Path) -> Any:
    match setting.kind, value:
        case "text", str() if value.startswith("@"):  # the name of a file, as `data` is one
            return f"@{path.absolute().parent / Path(value[1:]).expanduser()}"
        case "text", str() if value.strip():
            return value
        case (("folder" | "file"), str()) if value.strip():
            return path.absolute().parent / Path(value).expanduser()
        case ("number", int()) if not isinstance(value, bool):
            return value
        case "switch", bool():
            return value
        case "list", str():
            return [value]
        case "list", list() if all(isinstance(each, str) for each in value):
            return value
    kind, example = _AS_WRITTEN[setting.kind]
    return fail(
        f"the settings file {path}: {setting.name} must be {kind}, such as"
        f" {setting.name} = {setting.example or example}"
    )
