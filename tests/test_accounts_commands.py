"""``knee-angle accounts``, and what starts a ward's page with its computer."""

from __future__ import annotations

import configparser
import json
import re
import shlex
from pathlib import Path

import pytest
from argon2 import PasswordHasher
from typer.testing import CliRunner

from knee_angle.cli.app import app
from knee_angle.errors import InvalidInput
from knee_angle.store import open_store
from knee_angle.store.access import passwords
from knee_angle.store.access.unit import FILES
from knee_angle.store.access.ward import from_arguments

RIGHT = "several words with spaces"


@pytest.fixture(autouse=True)
def place(tmp_path, monkeypatch):
    monkeypatch.setenv("KNEE_ANGLE_STORE", str(tmp_path / "ward.db"))
    hasher = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
    monkeypatch.setattr(passwords, "_hasher", lambda: hasher)


def run(*arguments: str, typed: str = "") -> str:
    done = CliRunner().invoke(app, ["accounts", *arguments], input=typed)
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        raise done.exception
    return done.output


def add(name: str, role: str) -> str:
    return run("add", name, "--role", role, "--password-file", "-", typed=f"{RIGHT}\n")


def test_accounts_are_made_listed_changed_and_removed():
    assert add("therapist-1", "therapist") == "therapist-1: therapist\n"
    run("add", "vouched-1", "--role", "auditor", "--subject", "person 17")
    assert run("list").split() == [
        "therapist-1", "therapist", "password", "vouched-1", "auditor", "provider",
    ]  # fmt: skip
    run("role", "therapist-1", "researcher")
    assert "researcher" in run("list")
    run("password", "therapist-1", "--password-file", "-", typed="some other words here\n")
    run("remove", "vouched-1")
    assert "vouched-1" not in run("list")


def test_a_password_is_asked_for_twice_and_never_shown():
    told = run("add", "auditor-1", "--role", "auditor", typed=f"{RIGHT}\n{RIGHT}\n")
    assert "auditor-1: auditor" in told
    assert RIGHT not in told


def test_whoever_did_it_at_the_computer_stands_in_the_trail():
    add("therapist-1", "therapist")
    with open_store(create=False) as store:
        (line,) = store.audit()
    assert (line.what, line.about) == ("account: therapist", "therapist-1")
    assert line.who != "not signed in"


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["role", "nobody-1", "admin"], "there is no account nobody-1"),
        (["end", "0123"], "there is no session '0123'"),
        (["password", "therapist-1", "--password-file", "none.txt"], "cannot be read"),
    ],
)
def test_a_wrong_call_says_what_to_do(arguments, said):
    add("therapist-1", "therapist")
    with pytest.raises(InvalidInput, match=re.escape(said)):
        run(*arguments)


# What starts it with the computer

CALL = ["page", "--ward", "--name", "ward.example", "--port", "8443", "--behind-proxy", "192.0.2.2"]


def test_the_unit_and_the_container_start_the_call_that_was_typed(tmp_path):
    folder = tmp_path / "units"
    done = CliRunner().invoke(app, [*CALL, "--write-unit", str(folder)])
    assert done.exit_code == 0, done.output
    assert done.output.split() == [str(folder / name) for name in FILES.values()]
    unit = configparser.ConfigParser(strict=False, interpolation=None)
    unit.optionxform = str
    unit.read(folder / "knee-angle.service")
    started = shlex.split(unit["Service"]["ExecStart"])
    assert started[1:4] == ["-m", "knee_angle", "page"]
    ward = from_arguments(started[4:])
    assert (ward.port, ward.names, ward.proxy) == (8443, ("ward.example",), "192.0.2.2")
    assert unit["Service"]["NoNewPrivileges"] == "yes"
    container = (folder / "Containerfile").read_text()
    command = json.loads(re.search(r"^CMD (.*)$", container, re.MULTILINE).group(1))
    assert command[:2] == ["knee-angle", "page"]
    assert from_arguments(command[2:]) == ward
    assert "USER knee-angle" in container
    assert "EXPOSE 8443" in container
    assert "@" not in re.sub(r"#.*", "", container + (folder / "knee-angle.service").read_text())


def test_files_are_named_whole_as_a_unit_starts_elsewhere(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    for name in ("ward.pem", "ward.key"):
        Path(name).touch()
    call = [*CALL[:-2], "--certificate", "ward.pem", "--key", "ward.key"]
    CliRunner().invoke(app, [*call, "--write-unit", "units"], catch_exceptions=False)
    unit, container = (Path("units", name).read_text() for name in FILES.values())
    for text in (unit, container):
        assert str(tmp_path / "ward.pem") in text
        assert str(tmp_path / "ward.key") in text
    assert f"-v {tmp_path / 'ward.pem'}:{tmp_path / 'ward.pem'}:ro" in container


def test_the_trail_says_who_did_what_and_is_asked_by_account_and_code():
    add("therapist-1", "therapist")
    with open_store() as store:
        store.add_person("P-017")
        store.as_user("therapist-1").note("saw", "P-017")
    first, second, third = run("trail").splitlines()
    assert ("saw" in first, "added to people" in second, "account" in third) == (True,) * 3
    assert run("trail", "--who", "therapist-1").splitlines() == [first]
    assert run("trail", "--about", "p-017").splitlines() == [first, second]
    assert run("trail", "--limit", "1").splitlines() == [first]


def test_a_unit_that_is_there_is_not_replaced(tmp_path):
    for _ in range(2):
        done = CliRunner().invoke(app, [*CALL, "--write-unit", str(tmp_path)])
    assert isinstance(done.exception, InvalidInput)
    assert "was not written (File exists)" in str(done.exception)
