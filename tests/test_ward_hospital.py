"""A hospital: two page servers on one PostgreSQL behind Caddy, and a provider that vouches."""

from __future__ import annotations

import os
import re
import secrets
import shutil
import subprocess
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import httpx2
import pytest
from serving import free_port
from warding import COOKIE, Browser, Served, ward, with_accounts

from knee_angle.page.ward.certificate import made_here

OIDC_PACKAGE = "oidc-provider@8.8.1"
HERE = Path(__file__).parent


def missing(what: str) -> None:
    (pytest.fail if os.environ.get("CI") else pytest.skip)(what)


@dataclass(frozen=True)
class Hospital:
    """Caddy's port, and the two servers behind it."""

    port: int
    first: Served
    second: Served

    @property
    def url(self) -> str:
        return f"https://localhost:{self.port}"


@pytest.fixture(scope="module")
def provider_package(request: pytest.FixtureRequest) -> Path:
    """Npm's oidc-provider, kept in pytest's cache."""
    folder = request.config.cache.mkdir("oidc-provider")
    if not (folder / "node_modules" / "oidc-provider").is_dir():
        if shutil.which("npm") is None:
            missing("npm is missing: install Debian's package npm")
        command = ["npm", "install", "--prefix", str(folder), "--no-audit", OIDC_PACKAGE]
        subprocess.run(command, check=True, capture_output=True, timeout=300)
    return folder


@pytest.fixture(scope="module")
def hospital(tmp_path_factory, postgres, provider_package) -> Iterator[Hospital]:
    if shutil.which("caddy") is None:
        missing("Caddy is missing: install Debian's package caddy")
    folder = tmp_path_factory.mktemp("hospital")
    store = postgres.fresh()
    with_accounts(store)
    front, oidc, ports = free_port(), free_port(), (free_port(), free_port())
    secret_file = folder / "secret"
    secret_file.touch(mode=0o600)
    secret_file.write_text(secrets.token_urlsafe(32))
    options = [
        "--name", f"localhost:{front}", "--behind-proxy", "127.0.0.1",
        "--oidc-issuer", f"http://127.0.0.1:{oidc}", "--oidc-client", "ward",
        "--oidc-secret-file", str(secret_file),
    ]  # fmt: skip
    back = f"https://localhost:{front}/ward/provider/back"
    vouching = [
        "node", str(HERE / "oidc_provider.mjs"), str(provider_package), str(oidc), back,
        secret_file.read_text(),
    ]  # fmt: skip
    with (
        ended(vouching, folder / "oidc.log"),
        ward(folder, ports[0], *options, store=store, secure=False) as first,
        ward(folder, ports[1], *options, store=store, secure=False) as second,
        ended(["caddy", "run", "--config", str(caddyfile(folder, front, ports))], folder / "caddy"),
    ):
        made = Hospital(front, first, second)
        made.first.access().accounts.add("vouched-1", role="therapist", subject="person 17")
        deadline = time.monotonic() + 60
        while not answers(made.url):
            assert time.monotonic() < deadline, (folder / "caddy").read_text()
            time.sleep(0.3)
        yield made
    for one in (first, second):
        assert "Traceback" not in one.log.read_text()


class ended:  # noqa: N801  reads as what it does
    """A program that runs while the block does."""

    def __init__(self, command: list[str], log: Path) -> None:
        self.command, self.log = command, log

    def __enter__(self) -> None:
        home = {**os.environ, "HOME": str(self.log.parent), "NODE_NO_WARNINGS": "1"}
        self.told = self.log.open("w")
        self.program = subprocess.Popen(
            self.command, stdout=self.told, stderr=self.told, env=home, cwd=self.log.parent
        )

    def __exit__(self, *_: object) -> None:
        self.program.terminate()
        self.program.wait(timeout=30)
        self.told.close()


def caddyfile(folder: Path, front: int, ports: tuple[int, int]) -> Path:
    """What the hospital's proxy needs to be told."""
    made = made_here(folder, hosts=["localhost"])
    path = folder / "Caddyfile"
    path.write_text(
        "{\n admin off\n auto_https off\n}\n"
        f"https://localhost:{front} {{\n"
        f" tls {made.certificate} {made.key}\n"
        f" reverse_proxy 127.0.0.1:{ports[0]} 127.0.0.1:{ports[1]} {{\n"
        "  lb_policy cookie\n }\n}\n"
    )
    return path


def client() -> httpx2.Client:
    return httpx2.Client(verify=False, follow_redirects=True, timeout=60)


def answers(url: str) -> bool:
    with client() as browser:
        try:
            return "Sign in" in browser.get(url).text
        except httpx2.HTTPError:
            return False


def vouched(browser: httpx2.Client, hospital: Hospital, login: str) -> httpx2.Response:
    """Go to the provider, sign in there, agree, and come back."""
    page = browser.get(f"{hospital.url}/ward/provider")
    for answer in ({"prompt": "login", "login": login, "password": "x"}, {"prompt": "consent"}):
        form = re.search(r'action="([^"]+)"', page.text)
        assert form is not None, page.text
        page = browser.post(form.group(1), data=answer)
    return page


