"""The certificate by which a server is known: its fingerprint and its dates.

They are read here so that to serve one, or to know one again, needs no library beside OpenSSL,
which has read the file before.
"""

from __future__ import annotations

import hashlib
import re
import ssl
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final

CERTIFICATE_FILE: Final = "bothends-certificate.pem"
"""The file of the data folder with the certificate that `bothends access certificate` made."""
KEY_FILE: Final = "bothends-key.pem"
"""The file beside it with its key."""

_FIRST: Final = re.compile(r"-----BEGIN CERTIFICATE-----[^-]+-----END CERTIFICATE-----", re.ASCII)
_VERSION: Final = 0xA0
_UTC_TIME: Final = 0x17


@dataclass(frozen=True, slots=True)
class Certificate:
    """`fingerprint`: as `fingerprint` gives it. `start`, `end`: when it is valid."""

    fingerprint: str
    start: datetime
    end: datetime


def read(pem: str) -> Certificate:
    """The first certificate in a file's text: the server's own (RFC 8446, 4.4.2).

    Raises ValueError where there is none.
    """
    found = _FIRST.search(pem)
    if found is None:
        raise ValueError("there is no certificate in it")
    der = ssl.PEM_cert_to_DER_cert(found[0])
    try:
        start, end = _validity(der)
    except IndexError:
        raise ValueError("its certificate is cut off") from None
    return Certificate(fingerprint(der), start, end)


def fingerprint(der: bytes) -> str:
    """The SHA-256 of a certificate as it is sent, as browsers show it: 32 pairs of digits."""
    return hashlib.sha256(der).digest().hex(":").upper()


def typed_fingerprint(text: str) -> str:
    """A fingerprint as a browser shows it or a person types it: without colons, in small letters.

    Raises ValueError where it is none.
    """
    digits = re.sub(r"[\s:]", "", text)
    if re.fullmatch(r"[0-9A-Fa-f]{64}", digits) is None:
        raise ValueError("a SHA-256 fingerprint has 64 hexadecimal digits")
    return bytes.fromhex(digits).hex(":").upper()


class OtherCertificate(ConnectionError):
    """The server has another certificate than the one by which it is known."""

    def __init__(self, found: str) -> None:
        super().__init__(
            f"its certificate has another fingerprint than --fingerprint says: {found}; if that is"
            " what bothends access certificate shows on the server's computer, give it, else"
            " somebody stands between"
        )


def known_by(fingerprint_said: str) -> ssl.SSLContext:
    """A client's context that takes the certificate with this fingerprint and no other, whoever
    made it, for whichever name, and until whatever day: a person has compared it.

    The handshake raises OtherCertificate, before anything is sent.
    """

    def compare(der: bytes | None) -> None:
        found = fingerprint(der or b"")
        if found != fingerprint_said:
            raise OtherCertificate(found)

    class Socket(ssl.SSLSocket):
        def do_handshake(self, block: bool = False) -> None:
            super().do_handshake(block)
            compare(self.getpeercert(True))

    class Object(ssl.SSLObject):  # by way of a proxy
        def do_handshake(self) -> None:
            super().do_handshake()
            compare(self.getpeercert(True))

    context = ssl.create_default_context()
    context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
    context.sslsocket_class, context.sslobject_class = Socket, Object
    return context


def _validity(der: bytes) -> tuple[datetime, datetime]:
    """When a certificate is valid, by the places of the fields in it (RFC 5280, 4.1).

    Raises IndexError or ValueError where it is cut off or has something else in these places.
    """
    certificate = _content(der, 0)[1]
    fields = _content(der, certificate)[1]
    tag, _, end = _content(der, fields)
    if tag == _VERSION:
        fields = end
    for _ in ("serial number", "algorithm", "issuer"):
        fields = _content(der, fields)[2]
    before = _content(der, fields)[1]
    after = _content(der, before)[2]
    return _moment(der, before), _moment(der, after)


def _content(der: bytes, at: int) -> tuple[int, int, int]:
    """The tag of the value at `at`, where its content begins, and where it ends (X.690, 8.1)."""
    length, begin = der[at + 1], at + 2
    if length & 0x80:
        begin += length & 0x7F
        length = int.from_bytes(der[at + 2 : begin])
    return der[at], begin, begin + length


def _moment(der: bytes, at: int) -> datetime:
    """A UTCTime, of the years 1950 to 2049, or a GeneralizedTime (RFC 5280, 4.1.2.5)."""
    tag, begin, end = _content(der, at)
    text = der[begin:end].decode("ascii")
    if tag == _UTC_TIME:
        text = ("19" if text >= "50" else "20") + text
    return datetime.strptime(text, "%Y%m%d%H%M%SZ").replace(tzinfo=UTC)
