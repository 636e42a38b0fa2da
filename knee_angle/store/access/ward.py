"""How a ward's page is to be served; what is refused before it starts.

Patients' photos go over the network: it starts only with sign-in, and with TLS of its own
or of a proxy that was named.
"""

from __future__ import annotations

import argparse
import ipaddress
import socket
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from urllib.parse import urlsplit

from knee_angle.errors import InvalidInput
from knee_angle.language import say
from knee_angle.store.access.signing_in import Access

__all__ = [
    "Provider",
    "Ward",
    "absolute",
    "arguments_of",
    "check_ward",
    "files_of",
    "from_arguments",
    "is_loopback",
]

EVERYWHERE = "0.0.0.0"  # noqa: S104  a ward's page serves the network; `check_ward` says when
ADMIN = "knee-angle accounts add NAME --role therapist"


@dataclass(frozen=True, slots=True)
class Provider:
    """The hospital's OpenID Connect provider.

    Parameters
    ----------
    issuer : str
        Its address, as it stands in what it signs.
    client : str
        What it calls this page.
    secret_file : Path
        Holds the secret that it gave this page.
    claim : str
        Which of its claims names the person; accounts have it as their subject.
    """

    issuer: str
    client: str
    secret_file: Path
    claim: str = "sub"


@dataclass(frozen=True, slots=True)
class Ward:
    """How the page is served to a network.

    Parameters
    ----------
    port : int
    address : str
        The address it listens on.
    names : tuple of str
        Under which names (``host`` or ``host:port``) browsers reach it; the first one
        stands in the code that phones scan. By default this computer's name.
    certificate, key : Path or None
        The hospital's, PEM; None: one is made here, or a proxy has it.
    proxy : str or None
        Address of the proxy in front of it, which does TLS; nobody else is answered.
    provider : Provider or None
    """

    port: int
    address: str = EVERYWHERE
    names: tuple[str, ...] = field(default_factory=lambda: (socket.gethostname(),))
    certificate: Path | None = None
    key: Path | None = None
    proxy: str | None = None
    provider: Provider | None = None

    @property
    def hosts(self) -> frozenset[str]:
        """The names alone, in small letters."""
        return frozenset(_host(name) for name in self.names)

    @property
    def url(self) -> str:
        """What a phone opens: the first name, with the port where it is no usual one."""
        name = self.names[0]
        own = self.proxy is None and self.port != 443 and urlsplit(f"//{name}").port is None
        return f"https://{name}:{self.port}" if own else f"https://{name}"


def arguments_of(ward: Ward) -> list[str]:
    """The server's command line; files are named in it, no secret stands there."""
    told = ["--ward", "--port", str(ward.port), "--address", ward.address]
    for name in ward.names:
        told += ["--name", name]
    given: dict[str, object] = {
        "--certificate": ward.certificate, "--key": ward.key, "--behind-proxy": ward.proxy,
    }  # fmt: skip
    if ward.provider is not None:
        given |= {
            "--oidc-issuer": ward.provider.issuer,
            "--oidc-client": ward.provider.client,
            "--oidc-secret-file": ward.provider.secret_file,
            "--oidc-claim": ward.provider.claim,
        }
    for option, value in given.items():
        if value is not None:
            told += [option, str(value)]
    return told


def absolute(ward: Ward) -> Ward:
    """The same with every file named whole, from whichever folder it is started."""
    provider = ward.provider
    if provider is not None:
        provider = replace(provider, secret_file=provider.secret_file.absolute())
    certificate, key = (one and one.absolute() for one in (ward.certificate, ward.key))
    return replace(ward, certificate=certificate, key=key, provider=provider)


def files_of(ward: Ward) -> list[Path]:
    """The files that its command line names."""
    secret = None if ward.provider is None else ward.provider.secret_file
    return [one for one in (ward.certificate, ward.key, secret) if one is not None]


