"""Without any extra a photo is measured, judged and kept; what lacks a package names its extra."""

from __future__ import annotations

import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
from conftest import SAMPLES
from stores import SETTINGS, SHA, made_measurement
from typer.testing import CliRunner

from knee_angle.cli import app, main
from knee_angle.errors import InvalidInput
from knee_angle.files.extras import EXTRA_OF
from knee_angle.store import open_store

EXTRAS = tomllib.loads((Path(__file__).resolve().parents[1] / "pyproject.toml").read_text())[
    "project"
]["optional-dependencies"]
PHOTO, TABLE = str(SAMPLES / "bed_01.jpg"), str(SAMPLES / "displayed.csv")
WITHOUT = """
import sys
sys.modules.update(dict.fromkeys(sys.argv.pop(1).split(","), None))
from knee_angle.__main__ import main
main()
"""


def test_a_photo_is_measured_judged_kept_and_shown_without_any_extra(tmp_path):
    gone = ",".join([*EXTRA_OF, "pandas", "pydeck"])

    def run(*arguments: str) -> str:
        command = [sys.executable, "-c", WITHOUT, gone, *arguments]
        done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
        told = [line for line in done.stderr.splitlines() if "knee-angle: kept as " not in line]
        assert (done.returncode, told) == (0, [])
        return done.stdout

    store = ("--store", str(tmp_path / "ward.db"))
    with open_store(tmp_path / "ward.db") as opened:
        opened.add_person("P-017")
    kept = run("measure", PHOTO, "--displayed", "93", "--keep", "--person", "P-017", *store)
    assert "Within 10° (allowed): yes" in kept
    run("report", "visit", "visit.html", "--person", "P-017", *store)
    assert "</html>" in (tmp_path / "visit.html").read_text()


@pytest.mark.parametrize(
    ("package", "extra", "arguments"),
    [
        ("pyarrow", "tables", ["measure", PHOTO, "--table", TABLE]),
        ("pyarrow", "tables", ["batch", PHOTO, "--out", "study.csv"]),
        ("pyarrow", "tables", ["agreement", TABLE]),
        ("streamlit", "page", ["page"]),
        ("typst", "papers", ["report", "visit", "visit.pdf", "--person", "P-017"]),
    ],
)
def test_what_lacks_a_package_names_the_extra_that_brings_it(
    tmp_path, monkeypatch, package, extra, arguments
):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("KNEE_ANGLE_STORE", str(tmp_path / "ward.db"))
    with open_store() as store:
        store.add_person("P-017")
        store.save_measurement(
            made_measurement(), settings=SETTINGS, photo_sha256=SHA, person="P-017"
        )
    monkeypatch.setitem(sys.modules, package, None)
    error = CliRunner().invoke(app, arguments).exception
    assert isinstance(error, InvalidInput)
    assert str(error) == (
        f"this needs the package {package}, which is not installed: pip install "
        f"'knee-angle[{extra}]'"
    )


def test_a_package_that_is_first_missed_while_a_command_runs_is_told_too(
    tmp_path, monkeypatch, capsys
):
    with open_store(tmp_path / "ward.db") as store:
        store.add_person("P-017")
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    where = ["--store", str(tmp_path / "ward.db")]
    out = str(tmp_path / "a.parquet")
    monkeypatch.setattr(
        sys, "argv", ["knee-angle", "store", "export", out, "--format", "parquet", *where]
    )
    with pytest.raises(SystemExit) as ended:
        main()
    assert ended.value.code == 2
    assert capsys.readouterr().err.endswith("pip install 'knee-angle[tables]'\n")


def test_every_package_of_an_extra_that_is_named_belongs_to_it():
    for package, extra in EXTRA_OF.items():
        lines = " ".join(EXTRAS[extra]).lower().replace("-", "_")
        assert package in lines.replace("fhir.resources", "fhir") or package == "argon2", package