def signed_in_as(browser: httpx2.Client, hospital: Hospital) -> str:
    secret = browser.cookies.get(COOKIE, default="")
    session = hospital.second.access().sessions.of(secret)
    return "nobody" if session is None else f"{session.account} {session.role} {session.way}"


def test_whom_the_provider_vouches_for_is_signed_in(hospital):
    with client() as browser:
        page = vouched(browser, hospital, "person 17")
        assert page.status_code == 200
        assert "<title>Knee angle</title>" in page.text
        assert signed_in_as(browser, hospital) == "vouched-1 therapist provider"
        assert browser.get(f"{hospital.url}/_stcore/health").text == "ok"


def test_whom_it_knows_and_we_do_not_stays_outside(hospital):
    with client() as browser:
        assert "this page does not" in vouched(browser, hospital, "person 18").text
        assert signed_in_as(browser, hospital) == "nobody"


@pytest.mark.parametrize("kind", ["no state", "made up", "another browser's", "said no"])
def test_a_way_back_that_nobody_began_leads_nowhere(hospital, kind):
    back = f"{hospital.url}/ward/provider/back"
    with client() as browser, client() as other:
        state = "made-up"
        if kind != "no state":
            begun = (other if kind == "another browser's" else browser).get(
                f"{hospital.url}/ward/provider", follow_redirects=False
            )
            if kind != "made up":
                state = re.search(r"[?&]state=([^&]+)", begun.headers["location"]).group(1)
        said = {"error": "access_denied"} if kind == "said no" else {"code": "made-up"}
        page = browser.get(back, params={**said, "state": state})
        assert page.status_code == 401
        assert "did not work" in page.text
        assert signed_in_as(browser, hospital) == "nobody"


def forwarded(hospital: Hospital, served: Served) -> Browser:
    """A browser whose requests come as the proxy hands them on."""
    return Through(Served(hospital.port, served.store, served.home, served.log), served.port)


class Through(Browser):
    """Straight to one of the servers, with what the proxy would have added."""

    def __init__(self, ward: Served, port: int) -> None:
        super().__init__(ward)
        self.port = port

    def _line(self):
        import http.client

        return http.client.HTTPConnection("127.0.0.1", self.port, timeout=60)

    def asks(self, path, *, method="GET", body=b"", **headers):
        given = {"X_Forwarded_Proto": "https", "X_Forwarded_For": "192.0.2.44", **headers}
        return super().asks(path, method=method, body=body, **given)


def test_who_is_signed_in_at_one_server_is_at_the_other_and_out_of_both(hospital):
    here, there = forwarded(hospital, hospital.first), forwarded(hospital, hospital.second)
    assert here.signs_in("therapist-1").status == 303
    there.cookies = here.cookies
    assert there.asks("/_stcore/health").text == "ok"
    session = hospital.first.access().sessions.of(here.cookies[COOKIE])
    code = hospital.first.access().pairing.offer(session)
    phone = forwarded(hospital, hospital.second)
    assert phone.posts("/ward/join", {"code": code}).status == 303
    assert forwarded(hospital, hospital.first).posts("/ward/join", {"code": code}).status == 401
    form = re.search(r'name="form" value="(\w+)"', here.asks("/ward/devices").text).group(1)
    assert here.posts("/ward/sign-out", {"form": form}).status == 303
    time.sleep(2.5)
    assert there.asks("/_stcore/health").status == 401


def test_only_the_proxys_word_counts_and_only_over_tls(hospital):
    browser = forwarded(hospital, hospital.first)
    assert browser.asks("/", X_Forwarded_Proto="http").status == 403
    assert browser.asks("/", X_Forwarded_Proto="").status == 403
    assert browser.asks("/", X_Forwarded_Proto="https, http").status == 403
    assert "strict-transport-security" in {k.lower() for k, _ in browser.asks("/").headers}
    browser.signs_in("therapist-1", "some wrong words")
    about = {line.about for line in hospital.first.access().store.audit(limit=3)}
    assert "sign-in from 192.0.2.44" in about


def test_what_a_browser_claims_to_be_forwarded_from_the_proxy_drops(hospital):
    with client() as browser:
        browser.post(
            f"{hospital.url}/ward/sign-in",
            data={"name": "therapist-1", "password": "some wrong words"},
            headers={"Origin": hospital.url, "X-Forwarded-For": "203.0.113.9"},
        )
    about = {line.about for line in hospital.first.access().store.audit(limit=3)}
    assert "sign-in from 127.0.0.1" in about
    assert "sign-in from 203.0.113.9" not in about


def test_a_web_socket_passes_the_proxy_with_a_session_alone(hospital):
    stranger = Browser(Served(hospital.port, "", HERE, HERE))
    assert stranger.upgrades().startswith("HTTP/1.1 403")
    stranger.signs_in("therapist-1")
    assert stranger.upgrades().startswith("HTTP/1.1 101")