def from_arguments(arguments: Sequence[str]) -> Ward:
    """What `arguments_of` told."""
    parser = argparse.ArgumentParser(prog="knee-angle page", allow_abbrev=False)
    parser.add_argument("--ward", action="store_true")
    parser.add_argument("--port", type=int, required=True)
    parser.add_argument("--address", required=True)
    parser.add_argument("--name", action="append", required=True)
    for option in ("--certificate", "--key", "--oidc-secret-file"):
        parser.add_argument(option, type=Path)
    for option in ("--behind-proxy", "--oidc-issuer", "--oidc-client", "--oidc-claim"):
        parser.add_argument(option)
    given = parser.parse_args(arguments)
    provider = None
    if given.oidc_issuer is not None:
        provider = Provider(
            given.oidc_issuer, given.oidc_client, given.oidc_secret_file, given.oidc_claim
        )
    return Ward(
        given.port,
        given.address,
        tuple(given.name),
        given.certificate,
        given.key,
        given.behind_proxy,
        provider,
    )


def check_ward(ward: Ward, access: Access | None) -> None:
    """Refuse to serve a network without sign-in and TLS.

    Raises
    ------
    InvalidInput
        What is missing, and what to do.
    """
    if (ward.certificate is None) != (ward.key is None):
        raise InvalidInput(say("--certificate and --key belong together: give both, or neither"))
    if ward.proxy is not None:
        _check_proxy(ward, ward.proxy)
    for name in ward.names:
        if not _host(name):
            raise InvalidInput(
                say(
                    "--name must be a host name such as ward.example or ward.example:8443, but "
                    "got {name!r}",
                    name=name,
                )
            )
    if ward.provider is not None:
        _check_provider(ward.provider)
    if access is None or not any(_can_sign_in(ward, access)):
        raise InvalidInput(
            say("nobody could sign in: make an account first (`{admin}`)", admin=ADMIN)
        )


def _can_sign_in(ward: Ward, access: Access) -> list[bool]:
    return [
        one.has_password or (ward.provider is not None and bool(one.subject))
        for one in access.accounts.all()
    ]


def _check_proxy(ward: Ward, proxy: str) -> None:
    try:
        ipaddress.ip_address(proxy)
    except ValueError:
        raise InvalidInput(
            say("--behind-proxy must be the proxy's IP address, but got {proxy!r}", proxy=proxy)
        ) from None
    if ward.certificate is not None:
        raise InvalidInput(
            say(
                "behind a proxy the certificate is the proxy's: leave out --certificate "
                "and --key, or --behind-proxy"
            )
        )
    if is_loopback(proxy) and not is_loopback(ward.address):
        raise InvalidInput(
            say(
                "the proxy is on this computer, but the page would listen on {address} "
                "without TLS: give --address 127.0.0.1",
                address=ward.address,
            )
        )


def _check_provider(provider: Provider) -> None:
    parts = urlsplit(provider.issuer)
    if parts.scheme != "https" and not is_loopback(parts.hostname or ""):
        raise InvalidInput(
            say(
                "--oidc-issuer must begin with https://, but got {issuer!r}", issuer=provider.issuer
            )
        )
    if not provider.secret_file.is_file():
        raise InvalidInput(
            say(
                "--oidc-secret-file {secret_file} is not there: write the secret that the "
                "provider gave this page into it, readable by its owner alone",
                secret_file=provider.secret_file,
            )
        )
    if provider.secret_file.stat().st_mode & 0o077:
        raise InvalidInput(
            say(
                "{secret_file} can be read by others: chmod 600 {secret_file}",
                secret_file=provider.secret_file,
            )
        )


def is_loopback(address: str) -> bool:
    """Whether an address is this computer's own.

    Examples
    --------
    >>> is_loopback("127.0.0.1"), is_loopback("0.0.0.0")
    (True, False)
    """
    try:
        return ipaddress.ip_address(address).is_loopback
    except ValueError:
        return address == "localhost"


def _host(name: str) -> str:
    try:
        parts = urlsplit(f"//{name}")
        host, _ = parts.hostname, parts.port
    except ValueError:
        return ""
    return host if host and parts.netloc == name and "@" not in name else ""
