"""What a name or an address of a computer or of a server on it means, and which this computer has
on its network."""

from __future__ import annotations

import ipaddress
import re
import socket
from typing import Final
from urllib.parse import urlsplit

HIDDEN: Final = "***"
"""Stands for a password."""

JOIN: Final = "join="
"""What the fragment of an invitation's address begins with; the code follows. The pages' scripts
have it in `shared/access.js`."""

# Reserved for documentation (RFC 5737, section 3; RFC 3849). Nothing is sent there: to "connect" a
# datagram socket only asks the system for the route.
_FAR_ADDRESSES: Final = (
    (socket.AF_INET, ("192.0.2.1", 9)),
    (socket.AF_INET6, ("2001:db8::1", 9)),
)


def loopback(host: str) -> bool:
    """Whether `host`, a name or an address, can be reached from this computer alone."""
    name = plain(host)
    try:
        address = ipaddress.ip_address(name)
    except ValueError:
        return name == "localhost" or name.endswith(".localhost")
    mapped = getattr(address, "ipv4_mapped", None)
    return (mapped or address).is_loopback


def anywhere(host: str) -> bool:
    """Whether `host` means all addresses of this computer; a browser takes it for this computer."""
    try:
        return ipaddress.ip_address(plain(host)).is_unspecified
    except ValueError:
        return not host


def plain(host: str) -> str:
    """A name or address as it is compared: without brackets, final dot and large letters."""
    return host.strip().strip("[]").rstrip(".").lower()


def network(host: str) -> str:
    """What an address is counted as: of IPv6 its network of 64 bits, of which a computer has all
    addresses to itself. What is no address is itself."""
    try:
        address = ipaddress.ip_address(host.partition("%")[0])
    except ValueError:
        return host
    if isinstance(address, ipaddress.IPv4Address):
        return str(address)
    if address.ipv4_mapped is not None:
        return str(address.ipv4_mapped)
    return str(ipaddress.ip_network((address.packed[:8] + bytes(8), 64)))


def mapped(address: str) -> str:
    """An address or network as a socket of IPv6 names it: of IPv4 within ::ffff:0:0/96 (RFC 4291,
    2.5.5.2). Raises ValueError where it is none."""
    found = ipaddress.ip_network(address)
    if isinstance(found, ipaddress.IPv6Network):
        return address
    return f"::ffff:{found.network_address}/{96 + found.prefixlen}"


def lan_host() -> str | None:
    """This computer's address on its network, as its routes say; None on no network."""
    for family, far in _FAR_ADDRESSES:
        try:
            with socket.socket(family, socket.SOCK_DGRAM) as probe:
                probe.connect(far)
                found = str(probe.getsockname()[0])
        except OSError:
            continue
        if not loopback(found):
            return f"[{found}]" if ":" in found else found
    return None


def server_url(text: str) -> str:
    """The server's address that `text` gives, in its normal form.

    Raises ValueError where it gives none; the message says what to do, and holds no password and no
    code of an invitation.
    """
    before, mark, fragment = text.partition("#")
    try:
        if fragment.startswith(JOIN):
            raise ValueError("it is an invitation, which is for a browser; a program needs a token")
        return _normal(text)
    except ValueError as error:
        # What follows # can let in whoever reads it; but # may also stand in a password.
        said = without_secrets(text if "@" in fragment else before + mark)
        raise ValueError(
            f"{said!r} is not a server's address ({error}); give one such as http://shop.local:8017"
        ) from None


def _normal(text: str) -> str:
    if re.search(r"\s", text):
        raise ValueError("it holds a space")
    url = urlsplit(text)
    port = url.port
    if url.scheme not in _PORTS:
        raise ValueError("it does not begin with http:// or https://")
    try:
        host = (url.hostname or "").encode("idna").decode()
    except UnicodeError:
        host = ""
    if not re.fullmatch(r"[\w.:%-]{1,253}", host) or port == 0:
        raise ValueError("it names no server")
    if "@" in url.netloc or url.query or url.fragment or not _PLAIN_PATH.fullmatch(url.path):
        raise ValueError("it holds more than a server and a plain path")
    host = f"[{host}]" if ":" in host else host
    where = host if port in (None, _PORTS[url.scheme]) else f"{host}:{port}"
    return f"{url.scheme}://{where}{url.path.rstrip('/')}"


_PLAIN_PATH: Final = re.compile(r"(/[\w.~%-]+)*/?", re.ASCII)
_PORTS: Final = {"http": 80, "https": 443}


def without_secrets(url: str) -> str:
    """A URL, or what should be one, for people to read.

    What is before the last @ may be a password, and so may what is after a question mark.
    """
    scheme = f"{url.partition('://')[0]}://" if "://" in url else ""
    text, asked, query = url.partition("?")
    if "@" in query:  # the password itself may contain the question mark
        return scheme + HIDDEN
    before, at, after = text.rpartition("@")
    if at:
        text = f"{scheme if '://' in before else ''}{HIDDEN}@{after}"
    return text + (f"?{HIDDEN}" if asked else "")
