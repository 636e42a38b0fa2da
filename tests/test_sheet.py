"""The printed sheets, measured in their own rendering."""

from __future__ import annotations

import io
from functools import lru_cache

import cv2
import numpy as np
import pypdfium2
import pytest
from numpy.typing import NDArray
from pypdf import PdfReader

from knee_angle import __version__
from knee_angle.errors import InvalidInput
from knee_angle.report.sheets import DOT_COLOURS, Paper, bar_sheet, dot_sheet, tag_sheet

DPI = 300
FINE_DPI = 500
"""The renderer fills whole pixels: 0.05 mm here."""
MM_PER_PX = 25.4 / DPI
PAPER_PT = {"a4": (595.28, 841.89), "letter": (612.0, 792.0)}

both_papers = pytest.mark.parametrize("paper", ["a4", "letter"])


@lru_cache(maxsize=2)
def rendered(pdf: bytes) -> NDArray[np.uint8]:
    """The page as RGB, read-only."""
    return _drawn(pdf, DPI, rev_byteorder=True)


@lru_cache(maxsize=2)
def finely(pdf: bytes) -> NDArray[np.uint8]:
    """The page in greys at `FINE_DPI`, read-only."""
    return _drawn(pdf, FINE_DPI, grayscale=True)


def _drawn(pdf: bytes, dpi: int, **how: bool) -> NDArray[np.uint8]:
    document = pypdfium2.PdfDocument(pdf)
    try:
        page = document[0].render(scale=dpi / 72, **how).to_numpy().copy().squeeze()
    finally:
        document.close()
    page.setflags(write=False)
    return np.asarray(page)


@lru_cache(maxsize=2)
def darkest(pdf: bytes) -> NDArray[np.uint8]:
    """The least of each pixel's three colours, read-only."""
    red, green, blue = cv2.split(rendered(pdf))
    least = np.minimum(np.minimum(red, green), blue)
    least.setflags(write=False)
    return least


def words(pdf: bytes) -> str:
    return " ".join(PdfReader(io.BytesIO(pdf)).pages[0].extract_text().split())


def found_tags(pdf: bytes) -> dict[int, NDArray[np.float64]]:
    """Tag number to its corners (4, 2) from the tag's own top left, clockwise, mm."""
    settings = cv2.aruco.DetectorParameters()
    settings.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    detector = cv2.aruco.ArucoDetector(
        cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11), settings
    )
    quads, numbers, _ = detector.detectMarkers(finely(pdf))
    assert numbers is not None
    return {
        int(number): (quad.reshape(4, 2) + 0.5) * 25.4 / FINE_DPI
        for number, quad in zip(np.ravel(numbers), quads, strict=True)
    }


def rule_ticks_mm(pdf: bytes) -> NDArray[np.float64]:
    """Places of the millimetre ticks along the page, from the row that has 101 of them."""
    mm_per_px = 25.4 / FINE_DPI
    dark = finely(pdf) < 160
    changes = dark[:, 1:] != dark[:, :-1]
    for row in changes[np.count_nonzero(changes, axis=1) == 202]:
        edges = np.flatnonzero(row)
        if np.all(np.diff(edges)[::2] < 8):
            return np.asarray(((edges[::2] + edges[1::2]) / 2 + 1) * mm_per_px)
    pytest.fail("no row of 101 ticks was found")


