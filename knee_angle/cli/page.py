"""``knee-angle page``: the bedside page."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from knee_angle.cli.app import app
from knee_angle.errors import InvalidInput
from knee_angle.language import say

if TYPE_CHECKING:
    from knee_angle.store.access.ward import Ward

__all__ = ["page"]


Address = Annotated[
    str | None,
    typer.Option(help="The address it listens on.", show_default="127.0.0.1; with --ward 0.0.0.0"),
]
IsWard = Annotated[
    bool, typer.Option("--ward", help="Serve a network: with sign-in (`accounts`), TLS and roles.")
]
Names = Annotated[
    list[str] | None,
    typer.Option(
        help="Name, or name:port, under which browsers reach it; may be given several times. "
        "Phones open the first one.",
        show_default="this computer's name",
    ),
]
Certificate = Annotated[
    Path | None,
    typer.Option(help="The hospital's certificate (PEM, with its chain); else one is made."),
]
Key = Annotated[Path | None, typer.Option(help="Its key (PEM, no passphrase).")]
Proxy = Annotated[
    str | None, typer.Option(help="IP address of the proxy that does TLS in front of it.")
]
Issuer = Annotated[
    str | None, typer.Option(help="The hospital's OpenID Connect provider (https://...).")
]
Client = Annotated[str | None, typer.Option(help="What the provider calls this page.")]
SecretFile = Annotated[
    Path | None, typer.Option(help="File (mode 600) with the provider's secret for it.")
]
Claim = Annotated[
    str | None, typer.Option(help="The claim that accounts have as their subject (sub).")
]
Unit = Annotated[
    Path | None,
    typer.Option(
        help="Write a systemd unit and a container file for this call to a folder, and stop."
    ),
]


@app.command()
def page(
    port: Annotated[int, typer.Option(help="Port on this machine.", min=1, max=65535)] = 8501,
    address: Address = None,
    ward: IsWard = False,
    name: Names = None,
    certificate: Certificate = None,
    key: Key = None,
    behind_proxy: Proxy = None,
    oidc_issuer: Issuer = None,
    oidc_client: Client = None,
    oidc_secret_file: SecretFile = None,
    oidc_claim: Claim = None,
    write_unit: Unit = None,
) -> None:
    """Open the bedside page in a browser: on this machine only, or for a ward's network."""
    from knee_angle.cli.serving import ADDRESS, serve, serve_ward

    oidc = _provider(oidc_issuer, oidc_client, oidc_secret_file, oidc_claim)
    given: dict[str, Any] = {
        "--name": name, "--certificate": certificate, "--key": key,
        "--behind-proxy": behind_proxy, "--oidc-issuer": oidc, "--write-unit": write_unit,
    }  # fmt: skip
    if not ward:
        _only_with_ward(given)
        serve(port=port, address=ADDRESS if address is None else address)
    made = _ward(port, address, given)
    if write_unit is not None:
        _write_unit(write_unit, made)
        return
    serve_ward(made)


def _provider(
    issuer: str | None, client: str | None, secret: Path | None, claim: str | None
) -> Any:
    """The provider, where one was named whole."""
    if issuer is None and client is None and secret is None:
        if claim is not None:
            raise InvalidInput(say("--oidc-claim is of a provider: give --oidc-issuer too"))
        return None
    if issuer is None or client is None or secret is None:
        raise InvalidInput(
            say(
                "--oidc-issuer, --oidc-client and --oidc-secret-file belong together: give "
                "all three"
            )
        )
    from knee_angle.store.access.ward import Provider

    return Provider(issuer, client, secret, "sub" if claim is None else claim)


def _only_with_ward(given: dict[str, Any]) -> None:
    for option, value in given.items():
        if value is not None:
            raise InvalidInput(
                say("{option} is for a ward's page: add --ward, or leave it out", option=option)
            )


def _ward(port: int, address: str | None, given: dict[str, Any]) -> Ward:
    from knee_angle.store.access.ward import Ward

    optional: dict[str, Any] = {}
    if address is not None:
        optional["address"] = address
    if given["--name"]:
        optional["names"] = tuple(given["--name"])
    return Ward(
        port,
        certificate=given["--certificate"],
        key=given["--key"],
        proxy=given["--behind-proxy"],
        provider=given["--oidc-issuer"],
        **optional,
    )


def _write_unit(folder: Path, ward: Ward) -> None:
    from knee_angle.store.access.unit import write_units
    from knee_angle.store.access.ward import absolute, arguments_of, files_of

    ward = absolute(ward)  # a unit is not started in the folder where this was typed
    files = files_of(ward)
    for path in write_units(folder, ["page", *arguments_of(ward)], port=ward.port, files=files):
        print(path)
