"""What a comparison's report tells a paper: flow, items of GRRAS and STARD, methods to paste."""

from __future__ import annotations

import hashlib
import json
import re
from importlib import resources
from pathlib import Path

import pytest
from typer.testing import CliRunner

from knee_angle import __version__
from knee_angle.batch.versions import versions_of
from knee_angle.cli import app
from knee_angle.report.reporting import GRRAS, STARD

CARD = (resources.files("knee_angle.landmarks") / "weights" / "leg.json").read_bytes()
WEIGHTS = json.loads(CARD)["sha256"]


@pytest.fixture(scope="module")
def told(tmp_path_factory) -> tuple[dict, str]:
    """The report as JSON and as a page."""
    folder = tmp_path_factory.mktemp("study")
    return report(table_in(folder), folder)


def table_in(tmp_path: Path) -> Path:
    """Twelve photos: one not measured, two without a displayed number, one without a person."""
    lines = ["photo,person,flexion_deg,displayed_deg,reason"]
    for n in range(12):
        knee = "" if n == 3 else f"{20 + 5 * n}"
        shown = "" if n in (5, 6) else f"{22 + 5 * n + n % 3}"
        person = "" if n == 8 else f"P-{n // 2}"
        reason = "no leg was found: step back" if n == 3 else ""
        lines.append(f"p{n}.jpg,{person},{knee},{shown},{reason}")
    path = tmp_path / "study.csv"
    path.write_text("\n".join(lines) + "\n")
    return path


def report(table: Path, tmp_path: Path, *more: str) -> tuple[dict, str]:
    page = tmp_path / "r.html"
    call = ["agreement", str(table), "--person", "person", "--missing", "drop", *more]
    done = CliRunner().invoke(app, [*call, "--html", str(page), "--format", "json"])
    assert done.exit_code == 0, done.output
    return json.loads(done.stdout), page.read_text()


def test_the_page_is_german_where_that_is_asked_for(tmp_path):
    _, page = report(table_in(tmp_path), tmp_path, "--language", "de")
    text = re.sub(r"<style>.*?</style>|<[^>]*>", " ", page, flags=re.DOTALL)
    for told in ("Bevor Sie diese Zahlen benutzen", "Methoden, zum Übernehmen", "weggelassen: ",
                 "ausgewertete Paare", "Teilnehmende", "selbst zu schreiben"):  # fmt: skip
        assert told in text
    left = re.findall(r"\b(?:the|were|each|pairs|rows|persons|intervals?)\b", text)
    assert left == []
    assert '<html lang="de">' in page


def test_the_flow_goes_from_the_table_s_rows_to_the_pairs(told):
    row, page = told
    assert [(step["step"], step["rows"]) for step in row["flow"]] == [
        ("rows in the table", 12),
        ("left out: displayed_deg is missing", 2),
        ("left out: flexion_deg is missing", 1),
        ("left out: the person is missing", 1),
        ("pairs analysed", 8),
        ("persons", 6),
    ]
    assert all(step["step"] in page for step in row["flow"])


def test_the_page_has_every_item_with_its_number(told):
    _, page = told
    for item in (*GRRAS, *STARD):
        assert f'<tr><th scope="row">{item.number}</th><td>{item.section}</td>' in page
    assert "8 pairs analysed, 6 persons" in page


def test_methods_name_versions_and_weights_word_for_word(told):
    row, page = told
    measured, compared = row["methods"]
    assert f"knee_angle {__version__}" in measured
    assert WEIGHTS[:16] in measured
    assert "Bland JM, Altman DG" in compared
    assert "left out and listed" in compared
    for paragraph in row["methods"]:
        assert paragraph.replace("'", "&#39;") in page


def test_columns_that_are_not_ours_have_no_paragraph_of_measurement(tmp_path):
    path = tmp_path / "t.csv"
    path.write_text("a,b\n" + "".join(f"{n},{n + n % 3}\n" for n in range(9)))
    call = ["agreement", str(path), "--reference", "a", "--compared", "b", "--format", "json"]
    row = json.loads(CliRunner().invoke(app, call).stdout)
    assert len(row["methods"]) == 1


@pytest.mark.parametrize(
    ("record", "software", "weights"),
    [
        pytest.param(None, __version__, WEIGHTS, id="no record: this machine"),
        pytest.param("{", __version__, WEIGHTS, id="a torn record: this machine"),
        pytest.param(
            {"knee-angle": "0.0.9", "leg network": hashlib.sha256(CARD).hexdigest()},
            "0.0.9", WEIGHTS, id="a batch's own version",
        ),
        pytest.param(
            {"knee-angle": "0.0.9", "leg network": "ab" * 32},
            "0.0.9", "of the card " + "ab" * 32, id="other weights",
        ),
    ],
)  # fmt: skip
def test_what_measured_is_what_the_batch_wrote_down(record, software, weights, tmp_path):
    if record is not None:
        text = record if isinstance(record, str) else json.dumps({"versions": record})
        (tmp_path / "study.run.json").write_text(text)
    found = versions_of(tmp_path / "study.parquet")
    assert (found.software, found.weights) == (software, weights)
