"""What is read of a certificate, beside a library that reads all of it."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes

from api.certificates import read, typed_fingerprint
from api.commands.access_certificate import make

NOW = datetime(2026, 11, 30, 12, tzinfo=UTC)


@pytest.mark.parametrize(
    ("days", "now"),
    [(825, NOW), (1, NOW - timedelta(days=20_000)), (30, datetime(2049, 12, 20, tzinfo=UTC))],
)
def test_dates_and_fingerprint_are_those_of_the_certificate(days: int, now: datetime) -> None:
    """Dates of 1972, and from 2050 on, are written in another way than those of today."""
    pem, _ = make(["shop.local", "192.0.2.7", "::1"], days, now)
    whole = x509.load_pem_x509_certificate(pem)
    found = read(f"a word before it\n{pem.decode()}")
    assert (found.start, found.end) == (whole.not_valid_before_utc, whole.not_valid_after_utc)
    assert found.end - found.start == timedelta(days=days)
    assert found.fingerprint == whole.fingerprint(hashes.SHA256()).hex(":").upper()
    small = found.fingerprint.lower()
    for shown in (found.fingerprint, small.replace(":", ""), f" {small.replace(':', ' ')} "):
        assert typed_fingerprint(shown) == found.fingerprint


@pytest.mark.parametrize("text", ["", "AB:CD", "G" * 64, "A" * 63, "SHA256:" + "A" * 64])
def test_what_is_no_fingerprint_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="64 hexadecimal digits"):
        typed_fingerprint(text)


def test_a_certificate_that_is_cut_off_anywhere_is_refused() -> None:
    pem, _ = make(["shop.local"], 5, NOW)
    lines = pem.decode().splitlines()
    for left in range(len(lines) - 1):
        with pytest.raises(ValueError, match=r".+"):
            read("\n".join(lines[: left + 1]))
    for left in range(1, 3):  # in front of its dates
        with pytest.raises(ValueError, match=r".+"):
            read("\n".join([*lines[:left], lines[-1]]))
