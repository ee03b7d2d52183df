"""dryhold access set | certificate"""

import argparse
import getpass
import ipaddress
import socket
import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from edge.errors import AccessError
from web import access

if TYPE_CHECKING:
    from cryptography import x509

CERTIFICATE, KEY = "page.crt", "page.key"
GOOD_FOR_DAYS = 3653


def arguments(parser: argparse.ArgumentParser) -> None:
    words = parser.add_subparsers(dest="word", required=True, metavar="WORD")
    code = words.add_parser(
        "set", help="set the code of the technician's side of the page, or for reading it"
    )
    code.add_argument(
        "--reader",
        action="store_true",
        help='the code for reading, where the settings say reading = "code"',
    )
    made = words.add_parser(
        "certificate", help="make a key and a certificate of the page's own, for TLS"
    )
    made.add_argument(
        "--name",
        action="append",
        metavar="NAME",
        help="a name or address by which the page is reached; may be repeated"
        " (default: this machine's name)",
    )
    for parser_ in (code, made):
        parser_.add_argument("--state", type=Path, required=True, metavar="DIR")


def run(args: argparse.Namespace) -> int:
    if args.word == "certificate":
        return _certificate(args)
    access.set_code(args.state, _asked(), reader=args.reader)
    print("The code is set. Whoever was signed in with the old one is signed out.")
    return 0


def _asked() -> str:
    """The code, typed twice at a terminal, or the first line of what is piped in."""
    if not sys.stdin.isatty():
        return sys.stdin.readline().rstrip("\r\n")
    code = getpass.getpass(f"New access code, at least {access.SHORTEST} characters: ")
    wrong = access.faults(code)
    if wrong is not None:
        raise AccessError(f"the code: {wrong}")
    if getpass.getpass("Once more: ") != code:
        raise AccessError("the code: expected the same twice, found two different ones")
    return code


def _certificate(args: argparse.Namespace) -> int:
    names = args.name or [socket.gethostname(), f"{socket.gethostname()}.local"]
    certificate, key = self_signed(names, time.time())
    folder = args.state.resolve()
    access.keep_private(folder / KEY, key)
    access.keep_private(folder / CERTIFICATE, certificate)
    print(
        f"""Made for {", ".join(names)}. Put this into the settings and restart the page:

[page]
certificate = "{folder / CERTIFICATE}"
key = "{folder / KEY}"

Browsers warn of it until each device has been told to trust it."""
    )
    return 0


def self_signed(names: list[str], now: float) -> tuple[bytes, bytes]:
    """Certificate and key, PEM, for those names and addresses, good for ten years."""
    from cryptography import x509
    from cryptography.hazmat.primitives import hashes, serialization
    from cryptography.hazmat.primitives.asymmetric import ec
    from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

    key = ec.generate_private_key(ec.SECP256R1())
    try:
        subject = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, names[0])])
        told = x509.SubjectAlternativeName([_general(name) for name in names])
    except ValueError as error:
        raise AccessError(f"--name: expected a name or an address, found: {error}") from error
    began = datetime.fromtimestamp(now, UTC) - timedelta(days=1)
    built = (
        x509.CertificateBuilder()
        .subject_name(subject)
        .issuer_name(subject)
        .public_key(key.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(began)
        .not_valid_after(began + timedelta(days=GOOD_FOR_DAYS))
        .add_extension(told, critical=False)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
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


def _general(name: str) -> "x509.GeneralName":
    """A name in a certificate: an address where it is one."""
    from cryptography import x509

    try:
        return x509.IPAddress(ipaddress.ip_address(name))
    except ValueError:
        return x509.DNSName(name)