class TestTagSheet:
    @both_papers
    @pytest.mark.parametrize(
        ("tag_mm", "first_id"),
        [
            pytest.param(50.0, 0, id="the usual strip"),
            pytest.param(30.0, 8, id="smaller tags, later numbers"),
            pytest.param(52.3, 581, id="the largest on Letter, the last numbers"),
        ],
    )
    def test_tags_are_found_to_scale(self, paper: Paper, tag_mm: float, first_id: int) -> None:
        """Four tags, upright, in a row, of the size asked for, gaps of 8/50 of it."""
        tags = found_tags(tag_sheet(paper, tag_mm=tag_mm, first_id=first_id))
        assert sorted(tags) == list(range(first_id, first_id + 4))
        for place, number in enumerate(sorted(tags)):
            corners = tags[number]
            start = tags[first_id][0] + [place * 1.16 * tag_mm, 0.0]
            square = np.array([[0, 0], [tag_mm, 0], [tag_mm, tag_mm], [0, tag_mm]])
            np.testing.assert_allclose(corners, start + square, atol=0.1)

    @both_papers
    def test_white_around_the_strip(self, paper: Paper) -> None:
        """At least 8 mm around the row of tags are white."""
        pdf = tag_sheet(paper)
        corners = np.concatenate(list(found_tags(pdf).values()))
        page = darkest(pdf) < 200
        low = np.rint(corners.min(axis=0) / MM_PER_PX).astype(int)
        high = np.rint(corners.max(axis=0) / MM_PER_PX).astype(int)
        page[low[1] - 2 : high[1] + 2, low[0] - 2 : high[0] + 2] = False
        quiet = int(7.8 / MM_PER_PX)
        around = page[low[1] - quiet : high[1] + quiet, low[0] - quiet : high[0] + quiet]
        assert not around.any()

    @both_papers
    def test_page_lies_on_its_side(self, paper: Paper) -> None:
        """The strip is wider than Letter: the page is turned."""
        box = PdfReader(io.BytesIO(tag_sheet(paper))).pages[0].mediabox
        wide, high = PAPER_PT[paper]
        assert (float(box.width), float(box.height)) == pytest.approx((high, wide), abs=0.01)

    def test_numbers_and_steps_can_be_read(self) -> None:
        """Each tag's number is printed under it, with what to do."""
        text = words(tag_sheet("a4", first_id=310))
        for part in ("310", "313", "50 mm", "base rail", "rigid card", "parallel", "100 %"):
            assert part in text
        assert "Never cover a tag" in text

    @pytest.mark.parametrize(
        ("options", "message"),
        [
            pytest.param({"paper": "a5"}, "paper must be a4 or letter, but got 'a5'", id="paper"),
            pytest.param({"tag_mm": 19}, "tag_mm must be between 20 and 100 mm", id="small"),
            pytest.param({"tag_mm": 101}, "tag_mm must be between 20 and 100 mm", id="large"),
            pytest.param({"tag_mm": float("nan")}, "but got nan", id="no number"),
            pytest.param({"tag_mm": 60}, "tag_mm must be at most 56 on a4", id="too long for A4"),
            pytest.param(
                {"tag_mm": 55, "paper": "letter"},
                "tag_mm must be at most 52.3 on letter",
                id="too long for Letter",
            ),
            pytest.param({"first_id": -1}, "between 0 and 581, but got -1", id="below the first"),
            pytest.param(
                {"first_id": 582}, "585 and 586 belong to the bars", id="a number of the bars"
            ),
        ],
    )
    def test_impossible(self, options: dict[str, float | str], message: str) -> None:
        """What cannot be printed is refused, with the largest that can."""
        with pytest.raises(InvalidInput) as refused:
            tag_sheet(**options)  # type: ignore[arg-type]
        assert message in str(refused.value)

    @pytest.mark.parametrize(("paper", "tag_mm"), [("a4", 56.0), ("letter", 52.3)])
    def test_largest_that_is_named_fits(self, paper: Paper, tag_mm: float) -> None:
        """The size that the refusal names can be printed."""
        assert len(found_tags(tag_sheet(paper, tag_mm=tag_mm))) == 4


