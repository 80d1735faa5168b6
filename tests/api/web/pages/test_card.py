"""The code on a machine's card, read as a phone reads it."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import numpy as np
import zxingcpp
from numpy.typing import NDArray

from tests.api.answers.measuring import measured
from tests.api.bench import Person
from tests.api.conftest import ON_SQLITE

_PIXELS = 4


def drawn(svg: str) -> NDArray[np.uint8]:
    """The modules of a code as pixels: black where its dark path has a run, white elsewhere."""
    picture = ElementTree.fromstring(svg)
    side = int((picture.get("viewBox") or "").split()[2])
    pixels = np.full((side, side), 255, np.uint8)
    (dark,) = (p.get("d") or "" for p in picture.iter() if p.get("stroke") == "#000")
    x = y = 0.0
    # Strokes one module thick, along the middle of a row.
    for command, first, second in re.findall(r"([Mmh])\s*(-?[\d.]+)(?:[ ,]?(-?[\d.]+))?", dark):
        if command == "h":
            pixels[int(y), int(x) : int(x) + int(first)] = 0
            x += int(first)
        elif command == "M":
            x, y = float(first), float(second)
        else:
            x, y = x + float(first), y + float(second)
    return np.kron(pixels, np.ones((_PIXELS, _PIXELS), np.uint8))


@ON_SQLITE
def test_the_code_of_a_card_opens_the_page_of_its_machine(client):
    person = Person(client)
    measured(person, [("12.00", "12.10"), ("12.01", "12.12")], "Saw <by> the window")
    (machine,) = (m["id"] for m in person.get("/api/machines"))
    card = client.get(f"/machine/{machine}/card", headers={"Host": "10.0.0.5:8017"}).text
    found = re.search(r'<figure class="code".*?(<svg.*?</svg>)', card, re.DOTALL)
    assert found is not None
    (code,) = zxingcpp.read_barcodes(drawn(found[1]))
    assert code.text == f"http://10.0.0.5:8017/machine/{machine}"
    assert client.get(code.text.removeprefix("http://10.0.0.5:8017")).status_code == 200
    # What only this computer can open is put in no code; the card says what to do instead.
    here = client.get(f"/machine/{machine}/card", headers={"Host": "localhost:8017"}).text
    assert 'class="code"' not in here
    assert "bothends serve --host" in here
