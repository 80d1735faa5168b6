"""What a name or an address of a computer means: this computer alone, or all of its addresses."""

from __future__ import annotations

import ipaddress


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