class TestBarSheet:
    @both_papers
    @pytest.mark.parametrize("tag_mm", [25.0, 40.0, 60.0])
    def test_the_two_tags_are_found_to_scale(self, paper: Paper, tag_mm: float) -> None:
        """The family's last two numbers, upright, side by side, of the size asked for."""
        tags = found_tags(bar_sheet(paper, tag_mm=tag_mm))
        assert sorted(tags) == [585, 586]
        square = np.array([[0, 0], [tag_mm, 0], [tag_mm, tag_mm], [0, tag_mm]])
        for corners in tags.values():
            np.testing.assert_allclose(corners, corners[0] + square, atol=0.1)
        assert tags[585][0, 1] == pytest.approx(tags[586][0, 1], abs=0.1)

    def test_marks_and_steps_can_be_read(self) -> None:
        """Which bar, which way along it, how far from the hinge, and that it stays."""
        text = words(bar_sheet())
        for part in ("THIGH bar 585", "LOWER LEG bar 586", "to the foot", "40 mm", "100 %"):
            assert part in text
        for part in ("middle line", "100 to 200 mm from the hinge", "machine stopped", "once"):
            assert part in text

    def test_white_is_kept_around_each_tag(self) -> None:
        """Five millimetres, more than a cell of the tag, but for the marks at the card's ends."""
        pdf = bar_sheet()
        page = darkest(pdf) < 200
        for corners in found_tags(pdf).values():
            low = np.rint(corners.min(axis=0) / MM_PER_PX).astype(int)
            high = np.rint(corners.max(axis=0) / MM_PER_PX).astype(int)
            around = page.copy()
            around[low[1] - 2 : high[1] + 2, low[0] - 2 : high[0] + 2] = False
            quiet = int(5.0 / MM_PER_PX)
            assert not around[
                low[1] - quiet : high[1] + quiet, low[0] - quiet : high[0] + quiet
            ].any()

    @pytest.mark.parametrize("tag_mm", [24.0, 61.0])
    def test_impossible(self, tag_mm: float) -> None:
        """What is too small to be seen or too large for a bar is refused."""
        with pytest.raises(InvalidInput, match="tag_mm must be between 25 and 60 mm"):
            bar_sheet(tag_mm=tag_mm)


class TestDotSheet:
    @both_papers
    @pytest.mark.parametrize(
        ("dot_mm", "colour"),
        [
            pytest.param(10.0, "green", id="small green"),
            pytest.param(16.0, "blue", id="usual blue"),
            pytest.param(25.0, "magenta", id="large magenta"),
            pytest.param(16.0, "black", id="usual black"),
        ],
    )
    def test_dots_are_to_scale(self, paper: Paper, dot_mm: float, colour: str) -> None:
        """Six columns of round dots, each of the diameter and colour asked for."""
        page = rendered(dot_sheet(paper, dot_mm=dot_mm, colour=colour))
        ink = 255 * np.array(DOT_COLOURS[colour])
        alike = cv2.inRange(page, np.floor(ink - 60) + 1, np.ceil(ink + 60) - 1)
        count, _, stats, centres = cv2.connectedComponentsWithStats(alike)
        high_px = stats[:, cv2.CC_STAT_HEIGHT]
        dots = [k for k in range(1, count) if high_px[k] > 8 / MM_PER_PX]
        columns = 1 + np.count_nonzero(np.diff(np.sort(centres[dots, 0])) > 5 / MM_PER_PX)
        assert columns == 6
        assert len(dots) % 6 == 0
        assert len(dots) >= 18
        sides = stats[dots][:, [cv2.CC_STAT_WIDTH, cv2.CC_STAT_HEIGHT]] * MM_PER_PX
        round_mm = 2 * np.sqrt(stats[dots, cv2.CC_STAT_AREA] / np.pi) * MM_PER_PX
        np.testing.assert_allclose(sides, dot_mm, atol=0.13)
        np.testing.assert_allclose(round_mm, dot_mm, atol=0.1)

    @both_papers
    def test_page_is_upright(self, paper: Paper) -> None:
        """The page has the paper's size."""
        box = PdfReader(io.BytesIO(dot_sheet(paper))).pages[0].mediabox
        assert (float(box.width), float(box.height)) == pytest.approx(PAPER_PT[paper], abs=0.01)

    def test_places_can_be_read(self) -> None:
        """Each column says where its dots go."""
        text = words(dot_sheet())
        for place in (
            "1 Hip",
            "greater trochanter",
            "2 Knee",
            "lateral femoral epicondyle",
            "3 Ankle",
            "lateral malleolus",
            "4 Thigh bar",
            "5 Hinge",
            "6 Lower-leg bar",
            "16 mm, green",
            "fibular head, foot lift",
        ):
            assert place in text

    @pytest.mark.parametrize(
        ("options", "message"),
        [
            pytest.param({"paper": "A4"}, "paper must be a4 or letter", id="paper"),
            pytest.param({"dot_mm": 9}, "dot_mm must be between 10 and 25 mm", id="small"),
            pytest.param({"dot_mm": 26}, "dot_mm must be between 10 and 25 mm", id="large"),
            pytest.param({"colour": "beige"}, "colour must be one of green, blue", id="colour"),
        ],
    )
    def test_impossible(self, options: dict[str, float | str], message: str) -> None:
        """What cannot be printed or found again is refused."""
        with pytest.raises(InvalidInput) as refused:
            dot_sheet(**options)  # type: ignore[arg-type]
        assert message in str(refused.value)


