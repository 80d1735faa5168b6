"""What a name or an address of a computer means: this computer alone, or all of its addresses; and
which it has on its network."""

from __future__ import annotations

import ipaddress
import socket
from typing import Final

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
