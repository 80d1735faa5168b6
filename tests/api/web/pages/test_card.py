"""The code on a machine's card, read as a phone reads it."""

from __future__ import annotations

import re

import zxingcpp

from tests.api.answers.measuring import measured
from tests.api.bench import Person
from tests.api.conftest import ON_SQLITE
from tests.api.web.pages.pictures import pixels_of_code


@ON_SQLITE
def test_the_code_of_a_card_opens_the_page_of_its_machine(client):
    person = Person(client)
    measured(person, [("12.00", "12.10"), ("12.01", "12.12")], "Saw <by> the window")
    (machine,) = (m["id"] for m in person.get("/api/machines"))
    card = client.get(f"/machine/{machine}/card", headers={"Host": "10.0.0.5:8017"}).text
    found = re.search(r'<figure class="code".*?(<svg.*?</svg>)', card, re.DOTALL)
    assert found is not None
    (code,) = zxingcpp.read_barcodes(pixels_of_code(found[1]))
    assert code.text == f"http://10.0.0.5:8017/machine/{machine}"
    assert client.get(code.text.removeprefix("http://10.0.0.5:8017")).status_code == 200
    # What only this computer can open is put in no code; the card says what to do instead.
    here = client.get(f"/machine/{machine}/card", headers={"Host": "localhost:8017"}).text
    assert 'class="code"' not in here
    assert "bothends serve --host" in here
