"""`bothends access certificate`: a self-signed certificate, by which https works in a shop."""

from __future__ import annotations

import argparse
import ipaddress
import os
import re
import shlex
import socket
from contextlib import suppress
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Final

from api.addresses import lan_host, plain
from api.certificates import CERTIFICATE_FILE, KEY_FILE, Certificate
from api.commands import fail
from api.commands.settings_said import Said
from api.commands.stores import check_ours, data_folder, failed

if TYPE_CHECKING:
    from api.commands import Subparsers

# Longer ones iPhones and iPads refuse (Apple, support article 103769, from memory).
_MOST_DAYS: Final = 825
# A phone's clock may be behind.
_EARLIER: Final = timedelta(hours=1)
_LONGEST_COMMON_NAME: Final = 64


def add(subparsers: Subparsers) -> None:
    command = subparsers.add_parser(
        "certificate",
        help="make a self-signed certificate for serve, or show its fingerprint",
        description="Make a self-signed certificate and its key in the data folder, for the names"
        " and addresses of this computer, and print how to serve with them and the fingerprint"
        " that a phone must show. One that is valid is shown, and kept.",
    )
    command.add_argument(
        "--data", type=Path, metavar="DIR", help="folder of the store (default: yours, by platform)"
    )
    command.add_argument(
        "--name",
        action="append",
        default=[],
        metavar="HOST",
        help="a further name or address of this server; repeat for more. What allow-host says is"
        " among them already",
    )
    command.add_argument(
        "--days",
        type=int,
        default=None,
        metavar="N",
        help=f"how long it is valid ({_MOST_DAYS}, the longest that all phones take)",
    )
    command.add_argument(
        "--renew",
        action="store_true",
        help="make another in place of one that is valid; every phone and bench then compares its"
        " fingerprint again",
    )


def run(args: argparse.Namespace) -> int:
    from api.web.tls import Unusable, load

    days: int = _MOST_DAYS if args.days is None else args.days
    if not 1 <= days <= _MOST_DAYS:
        fail(
            f"--days {days}: give 1 to {_MOST_DAYS}; some phones refuse a certificate that is"
            " valid for longer"
        )
    names = _names(args.name)
    folder = data_folder(args).expanduser().absolute()
    try:
        check_ours(folder)
    except OSError as fault:
        fail(f"{fault.filename or folder} cannot be read ({fault.strerror}); run this as its owner")
    files = folder / CERTIFICATE_FILE, folder / KEY_FILE
    # As it was said: serve finds by itself what is said in the environment or the settings file.
    where = () if args.data is None else ("--data", str(folder))
    found = None
    with suppress(Unusable):
        found = load(*files)[1]
    if found is not None and found.end > datetime.now(UTC) and not args.renew:
        if args.name or args.days is not None:
            fail(
                f"{files[0]} is valid until {found.end:%Y-%m-%d}, and was not changed; to make"
                " another in its place, add --renew: every phone and bench then compares its"
                " fingerprint again"
            )
        _show(files, found, f"valid until {found.end:%Y-%m-%d}; --renew makes another", where)
        return 0
    pair = make(names, days, datetime.now(UTC))
    try:
        _put(folder, files, pair)
    except OSError as fault:
        return failed(
            f"{fault.filename or folder} cannot be written ({fault.strerror}); name a folder that"
            " you may write with --data"
        )
    made = load(*files)[1]
    _show(files, made, f"valid until {made.end:%Y-%m-%d}, for {', '.join(names)}", where)
    if found is not None:
        print("a server that serves the one before takes it within seconds")
    return 0


def _show(files: tuple[Path, Path], found: Certificate, said: str, where: tuple[str, ...]) -> None:
    certificate, key = map(str, files)
    serve = ["bothends", "serve", *where, "--host", "0.0.0.0", "--cert", certificate, "--key", key]
    print(f"certificate: {certificate}\n{said}\nkey:         {key}")
    print(f"to serve:    {shlex.join(serve)}")
    print(f"SHA-256 fingerprint:\n{found.fingerprint}")


