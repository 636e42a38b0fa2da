"""What a millimetre does to the knee: the table, and the picture drawn from it."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import numpy as np
import pytest
from called import called

from knee_angle.machine.sliding import Sensitivity, fit_part_deg, sensitivity
from knee_angle.report.sensitivity import SETTINGS, sensitivity_svg

RESULT = sensitivity(low_deg=0, high_deg=110, support_mm=250, distal_mm=20)
COLOURS = [colour for colour, _ in SETTINGS.values()]
SVG = "{http://www.w3.org/2000/svg}"


def drawn(result: Sensitivity) -> ElementTree.Element:
    # Our own text, not a stranger's.
    return ElementTree.fromstring(  # noqa: S314
        sensitivity_svg(result, support_mm=250, place=(20, 0))
    )


def lines(result: Sensitivity) -> list[np.ndarray]:
    """Points (n, 2) of the three lines, px."""
    found = [
        np.array(re.findall(r"(-?[\d.]+),(-?[\d.]+)", line.get("points")), dtype=float)
        for line in drawn(result).iter(f"{SVG}polyline")
        if line.get("stroke") in COLOURS
    ]
    assert len(found) == 3
    return found


def test_the_picture_shows_the_results_own_numbers():
    """One px per value for all three lines: each is a straight line against its numbers."""
    values = (RESULT.per_distal_deg_mm, RESULT.per_anterior_deg_mm, RESULT.per_support_deg_mm)
    shown, wanted = np.concatenate([p[:, 1] for p in lines(RESULT)]), np.concatenate(values)
    slope, level = np.polyfit(wanted, shown, 1)
    assert slope < 0
    assert (shown - level) / slope == pytest.approx(wanted, abs=0.001)
    for points in lines(RESULT):
        assert np.all(np.diff(points[:, 0]) > 0)


def test_the_numbers_are_those_of_the_published_table():
    """A distal hinge, L = 250 mm: about 0.23 degrees per mm at 90 (computed by the project)."""
    at_90 = int(np.argmin(np.abs(RESULT.frame_deg - 90)))
    assert RESULT.per_distal_deg_mm[at_90] == pytest.approx(0.23, abs=0.005)
    step = [
        fit_part_deg(RESULT.frame_deg[at_90], distal_mm=d, anterior_mm=0, support_mm=250)
        for d in (19.5, 20.5)
    ]
    assert RESULT.per_distal_deg_mm[at_90] == pytest.approx(float(step[1] - step[0]), abs=1e-5)


@pytest.mark.parametrize(
    "result",
    [
        pytest.param(RESULT, id="the usual range"),
        pytest.param(sensitivity(low_deg=-10, high_deg=20, support_mm=250), id="near extension"),
        pytest.param(
            sensitivity(low_deg=60, high_deg=120, support_mm=400, distal_mm=-60, anterior_mm=50),
            id="a hinge far off",
        ),
    ],
)
def test_the_lines_names_stand_apart_at_their_ends(result):
    picture = drawn(result)
    names = {t.text: t.get("y") for t in picture.iter(f"{SVG}text") if t.text in SETTINGS}
    heights = sorted(float(place) for place in names.values())
    assert len(names) == 3
    assert np.all(np.diff(heights) >= 18)


def test_the_picture_stands_alone_and_never_by_colour_only():
    text = sensitivity_svg(RESULT, support_mm=250, place=(20, 0))
    assert "href" not in text
    dashes = re.findall(r'stroke-dasharray="([^"]*)"', text)
    assert len(set(dashes)) >= 3
    assert "adjust only with the machine stopped" in text


def test_the_command_prints_the_table_and_writes_the_picture(tmp_path):
    out = tmp_path / "mm.svg"
    done = called("sensitivity", out, "--support-mm", 250, "--high", 90)
    assert done.returncode == 0
    assert re.search(r"90°\s+\+4\.6°\s+\+0\.230", done.stdout)
    assert out.read_text().startswith("<svg")


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (("--low", 50, "--high", 50), "low_deg must be below high_deg"),
        (("--distal-mm", 400), "must be shorter than support_mm"),
        (("--support-mm", 25), "--support-mm must be between 50 and 600 mm"),
    ],
)
def test_what_cannot_be_is_one_line(options, message):
    done = called("sensitivity", *options)
    assert done.returncode == 2
    assert message in done.stderr
    assert len(done.stderr.splitlines()) == 1
