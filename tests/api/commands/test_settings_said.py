"""What is said of a server's settings: each way, which goes first, and what is refused."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

import pytest

from api.commands.serve import settings_of
from api.commands.settings_said import SETTINGS, Said, Setting, add_settings
from api.settings import DAILY_BACKUPS, Settings
from tests.api.commands.running import status

# One value for each setting, as an option, a variable and the file say it.
_ONE = {
    "data": ("/a", '"/a"', Path("/a")),
    "db": ("postgresql://a/b", '"postgresql://a/b"', "postgresql://a/b"),
    "host": ("::1", '"::1"', "::1"),
    "port": ("80", "80", 80),
    "allow-host": ("a.example", '["a.example"]', ["a.example"]),
    "behind": ("10.1.0.0/24", '"10.1.0.0/24"', ["10.1.0.0/24"]),
    "allow-network-calipers": (None, "true", True),
    "cert": ("/a.pem", '"/a.pem"', Path("/a.pem")),
    "key": ("/a.key", '"/a.key"', Path("/a.key")),
    "caliper": ("serial:/dev/a,unit=mm", '"serial:/dev/a,unit=mm"', ["serial:/dev/a,unit=mm"]),
    "pretend": (None, "true", True),
    "backups": ("3", "3", 3),
}
by_setting = pytest.mark.parametrize("setting", SETTINGS, ids=lambda each: each.name)


def options(*words: str) -> dict[str, object]:
    parser = argparse.ArgumentParser()
    add_settings(parser)
    return vars(parser.parse_args(words))


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return tmp_path / "shop.toml"


@by_setting
def test_each_setting_can_be_said_in_three_ways_and_the_nearest_goes_first(
    setting: Setting, file: Path
) -> None:
    text, written, value = _ONE[setting.name]
    words = [setting.option] if text is None else [setting.option, text]
    other = {"list": '"other"', "number": "7", "switch": "false"}.get(setting.kind, '"/other"')
    file.write_text(f"{setting.name} = {written}\n")
    where = {"BOTHENDS_CONFIG": str(file)}
    assert Said({}, {}).get(setting.name) is None
    assert Said({}, where).get(setting.name) == value
    assert Said({}, where).where(setting.name) == f"{setting.name} in {file}"
    file.write_text(f"{setting.name} = {other}\n")
    where[setting.variable] = text or "yes"
    said = Said({}, where)
    assert (said.get(setting.name), said.where(setting.name)) == (value, setting.variable)
    where[setting.variable] = {"number": "7", "switch": "0"}.get(setting.kind, "other")
    said = Said(options(*words), where)
    assert (said.get(setting.name), said.where(setting.name)) == (value, setting.option)


@by_setting
def test_the_help_names_the_option_and_the_variable(setting: Setting, capsys) -> None:
    assert status("serve", "--help") == 0
    help_of_it = capsys.readouterr().out.partition(f"  {setting.option}")[2].partition("\n  --")[0]
    assert f"[{setting.variable}]" in help_of_it


def test_an_option_says_no_where_the_file_says_yes(file: Path) -> None:
    file.write_text("pretend = true\n")
    said = {"BOTHENDS_CONFIG": str(file)}
    assert settings_of(Said(options(), said)).pretend
    assert not settings_of(Said(options("--no-pretend"), said)).pretend


def test_several_values_are_a_list_in_the_file_and_a_line_each_in_the_environment(
    file: Path,
) -> None:
    file.write_text('caliper = ["serial:/dev/a,unit=mm", "serial:/dev/b,pattern=(?P<value>.+) $"]')
    in_file = settings_of(Said({"config": file}, {}))
    lines = "serial:/dev/a,unit=mm\n serial:/dev/b,pattern=(?P<value>.+) $\n\n"
    assert settings_of(Said({}, {"BOTHENDS_CALIPER": lines})).calipers == in_file.calipers
    assert len(in_file.calipers) == 2


def test_a_folder_said_nearer_than_a_database_means_the_store_in_it(file: Path) -> None:
    file.write_text('db = "postgresql://a/b"\n')
    where = {"BOTHENDS_CONFIG": str(file), "BOTHENDS_DATA": "/said"}
    assert Said({}, where).get("db") is None
    where["BOTHENDS_DB"] = "postgresql://c/d"
    assert Said({}, where).get("db") == "postgresql://c/d"
    assert Said(options("--data", "/x"), where).get("db") is None
    both = Said(options("--data", "/x", "--db", "sqlite://"), where)
    assert (both.get("data"), both.get("db")) == (Path("/x"), "sqlite://")


def test_the_demo_takes_no_store_and_no_caliper_that_is_said_for_real_readings(
    file: Path, own_folder: Path
) -> None:
    file.write_text('port = 99\ndata = "/srv/shop"\ncaliper = "stdin:"\nbackups = 5\n')
    found = settings_of(Said(options("--pretend"), {"BOTHENDS_CONFIG": str(file)}))
    assert found == Settings(data=own_folder / "pretend", port=99, pretend=True, backups=0)
    file.write_text('data = "demo"\nbackups = 5\npretend = true\n')
    found = settings_of(Said({}, {"BOTHENDS_CONFIG": str(file)}))
    assert (found.data, found.backups) == (file.parent / "demo", 5)


def test_the_file_at_the_usual_place_is_read_where_none_is_named(own_folder: Path) -> None:
    assert settings_of(Said({}, {})) == Settings(data=own_folder, backups=DAILY_BACKUPS)
    (own_folder / "bothends.toml").write_text("port = 99\n")
    assert settings_of(Said({}, {})).port == 99
    (own_folder / "shop.toml").write_text("")
    assert settings_of(Said({"config": own_folder / "shop.toml"}, {})).port == 8017


def test_a_user_without_a_home_has_no_usual_file_and_is_asked_for_a_folder(
    monkeypatch: pytest.MonkeyPatch, capsys
) -> None:
    monkeypatch.undo()
    for name in ("HOME", "XDG_CONFIG_HOME", "XDG_DATA_HOME"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setattr("os.path.expanduser", lambda path: path)
    assert settings_of(Said({"data": Path("/srv/shop")}, {})).data == Path("/srv/shop")
    with pytest.raises(SystemExit):
        settings_of(Said({}, {}))
    assert "this user has no home folder; say with --data" in capsys.readouterr().err


def test_names_in_the_file_are_those_of_files_beside_it(file: Path) -> None:
    (file.parent / "url").write_text("postgresql://shop:s3cret@db/shop\n")
    file.write_text('data = "store"\ndb = "@url"\n')
    found = settings_of(Said({"config": file}, {}))
    assert (found.data, found.db) == (file.parent / "store", "postgresql://shop:s3cret@db/shop")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("prot = 80", "says prot, which is no setting; did you mean port?"),
        ("allow_host = 1", "says allow_host, which is no setting; did you mean allow-host?"),
        ("zzz = 1", "says zzz, which is no setting; there are data, db, host, port"),
        ("[serve]\nport = 80", "says serve, which is no setting; "),
        ('port = "80"', "port must be a whole number, such as port = 8017"),
        ("port = true", "port must be a whole number"),
        ("backups = true", "backups must be a whole number, such as backups = 7"),
        ("port = 70000", "port in {file}: 70000 is not a port"),
        ("backups = -1", "backups in {file}: -1 is not a number of daily backups"),
        ("pretend = 1", "pretend must be true or false, such as pretend = true"),
        ("caliper = [1]", "caliper must be a list of texts"),
        ('caliper = "telex:1"', "caliper in {file}: telex:1: "),
        ('allow-host = "a b"', "allow-host in {file}: a b is not the name of a host"),
        ('data = ""', "data must be the name of a folder"),
        ("host = 1", "host must be text"),
        ("db = 12345", "db must be text"),
        ('db = "@missing"', "missing cannot be read"),
        ("port = ", "is not TOML: "),
        ("port = 1\nport = 2", "is not TOML: "),
        ("\xff", "is not text; save it as UTF-8"),
        (None, "cannot be read (No such file or directory)"),
    ],
)
def test_what_the_file_says_wrong_is_one_sentence_that_names_it(
    file: Path, capsys, text: str | None, said: str
) -> None:
    if text is not None:
        file.write_text(text, encoding="latin-1")
    assert status("serve", "--config", file) == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert told.err.startswith("bothends: ")
    assert told.err.count("\n") == 1
    assert said.format(file=file) in told.err
    assert str(file.parent) in told.err


@pytest.mark.parametrize(
    ("name", "value", "said"),
    [
        ("BOTHENDS_PORT", "eighty", "BOTHENDS_PORT=eighty is not a whole number"),
        ("BOTHENDS_PORT", "70000", "BOTHENDS_PORT: 70000 is not a port"),
        ("BOTHENDS_PRETEND", "maybe", "BOTHENDS_PRETEND=maybe is not true or false"),
        ("BOTHENDS_PROT", "80", "has BOTHENDS_PROT, which is no setting; BOTHENDS_PORT is"),
        ("BOTHENDS_CALIPERS", "stdin:", "which is no setting; BOTHENDS_CALIPER is"),
        ("BOTHENDS_CONFIG", "/nowhere.toml", "/nowhere.toml cannot be read"),
    ],
)
def test_what_the_environment_says_wrong_is_one_sentence_that_names_it(
    monkeypatch: pytest.MonkeyPatch, capsys, name: str, value: str, said: str
) -> None:
    monkeypatch.setenv(name, value)
    assert status("serve") == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert told.err.startswith("bothends: ")
    assert told.err.count("\n") == 1
    assert said in told.err


def test_another_programs_variable_with_our_prefix_is_let_be() -> None:
    assert Said({}, {"BOTHENDS_USB": "1", "BOTHENDS_WEATHER": "rain"}).get("port") is None


@pytest.mark.parametrize("text", ["db = 's3cret", "db = ['postgresql://a:s3cret@b/c']"])
def test_a_secret_is_never_shown(file: Path, capsys, text: str) -> None:
    file.write_text(text)
    assert status("serve", "--config", file) == 2
    assert "s3cret" not in "".join(capsys.readouterr())


@pytest.mark.skipif(sys.platform == "win32", reason="rights are told otherwise there")
@pytest.mark.parametrize(
    ("mode", "url", "warned"),
    [
        (0o644, "postgresql://a:s3cret@b/c", 1),
        (0o640, "postgresql://a:s3cret@b/c", 0),
        (0o644, "postgresql://a@b/c", 0),
    ],
)
def test_a_password_that_everybody_may_read_is_told_once(
    file: Path, capsys, mode: int, url: str, warned: int
) -> None:
    file.write_text(f"db = '{url}'")
    file.chmod(mode)
    for _ in range(2):
        assert Said({"config": file}, {}).get("db") == url
    told = capsys.readouterr().err
    assert told.count(f"run: chmod o-r {file}") == warned
    assert "s3cret" not in told