def _names(further: list[str]) -> list[str]:
    """The names and addresses of this server, each once."""
    said = Said({})
    own = socket.gethostname().lower()
    short = own.partition(".")[0]
    names = [own, short, f"{short}.local", *_addresses(), said.get("host", "")]
    for name in further:
        if not _can_be_named(plain(name)):
            fail(f"--name {name} is not the name of a host; give one such as shop.example")
    names += [*said.get("allow-host", []), *further, "localhost", "127.0.0.1", "::1"]
    return [name for name in dict.fromkeys(map(plain, names)) if _can_be_named(name)]


def _can_be_named(name: str) -> bool:
    try:
        return not ipaddress.ip_address(name).is_unspecified
    except ValueError:
        return re.fullmatch(r"[a-z0-9_-][a-z0-9._-]{0,252}", name) is not None


def _addresses() -> list[str]:
    """This computer's addresses, as its routes and its names say."""
    found = [lan_host() or ""]
    with suppress(OSError):
        for *_, address in socket.getaddrinfo(socket.gethostname(), None):
            found.append(str(address[0]).partition("%")[0])
    return found


def make(names: list[str], days: int, now: datetime) -> tuple[bytes, bytes]:
    """A certificate for these names, which is its own issuer, and its key, both in PEM.

    Ends the command where the library for it is not there.
    """
    from api.exports.extras import MissingExtra, needed

    try:
        x509 = needed("cryptography.x509", "a certificate of one's own")
    except MissingExtra as error:
        fail(str(error))
    from cryptography.hazmat.primitives import hashes, serialization
    from cryptography.hazmat.primitives.asymmetric import ec

    key = ec.generate_private_key(ec.SECP256R1())
    called = f"bothends on {names[0]}"[:_LONGEST_COMMON_NAME]
    subject = x509.Name([x509.NameAttribute(x509.NameOID.COMMON_NAME, called)])
    start = now - _EARLIER
    entries = []
    for name in names:
        try:
            entries.append(x509.IPAddress(ipaddress.ip_address(name)))
        except ValueError:
            entries.append(x509.DNSName(name))
    usage = dict.fromkeys(
        ("content_commitment", "key_encipherment", "data_encipherment", "key_agreement",
         "key_cert_sign", "crl_sign", "encipher_only", "decipher_only"), False,
    )  # fmt: skip
    public = x509.SubjectKeyIdentifier.from_public_key(key.public_key())
    built = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(subject)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(start)
        .not_valid_after(start + timedelta(days=days))
        .add_extension(x509.SubjectAlternativeName(entries), critical=False)
        # No authority: on a phone that trusts it, its key vouches for no other server.
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(x509.KeyUsage(digital_signature=True, **usage), critical=True)
        .add_extension(
            x509.ExtendedKeyUsage([x509.ExtendedKeyUsageOID.SERVER_AUTH]), critical=False
        )
        .add_extension(public, critical=False)
        .sign(key, hashes.SHA256())
    )
    return (
        built.public_bytes(serialization.Encoding.PEM),
        key.private_bytes(
            serialization.Encoding.PEM,
            serialization.PrivateFormat.PKCS8,
            serialization.NoEncryption(),
        ),
    )


def _put(folder: Path, files: tuple[Path, Path], pair: tuple[bytes, bytes]) -> None:
    """Write both, each whole or not at all. Raises OSError."""
    from api.store.private import give_to_owner, make_private

    make_private(folder)
    for file, content in zip(files, pair, strict=True):
        new = file.with_name(f"{file.name}.new")
        new.unlink(missing_ok=True)
        # As a new file, so that nobody has ever been able to read the key.
        with os.fdopen(os.open(new, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as out:
            out.write(content)
            out.flush()
            os.fsync(out.fileno())
        give_to_owner(new)
    # A server that reads the pair between these two keeps the one before for that moment.
    for file in files:
        file.with_name(f"{file.name}.new").replace(file)
