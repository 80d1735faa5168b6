"""The address of a bench's page, as the templates write it; the scripts try the same cases."""

from __future__ import annotations

import pytest

from api.web.pages.shared.addresses import bench_page


@pytest.mark.parametrize(
    ("name", "address"),
    [
        ("main", "/"),
        ("by the window/2", "/bench/by%20the%20window%2F2"),
        ("Nordwänd <b>&2", "/bench/Nordw%C3%A4nd%20%3Cb%3E%262"),
    ],
)
def test_each_bench_has_one_page_whatever_its_name(name: str, address: str) -> None:
    assert bench_page(name) == address
