"""Database URLs, as --db, a file or the environment names them."""

from __future__ import annotations

from collections.abc import Sequence
from random import Random
from urllib.parse import quote

from api.store.engine import StoreError, open_engine, sqlite_file
from api.store.urls import shown
from tests.fuzz import texts
from tests.fuzz.fuzzing import Fuzzer, plain

_SECRET = "s3cret"
_BETWEEN = ("://", "://", "://", "//", ":/", ":")
_PASSWORDS = (
    *("s3cret", "s3cret%40", "a/s3cret", "12/s3cret", "s3cret@", ":s3cret", "%s3cret", "?s3cret"),
    *("s3cret?x", "[s3cret", "s3cret#"),
)
_SCHEMES = (
    *("postgresql", "postgresql+psycopg", "postgres", "sqlite", "sqlite+pysqlite", "mysql", ""),
    *("postgresql+psycopg2", "sqlite+aiosqlite", "oracle", "Postgresql", "http"),
)
_ENDS = (
    *("db.local/shop", "db.local:5432/shop", "db.local:port/shop", "[::1]/shop", "[::1/shop", ""),
    *("/home/me/shop.sqlite", "/:memory:", "db.local/shop?sslmode=require", "db.local,b/shop"),
    *("db.local/shop?password=s3cret", "db.local?sslpassword=s3cret&a=b", "db/s?PASSWORD=s3cret"),
)


def _urls(chance: Random) -> bool:
    scheme, end = chance.choice(_SCHEMES), chance.choice(_ENDS)
    user = chance.choice(("", f"shop:{chance.choice(_PASSWORDS)}@", f"shop:{quote(_SECRET)}@"))
    if changed := chance.random() < 0.4:
        scheme, end = texts.altered(scheme, chance, "+"), texts.altered(end, chance, ":/@?&=[]%")
    url = f"{scheme}{chance.choice(_BETWEEN)}{user}{end}"
    secret = _SECRET in url and (not changed or _SECRET not in end)
    assert not secret or _SECRET not in shown(url), f"{url!r} is shown as {shown(url)!r}"
    try:
        engine = open_engine(url)
    except StoreError as error:
        assert not secret or _SECRET not in str(error)
        return False
    # Nothing is connected to before the store is used.
    name = engine.dialect.name
    file = sqlite_file(engine.url)
    engine.dispose()
    assert name in ("sqlite", "postgresql")
    assert name == "sqlite" or file is None
    return True


FUZZERS: Sequence[Fuzzer] = (
    plain("--db URLs", "refused in words, and no password is shown", _urls, 1500),
)
