"""The report of a comparison: every figure on it stands in the study, and nothing is fetched."""

from __future__ import annotations

import base64
import json
import re
import subprocess
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pytest
from browsers import needed_chromium
from pypdf import PdfReader

from knee_angle import agreement as ag
from knee_angle.report.study_json import study_as_json
from knee_angle.report.study_methods import methods
from knee_angle.report.study_page import study_page
from knee_angle.report.study_plots import MOST_POINTS
from knee_angle.report.study_text import study_text
from knee_angle.report.study_words import (
    About,
    cautions,
    figures,
    number,
    subgroup_tables,
    summary,
)

ABOUT = About(
    table="table.csv",
    reference="flexion_deg",
    compared="displayed_deg",
    person=None,
    u_reference=None,
    missing="drop",
    version="0.1.0",
    made="2026-01-01",
)


def made(
    n: int = 40, *, gain: float = 1.0, bias: float = 2.0, persons: int | None = None
) -> ag.Study:
    rng = np.random.default_rng(1)
    x = rng.uniform(5, 115, n)
    y = bias + gain * x + rng.normal(0, 2, n)
    x[3] = np.nan
    names = [f"photo_{i:02d}.jpg" for i in range(n)]
    names[3] = "<b>odd</b>.jpg"
    pairs = ag.select_pairs(
        reference=x,
        compared=y,
        person=None if persons is None else [i % persons for i in range(n)],
        names=names,
        reasons=["no leg found" if i == 3 else None for i in range(n)],
        missing="drop",
        words=("flexion_deg", "displayed_deg"),
    )
    return ag.study_agreement(pairs, by={"ward": ["east", "west"] * (n // 2)})


@pytest.mark.parametrize(
    ("value", "interval", "said"),
    [
        pytest.param(1.234, (0.2, 2.3), ("+1.2°", "+0.2° to +2.3°"), id="a wide interval"),
        pytest.param(1.234, (1.1, 1.4), ("+1.23°", "+1.10° to +1.40°"), id="a narrow one"),
        pytest.param(-0.04, (-1.0, 0.9), ("0.0°", "\u22121.0° to +0.9°"), id="zero has no sign"),
        pytest.param(
            1.00523, (1.00512, 1.00534), ("+1.0052°", "+1.0051° to +1.0053°"), id="a sharp one"
        ),
    ],
)
def test_figures_have_the_decimals_that_their_interval_deserves(value, interval, said):
    assert number(ag.Estimate(value, interval), "°", sign=True) == said


def test_the_answer_stands_in_three_sentences():
    pairs = ag.select_pairs(reference=[30.0, 61, 88, 104], compared=[32.0, 64, 95, 112])
    assert summary(ag.study_agreement(pairs), ABOUT) == (
        "Over 4 pairs, the display reads on average 5.0° more than the knee (95 % +0.3° to +9.7°). "
        "A single difference is expected between \u22120.8° and +10.8° in 95 of 100 cases. "
        "Share of differences: 50 % within 5°, 100 % within 10°."
    )


@pytest.mark.parametrize(
    ("study", "about", "says"),
    [
        pytest.param(made(20), ABOUT, "Only 19 pairs", id="few pairs"),
        pytest.param(made(40), ABOUT, "name the column of their codes", id="no person column"),
        pytest.param(made(40, gain=1.1), ABOUT, "changes along the range", id="a trend"),
        pytest.param(made(40), ABOUT, "Among many subgroups", id="subgroups"),
        pytest.param(made(40), ABOUT, "not a medical device", id="always the project's caution"),
    ],
)
def test_cautions_stand_where_they_are_due(study, about, says):
    assert any(says in caution for caution in cautions(study, about))


def test_no_caution_of_few_pairs_or_trend_where_there_is_none():
    said = " ".join(cautions(made(200), ABOUT))
    assert "Only" not in said
    assert "changes along" not in said


@pytest.mark.parametrize(
    ("persons", "source", "interval"),
    [
        pytest.param(None, "Carkeet", "noncentral t", id="one pair a person"),
        pytest.param(8, "Zou", "MOVER", id="several pairs a person"),
    ],
)
def test_methods_tell_what_was_done_here_with_its_source(persons, source, interval):
    first = methods(made(40, persons=persons), ABOUT)[0]
    assert source in first.source
    assert interval in first.words


@pytest.mark.parametrize(
    ("compared", "said"),
    [
        pytest.param("displayed_deg", False, id="a display against a knee is no method's error"),
        pytest.param("goniometer_deg", True, id="two methods on one knee"),
    ],
)
def test_scatter_is_called_an_error_of_measurement_only_between_methods(compared, said):
    study, about = made(), replace(ABOUT, compared=compared)
    told = study_text(study, about) + study_page(study, about)
    assert ("SEM" in told) == said
    assert ("mallest detectable difference" in told) == said
    assert ("sem" in study_as_json(study, about)["limits"]) == said


def test_the_json_holds_the_studys_own_numbers_and_every_row_left_out():
    study = made()
    row = json.loads(json.dumps(study_as_json(study, ABOUT), allow_nan=False))
    assert row["limits"]["upper"]["value"] == pytest.approx(study.limits.upper.value, abs=1e-6)
    assert row["limits"]["upper"]["interval"] == pytest.approx(study.limits.upper.interval)
    assert row["icc"]["2,1"]["value"] == pytest.approx(study.icc.forms["2,1"].value, abs=1e-6)
    assert [group["label"] for group in row["subgroups"]] == ["east", "west"]
    assert row["excluded"] == [
        {"row": 4, "name": "<b>odd</b>.jpg", "reason": "flexion_deg is missing: no leg found"}
    ]


class Page(HTMLParser):
    """What a page refers to, and its text."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.addresses: list[str] = []
        self.tags: list[str] = []
        self.text = ""
        self.feed(html)

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        self.addresses += [v for k, v in attrs if k in {"src", "href", "srcset", "data"} and v]

    def handle_data(self, data):
        self.text += data

    @property
    def pictures(self) -> list[str]:
        heads = [a.split(",", 1) for a in self.addresses]
        return [base64.b64decode(body).decode() for _, body in heads]


def test_the_page_asks_nothing_of_the_network():
    html = study_page(made(), ABOUT)
    page = Page(html)
    assert page.addresses
    assert all(a.startswith("data:image/svg+xml;base64,") for a in page.addresses)
    assert not {"script", "link", "iframe", "object"} & set(page.tags)
    assert "default-src 'none'" in html
    assert "url(" not in html
    for svg in page.pictures:
        assert "<image" not in svg
        assert set(re.findall(r"https?://[^\"\s]+", svg)) <= {
            "http://www.w3.org/2000/svg",
            "http://www.w3.org/1999/xlink",
        }


def test_every_figure_caution_method_and_row_left_out_stands_on_the_page():
    study = made(persons=8)
    text = Page(study_page(study, ABOUT)).text
    for figure in figures(study, ABOUT):
        assert figure.value in text
        assert figure.interval in text
    for caution in cautions(study, ABOUT):
        assert caution in text
    for method in methods(study, ABOUT):
        assert method.source in text
    assert "<b>odd</b>.jpg" in text
    assert "flexion_deg is missing: no leg found" in text


def test_names_from_a_table_are_text_and_never_markup():
    assert "<b>odd" not in study_page(made(), ABOUT)


def test_a_plot_shows_the_limits_of_the_study():
    study = made()
    svg = Page(study_page(study, ABOUT)).pictures[0]
    for words, estimate in (
        ("upper limit", study.limits.upper),
        ("bias", study.limits.bias),
        ("lower limit", study.limits.lower),
    ):
        assert f"{words} {number(estimate, '°', sign=True)[0]}" in svg


def test_many_pairs_are_drawn_as_a_stated_sample_that_is_always_the_same():
    study = made(6000)
    html = study_page(study, ABOUT)
    page = Page(html)
    assert f"{MOST_POINTS:,} of 5,999 pairs are drawn, chosen at random (seed 1)" in page.text
    assert page.pictures[0].count("<circle") == MOST_POINTS
    assert html == study_page(study, ABOUT)


def test_a_long_list_of_rows_left_out_is_cut_on_the_page_and_says_so():
    x = np.full(5000, np.nan)
    x[:20] = np.arange(20)
    pairs = ag.select_pairs(reference=x, compared=np.arange(5000.0) % 21, missing="drop")
    study = ag.study_agreement(pairs)
    text = Page(study_page(study, ABOUT)).text
    assert "4,980 of 5,000 rows have no usable pair" in text
    assert "The first 1,000 are listed" in text
    assert "and 4,970 more" in study_text(study, ABOUT)


def test_figures_that_cannot_be_computed_say_why_on_the_page_too():
    pairs = ag.select_pairs(reference=[50.0] * 4, compared=[51.0, 52.0, 50.0, 53.0])
    study = ag.study_agreement(pairs, by={"ward": ["a", "a", "a", "b"]})
    html = Page(study_page(study, ABOUT)).text
    assert "reference and compared must vary together" in html
    assert "too few for an interval" in html
    assert "1 with fewer than 3 pairs or persons are not drawn" in html


def test_the_page_prints_on_paper(tmp_path):
    chromium = needed_chromium()
    page, pdf = tmp_path / "report.html", tmp_path / "report.pdf"
    page.write_text(study_page(made(persons=8), ABOUT), encoding="utf-8")
    subprocess.run(
        [chromium, "--headless", "--no-sandbox", "--disable-gpu", "--no-pdf-header-footer",
         f"--user-data-dir={tmp_path / 'profile'}", f"--print-to-pdf={pdf}", page.as_uri()],
        check=True, capture_output=True, timeout=120,
    )  # fmt: skip
    pages = PdfReader(pdf).pages
    text = " ".join(page.extract_text() for page in pages)
    assert len(pages) <= 5
    assert "Agreement of display and knee" in text
    assert "not a medical device" in text
    width, height = (float(x) for x in pages[0].mediabox[2:])
    assert (width, height) == pytest.approx((595, 842), abs=2)


def test_a_users_column_called_band_stands_apart_from_the_bands():
    x = np.arange(10.0, 90.0, 10.0)
    pairs = ag.select_pairs(reference=x, compared=x + np.arange(8) % 3)
    tables = subgroup_tables(ag.study_agreement(pairs, by={"band": list("aaaabbbb")}), ABOUT)
    assert {title: [row[0] for row in rows] for title, rows in tables.items()} == {
        "By band": ["a", "b"],
        "By knee, in bands": ["0 to 30°", "30 to 60°", "60 to 90°"],
    }
