"""Methods of the user's own: a TOML file each."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from random import Random

from analysis.methods import METHODS, custom_method
from api.answers.methods import all_methods
from api.store.engine import StoreError
from tests.fuzz import texts
from tests.fuzz.fuzzing import Fuzzer, Place, Try

_FIELDS = {
    "key": ('"my-check"', '"a"', '"reversal"', '"A b"', '""', "1", '"' + "a-" * 200 + 'a"'),
    "title": ('"My check"', '"x"', "true", '"\\u0000"'),
    "summary": ('"Cut, turn, read."', "[]"),
    "places": (
        '["left", "right"]',
        '["one"]',
        '["a", "a"]',
        "[]",
        '["a", "b", "c"]',
        "[1]",
        '[" "]',
    ),
    "quantity": ('"angle"', '"angle"', '"tilt"', '"length"', '"area"', "nan"),
    "terms": (
        *("[[2, 1]]", "[[1.5, 2], [1, 1]]", "[[0, 1]]", "[[nan, 1]]", "[[inf, 1]]", "[[1]]"),
        *("[[1e-300, 1]]", "[[1000, 1000]]", "[[true, 1]]", f"[[{'9' * 400}, 1]]", '[["2", 1]]'),
    ),
    "baseline": ('"length of the cut"', '" "', "2024-05-03"),
    "sided": ("true", "false", '"yes"'),
    "closed_jaws": ("true", "false", "0"),
    "repeats": ("1", "100", "0", "101", "1.0", "0x2"),
    "needs": ('"A board."', "12:30:00"),
    "checks": ('"the fence"',),
    "source": ('"a book"',),
    "odd": ("1", "{a = 1}", "2024-05-03T12:00:00Z"),
}
_NEEDED = ("key", "places", "quantity", "terms", "baseline")


def _written(chance: Random) -> str:
    optional = [name for name in _FIELDS if name not in _NEEDED]
    names = [name for name in _NEEDED if chance.random() < 0.95]
    names += chance.sample(optional, chance.choice((0, 0, 1, 3)))
    first = chance.random() < 0.6
    lines = [f"{n} = {_FIELDS[n][0] if first else chance.choice(_FIELDS[n])}" for n in names]
    chance.shuffle(lines)
    return "\n".join(lines) + "\n"


@contextmanager
def _in_folder(place: Place) -> Iterator[Try]:
    (place.folder / "methods").mkdir(parents=True)
    file = place.folder / "methods" / "own.toml"

    def one(chance: Random) -> bool:
        said = _written(chance)
        if chance.random() < 0.3:
            said = texts.altered(said, chance, '[]"=,\n')
        file.write_bytes(said.encode("utf-8", "surrogatepass"))
        try:
            found = all_methods(None, place.folder)
        except StoreError as error:
            assert str(file) in str(error)
            return False
        (own,) = set(found) - set(METHODS)
        made = found[own]
        assert made.definition is not None
        # A series keeps the definition as JSON, and is computed by it ever after.
        kept = json.loads(json.dumps(dict(made.definition), allow_nan=False))
        assert custom_method(kept) == made
        for relation in made.relations:
            assert len(relation.weights) == len(made.places)
        return True

    yield one


FUZZERS: Sequence[Fuzzer] = (
    Fuzzer(
        "methods of one's own",
        "refused naming the file, or the same from its definition in the store",
        _in_folder,
        400,
    ),
)
