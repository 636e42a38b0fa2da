"""The certificate for TLS: the hospital's looked at before it is used, or one made here."""

from __future__ import annotations

import ipaddress
import ssl
from collections.abc import Collection
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import ExtendedKeyUsageOID, NameOID

from knee_angle.errors import InvalidInput
from knee_angle.files import write_whole
from knee_angle.language import say

__all__ = ["Certificate", "given", "made_here"]

LASTS = timedelta(days=397)
"""Browsers take no longer-lived ones (398 days; CA/Browser Forum rules, from memory)."""
RENEWED_BEFORE = timedelta(days=30)


@dataclass(frozen=True, slots=True)
class Certificate:
    """Files for TLS, and what a phone shows of them."""

    certificate: Path
    key: Path
    fingerprint: str
    ends_at: datetime


def given(certificate: Path, key: Path, *, hosts: Collection[str]) -> Certificate:
    """The hospital's files, where they fit each other, the names and the day.

    Raises
    ------
    InvalidInput
        What does not fit.
    """
    for file in (certificate, key):
        if not file.is_file():
            raise InvalidInput(
                say("{file} is not there: --certificate and --key are PEM files", file=file)
            )
    try:
        ssl.create_default_context(ssl.Purpose.CLIENT_AUTH).load_cert_chain(certificate, key)
        read = x509.load_pem_x509_certificate(certificate.read_bytes())
    except (OSError, ValueError) as error:  # ssl.SSLError is an OSError
        raise InvalidInput(
            say(
                "--certificate {certificate} and --key {key} cannot be used ({error}): "
                "give the PEM files of one certificate, its key without a passphrase",
                certificate=certificate,
                key=key,
                error=error,
            )
        ) from None
    if read.not_valid_after_utc <= datetime.now(UTC):
        raise InvalidInput(
            say(
                "--certificate {certificate} ended on {not_valid_after_utc:%Y-%m-%d}: renew it",
                certificate=certificate,
                not_valid_after_utc=read.not_valid_after_utc,
            )
        )
    lacking = sorted(host for host in hosts if not _is_for(read, host))
    if lacking:
        raise InvalidInput(
            say(
                "--certificate {certificate} is not for {lacking}: give --name with a name "
                "that stands in it",
                certificate=certificate,
                lacking=", ".join(lacking),
            )
        )
    return _told(read, certificate, key)


def made_here(folder: Path, *, hosts: Collection[str]) -> Certificate:
    """A self-signed certificate for these names, kept until it nears its end.

    Raises
    ------
    InvalidInput
        The folder cannot be written.
    """
    certificate, key = folder / "ward-certificate.pem", folder / "ward-key.pem"
    try:
        read = _read(certificate) if key.is_file() else None
        if read is not None:
            fresh = read.not_valid_after_utc - RENEWED_BEFORE > datetime.now(UTC)
            if fresh and all(_is_for(read, host) for host in hosts):
                return _told(read, certificate, key)
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        own = ec.generate_private_key(ec.SECP256R1())
        read = _signed(own, sorted(hosts))
        write_whole(key, _pem(own))
        write_whole(certificate, read.public_bytes(serialization.Encoding.PEM))
    except OSError as error:
        raise InvalidInput(
            say(
                "no certificate can be made in {folder} ({error}): give --certificate and "
                "--key, or the right to write there",
                folder=folder,
                error=error.strerror,
            )
        ) from None
    return _told(read, certificate, key)


def _read(certificate: Path) -> x509.Certificate | None:
    """The certificate that was made before; None where there is none or it is damaged."""
    try:
        return x509.load_pem_x509_certificate(certificate.read_bytes())
    except (FileNotFoundError, ValueError):
        return None


def _signed(own: ec.EllipticCurvePrivateKey, hosts: list[str]) -> x509.Certificate:
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "knee-angle page")])
    now = datetime.now(UTC)
    return (
        x509.CertificateBuilder()
        .subject_name(name)
        .issuer_name(name)
        .public_key(own.public_key())
        .serial_number(x509.random_serial_number())
        .not_valid_before(now - timedelta(hours=1))
        .not_valid_after(now + LASTS)
        .add_extension(x509.SubjectAlternativeName([_general(h) for h in hosts]), critical=False)
        .add_extension(x509.BasicConstraints(ca=False, path_length=None), critical=True)
        .add_extension(x509.ExtendedKeyUsage([ExtendedKeyUsageOID.SERVER_AUTH]), critical=False)
        .sign(own, hashes.SHA256())
    )


def _pem(own: ec.EllipticCurvePrivateKey) -> bytes:
    return own.private_bytes(
        serialization.Encoding.PEM,
        serialization.PrivateFormat.PKCS8,
        serialization.NoEncryption(),
    )


def _general(host: str) -> x509.GeneralName:
    try:
        return x509.IPAddress(ipaddress.ip_address(host))
    except ValueError:
        return x509.DNSName(host)


def _is_for(read: x509.Certificate, host: str) -> bool:
    try:
        names = read.extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    except x509.ExtensionNotFound:
        return False
    wanted = _general(host)
    if isinstance(wanted, x509.IPAddress):
        return wanted.value in names.get_values_for_type(x509.IPAddress)
    dns = {one.lower() for one in names.get_values_for_type(x509.DNSName)}
    return host in dns or "*." + host.partition(".")[2] in dns


def _told(read: x509.Certificate, certificate: Path, key: Path) -> Certificate:
    digest = read.fingerprint(hashes.SHA256()).hex().upper()
    fingerprint = ":".join(digest[i : i + 2] for i in range(0, len(digest), 2))
    return Certificate(certificate, key, fingerprint, read.not_valid_after_utc)