@pytest.fixture(
    scope="class",
    params=[
        pytest.param(tag_sheet("a4"), id="tags on A4"),
        pytest.param(tag_sheet("letter"), id="tags on Letter"),
        pytest.param(tag_sheet("a4", tag_mm=20), id="smallest tags"),
        pytest.param(tag_sheet("letter", tag_mm=52.3), id="largest tags on Letter"),
        pytest.param(bar_sheet("a4"), id="bar tags on A4"),
        pytest.param(bar_sheet("letter", tag_mm=60), id="largest bar tags on Letter"),
        pytest.param(bar_sheet("letter", tag_mm=25), id="smallest bar tags on Letter"),
        pytest.param(dot_sheet("a4"), id="dots on A4"),
        pytest.param(dot_sheet("letter"), id="dots on Letter"),
        pytest.param(dot_sheet("a4", dot_mm=10), id="smallest dots"),
        pytest.param(dot_sheet("letter", dot_mm=25, colour="blue"), id="largest dots"),
    ],
)
def pdf(request: pytest.FixtureRequest) -> bytes:
    """Each sheet in turn through all tests of a class, so that its page is drawn once."""
    sheet: bytes = request.param
    return sheet


class TestEverySheet:
    def test_rule(self, pdf: bytes) -> None:
        """The rule is 100 mm long with a tick at every millimetre."""
        ticks = rule_ticks_mm(pdf)
        np.testing.assert_allclose(ticks - ticks[0], np.arange(101), atol=0.1)

    def test_caution_and_version(self, pdf: bytes) -> None:
        """Who may rely on it, and what printed it, stand on every sheet."""
        text = words(pdf)
        assert "Measurement support for licensed staff. The prescription and local" in text
        assert f"knee_angle {__version__}" in text

    def test_nothing_is_printed_over_the_edge(self, pdf: bytes) -> None:
        """One page, 9 mm of its edge left white, and lines of text never overlap."""
        reader = PdfReader(io.BytesIO(pdf))
        assert len(reader.pages) == 1
        page = darkest(pdf) < 250
        edge = int(9 / MM_PER_PX)
        page[edge:-edge, edge:-edge] = False
        assert not page.any()

    def test_steps_end_above_the_foot(self, pdf: bytes) -> None:
        """The foot line has 2 mm of white above it."""
        page = darkest(pdf) < 250
        margin = int(16 / MM_PER_PX)
        foot = max(np.flatnonzero(page[:, margin:-margin].all(axis=1)))
        lines = page[foot - int(2.5 / MM_PER_PX) : foot - 4]
        assert not lines.any()

    def test_same_arguments_same_bytes(self) -> None:
        """A sheet can be compared and kept by its hash."""
        assert tag_sheet("a4") == tag_sheet("a4")
        assert dot_sheet("letter") == dot_sheet("letter")
        assert tag_sheet("a4") != tag_sheet("a4", first_id=4)

    def test_viewers_are_asked_not_to_scale(self) -> None:
        """The print dialogue starts at actual size."""
        wishes = PdfReader(io.BytesIO(tag_sheet())).viewer_preferences
        assert wishes is not None
        assert wishes.get("/PrintScaling") == "/None"
