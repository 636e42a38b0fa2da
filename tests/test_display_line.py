"""Numbers read off a display: characters to numbers, numbers to one that may be used, or none."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from stores import SHA, made_measurement

from knee_angle.photo.display import told
from knee_angle.photo.display.choose import chosen
from knee_angle.photo.display.decode import texts_of
from knee_angle.photo.display.find import FoundLine
from knee_angle.photo.display.line import CHARACTERS, NOTHING, SEGMENT_NEIGHBOURS, said
from knee_angle.photo.display.networks import Weighing
from knee_angle.photo.display.read import LineRead, as_seen, read_texts
from knee_angle.photo.display.rectify import CROP_SIZE, LineBox, box_of, straightened
from knee_angle.records import Displayed, NotMeasured
from knee_angle.records.shown import DisplaySeen, NumberSeen
from knee_angle.report.answer_text import answer_text
from knee_angle.settings import Settings

BOX = LineBox((100.0, 50.0), (30.0, 0.0), (0.0, 10.0))
PRIOR = Settings()


@pytest.mark.parametrize(
    ("text", "number", "kind"),
    [
        pytest.param("93°", 93.0, "angle", id="with its degree mark it is an angle"),
        pytest.param("-5°", -5.0, "angle", id="hyperextension"),
        pytest.param("123.5°", 123.5, "angle", id="a decimal"),
        pytest.param("007", 7.0, "number", id="zeros in front"),
        pytest.param("60aaa", 60.0, "other", id="minutes are no angle"),
        pytest.param("37.0°a", 37.0, "other", id="degrees Celsius are no angle"),
        pytest.param("aaaa45°", 45.0, "angle", id="a word in front"),
        pytest.param("12:45", None, "other", id="a time is no number"),
        pytest.param("1234", 1234.0, "other", id="four digits"),
        pytest.param("12.345", None, "other", id="three decimals"),
    ],
)
def test_a_text_is_a_number_with_what_its_signs_make_of_it(text, number, kind):
    what = said(text)
    assert (what.number, what.kind, what.text) == (number, kind, text)


@pytest.mark.parametrize("text", ["", "aa", "-", "N", "°"])
def test_a_text_without_a_digit_is_nothing(text):
    assert said(text) is None


def test_digits_one_segment_apart_are_those_of_the_table_of_segments():
    """Bits gfedcba of 0 to 9, as seven-segment decoders have them."""
    bits = (0x3F, 0x06, 0x5B, 0x4F, 0x66, 0x6D, 0x7D, 0x07, 0x7F, 0x6F)
    apart = {
        str(a): "".join(str(b) for b in range(10) if (bits[a] ^ bits[b]).bit_count() == 1)
        for a in range(10)
    }
    assert {a: b for a, b in apart.items() if b} == SEGMENT_NEIGHBOURS


def columns(*rows):
    """Probabilities of nothing and of some characters, column by column, as logarithms."""
    out = np.full((len(rows), len(CHARACTERS) + 1), 1e-12)
    for column, row in zip(out, rows, strict=True):
        for sign, p in row.items():
            column[0 if sign == "" else 1 + CHARACTERS.index(sign)] = p
    return np.log(out)


def test_a_texts_probability_is_summed_over_all_ways_to_say_it():
    """Against the definition: every path of four columns, repeats joined, blanks dropped."""
    rows = [
        {"": 0.3, "1": 0.6, "7": 0.1}, {"": 0.5, "1": 0.2, "7": 0.3},
        {"": 0.6, "1": 0.3, "7": 0.1}, {"": 0.2, "7": 0.8},
    ]  # fmt: skip
    expected: dict[str, float] = {}
    for path in product(*(row.items() for row in rows)):
        text, last = "", ""
        for sign, _ in path:
            if sign not in ("", last):
                text += sign
            last = sign
        expected[text] = expected.get(text, 0.0) + float(np.prod([p for _, p in path]))
    found = texts_of(columns(*rows))
    for text in ("17", "117", "7", "1717"):
        assert found[text] == pytest.approx(expected[text], rel=1e-6)


@pytest.mark.parametrize("turn_deg", [0, 33, 90, 180, -120])
@pytest.mark.parametrize("digit_px", [13, 26, 120])
def test_a_line_is_laid_straight_from_any_turn_and_size(turn_deg, digit_px):
    """A picture whose brightness is the place along and down the line: it comes back as that."""
    turn = np.radians(turn_deg)
    along, down = np.array([np.cos(turn), np.sin(turn)]), np.array([-np.sin(turn), np.cos(turn)])
    size = 8 * digit_px
    y, x = np.mgrid[0:size, 0:size] + 0.5
    centre = np.array([size / 2, size / 2])
    s = (x - centre[0]) * along[0] + (y - centre[1]) * along[1]
    t = (x - centre[0]) * down[0] + (y - centre[1]) * down[1]
    picture = np.stack([127 + 30 * s / digit_px, 127 + 60 * t / digit_px, 0 * s + 9], -1)
    box = LineBox(tuple(centre), tuple(1.2 * digit_px * along), tuple(0.5 * digit_px * down))
    crop, shown = straightened(np.clip(picture, 0, 255).astype(np.uint8), box)
    assert crop.shape == (CROP_SIZE[1], CROP_SIZE[0], 3)
    assert shown == np.ceil((2.4 + 2 * 0.55) * 26)
    at_x = (np.arange(shown) + 0.5 - shown / 2) / shown * (2.4 + 1.1)
    at_y = (np.arange(40) + 0.5 - 20) / 26
    inside = crop[4:36, 4 : shown - 4]
    assert np.abs(inside[..., 0] - (127 + 30 * at_x)[None, 4:-4]).max() < 3
    assert np.abs(inside[..., 1] - (127 + 60 * at_y)[4:36, None]).max() < 4
    assert (crop[:, shown:] == 127).all()


def test_four_corners_make_the_box_that_has_them():
    assert box_of(np.array(BOX.quad)) == BOX
    assert BOX.turned().quad[0] == BOX.quad[2]
    assert BOX.digit_px == 20


AS_TOLD = Weighing(1.0, 0.0, 0.0)


def number_of(texts, weighing=AS_TOLD, unaided=None, odds=0.0):
    return as_seen(LineRead(BOX, texts, unaided or texts, odds), weighing)


@pytest.mark.parametrize(
    ("other", "probability"),
    [
        pytest.param("83°", 0.82, id="one segment away: the doubt counts twice"),
        pytest.param("9.3°", 0.82, id="one point away: the doubt counts twice"),
        pytest.param("43°", 0.9, id="two segments away"),
    ],
)
def test_what_may_be_one_sign_away_is_believed_less(other, probability):
    one = number_of({"93°": 0.9, other: 0.08})
    assert one.probability == pytest.approx(probability)
    assert (one.number, one.kind, one.instead) == (93.0, "angle", other)


def test_texts_of_one_number_count_together_and_no_number_is_told_as_none():
    both = number_of({"93°": 0.5, "93": 0.4, "98°": 0.05})
    assert (both.number, both.probability) == (93.0, pytest.approx(0.9))
    assert number_of({"N": 0.9, "93": 0.1}) is None
    assert number_of({"N": 0.6, "93": 0.3}).probability == pytest.approx(0.3), "print, perhaps"
    assert number_of({"12": 0.1, "13": 0.1}) is None
    assert number_of({}) is None
    cooled = Weighing(0.5, 0.0, 0.0)
    assert number_of({"93°": 0.99}, cooled).probability < 0.95, "odds are cooled"


def test_a_number_where_hardly_a_display_is_seen_is_believed_less():
    """Print says a number as clearly as a display does; what stands around it tells them apart."""
    weighing = Weighing(0.6, 0.5, -4.0)
    display, label = (number_of({"93°": 0.999}, weighing, odds=odds) for odds in (10.0, 5.0))
    assert display.probability > 0.99
    assert label.probability < 0.95
    assert (display.number, label.number) == (93.0, 93.0)
    assert number_of({"0": 0.6}, weighing, odds=1.0) is None, "a bolt"


def test_which_end_is_up_in_the_photo_chooses_but_makes_no_number_likelier():
    one = number_of({"68": 0.9, "89": 0.1}, unaided={"68": 0.5, "89": 0.5})
    assert (one.number, one.probability) == (68.0, pytest.approx(0.5))


STANDS = {"upright": (0.998, 0.001, 0.001), "turned": (0.001, 0.998, 0.001),
          "either": (0.495, 0.495, 0.01), "nothing": (0.005, 0.005, 0.99)}  # fmt: skip


class TwoWays:
    """A reader that says one thing of a line as cut out, and another of it turned."""

    def __init__(self, here, there):
        self.here, self.there = here, there

    def read(self, lines):
        both = [self.of(line) for line in lines]
        rows = np.stack([columns(*text_rows(text)) for text, _ in both])
        return rows, np.log([STANDS[state] for _, state in both])

    def of(self, line):
        dark_left = line[0, 20, 12] < line[0, 20, -100]
        return self.here if dark_left else self.there


def half_dark():
    """A picture that is dark on its left."""
    picture = np.full((100, 200, 3), 220, np.uint8)
    picture[:, :100] = 30
    return picture


def text_rows(text):
    """A column for each character, which is nearly certain, and one for the gap behind it."""
    return [row for c in text for row in ({c: 0.99, "": 0.01}, {"": 1.0})]


def read_both_ways(here, there, probability=1.0):
    """A level line of a picture, read by a reader that says this of it and that of its turned."""
    line = FoundLine(LineBox((100, 50), (60, 0), (0, 20)), 0.0, probability)
    (read,) = read_texts(half_dark(), [line], TwoWays(here, there))
    return read


def test_a_line_on_its_head_is_read_from_the_other_end():
    read = read_both_ways(("16", "turned"), ("91", "upright"))
    assert read.box.along == (-60, 0)
    assert max(read.texts, key=read.texts.get) == "91"
    assert read.texts["91"] > 0.9


def test_a_line_on_its_head_is_read_though_others_are_likelier():
    """Whatever else looks like a line: which are looked at again decides nothing of direction."""
    box = LineBox((100, 50), (60, 0), (0, 20))
    lines = [FoundLine(box, 0.0, there) for there in (1.0, 0.99, 0.98, 0.97)]
    for read in read_texts(half_dark(), lines, TwoWays(("16", "turned"), ("91", "upright"))):
        assert read.box.along == (-60, 0)
        assert read.texts.get("91", 0.0) > 0.9


def test_what_reads_both_ways_shares_its_probability():
    """Nothing but the photo's own up tells 16 from 91: neither may be clear."""
    read = read_both_ways(("16", "either"), ("91", "either"))
    assert max(read.texts, key=read.texts.get) == "16"
    assert max(read.unaided["16"], read.unaided["91"]) < 0.6


@pytest.mark.parametrize(
    ("state", "probability"),
    [pytest.param("nothing", 1.0, id="the reader says so"),
     pytest.param("upright", 0.02, id="the fitter says so")],
)  # fmt: skip
def test_no_number_is_read_where_there_is_none(state, probability):
    read = read_both_ways(("93", state), ("86", state), probability)
    assert max(read.texts, key=read.texts.get) == NOTHING
    assert as_seen(read, AS_TOLD) is None


def seen(text, probability=0.999, **more):
    what = said(text)
    return NumberSeen(what.number, what.kind, text, probability, BOX.quad, 20.0, **more)


@pytest.mark.parametrize(
    ("numbers", "state", "number", "reason"),
    [
        pytest.param([], "none", None, "no number was seen", id="nothing"),
        pytest.param([seen("93°")], "read", 93, "", id="one angle, clear"),
        pytest.param([seen("93°"), seen("12:30"), seen("60aa")], "read", 93, "",
                     id="a time and seconds beside it"),
        pytest.param([seen("93°"), seen("15")], "read", 93, "", id="a plain number beside it"),
        pytest.param([seen("93°"), seen("15°")], "undecided", None, "several numbers may be",
                     id="an angle and its limit: nobody knows which"),
        pytest.param([seen("93"), seen("15")], "undecided", None, "several numbers", id="plain"),
        pytest.param([seen("93", 0.9), seen("2°", 0.05)], "unsure", 93, "no degree mark",
                     id="an unlikely angle does not stand before a likely number"),
        pytest.param([seen("93")], "unsure", 93, "no degree mark", id="a pump's number, perhaps"),
        pytest.param([seen("12:30")], "undecided", None, "a time or", id="a clock"),
        pytest.param([seen("93°", 0.9)], "unsure", 93, "90.0%, and 99.0% is needed", id="unclear"),
        pytest.param([seen("163°")], "unsure", 163, "hardly ever show 163", id="unusual"),
        pytest.param([seen("999°")], "unsure", 999, "no knee can have 999", id="impossible"),
    ],
)  # fmt: skip
def test_the_angle_is_chosen_only_where_it_is_clearly_one(numbers, state, number, reason):
    found = chosen(numbers, accept=0.99, settings=PRIOR)
    assert found.state == state
    assert reason in found.reason
    assert bool(found.reason) == (state != "read")
    assert (found.angle and found.angle.number) == number
    assert found.clear_number == (number if state == "read" else None)
    assert sorted(one.text for one in found.numbers) == sorted(one.text for one in numbers)


def test_the_prior_can_be_switched_off_and_never_makes_an_unclear_number_clear():
    off = replace(PRIOR, display_prior=False)
    assert chosen([seen("163°")], accept=0.99, settings=off).state == "read"
    for settings in (PRIOR, off):
        assert chosen([seen("90°", 0.985)], accept=0.99, settings=settings).state == "unsure"


def test_the_way_of_counting_decides_what_is_unusual():
    straight = replace(PRIOR, counts="straight-is-180")
    assert chosen([seen("175°")], accept=0.99, settings=straight).state == "read"
    assert chosen([seen("175°")], accept=0.99, settings=PRIOR).state == "unsure"


def read_as(text, state="read", probability=0.999):
    one = seen(text, probability)
    return DisplaySeen(state, "" if state == "read" else "it is unclear", (one,), one)


def measured_with(display, *, typed=None, settings=PRIOR):
    """A measured photo of 93.4° as the pipeline hands it on."""
    number = typed if typed is not None else told.clear_number(display, settings)
    shown = None if number is None else Displayed(number)
    made = replace(made_measurement(sha256=SHA), displayed=shown, cautions=(), display=None)
    made = replace(made, comparison=made.comparison if shown else None)
    return told.with_display(made, display, typed, settings)


def test_a_number_clearly_read_is_compared_and_says_that_it_was_read():
    one = measured_with(read_as("88°"))
    assert one.displayed == Displayed(88.0, "read", 0.999)
    assert one.cautions == ()
    assert one.display.state == "read"


def test_a_text_says_of_a_number_that_it_was_read_and_of_a_typed_one_nothing():
    """Nobody looks at the display again who does not know that nobody has."""
    read, typed = (
        answer_text("a.jpg", measured_with(read_as("88°"), typed=typed)) for typed in (None, 88.0)
    )
    assert "display       88.0° (read off the photo with a probability of 99.9%)" in read
    assert "read off the photo" not in typed


@pytest.mark.parametrize(
    ("numbers", "why"),
    [
        pytest.param([seen("93°"), seen("15°")], "several numbers may be the angle: 93°, 15°",
                     id="an angle and its limit"),
        pytest.param([seen("12:30")], "the numbers that were seen are a time", id="a clock"),
        pytest.param([], "no number was seen on a display", id="nothing"),
    ],
)  # fmt: skip
def test_where_no_number_is_chosen_that_is_said_once_and_not_beside_a_typed_one(numbers, why):
    display = chosen(numbers, accept=0.99, settings=PRIOR)
    (caution,) = measured_with(display).cautions
    assert caution.startswith(f"no number was read off the display: {why}")
    assert caution.endswith("give the number")
    assert measured_with(display, typed=88.0).cautions == ()


def test_a_typed_number_wins_and_the_disagreement_is_said():
    one = measured_with(read_as("88°"), typed=98.0)
    assert one.displayed == Displayed(98.0, "given")
    (caution,) = one.cautions
    assert "says 88 (read with a probability of 99.9%), but 98 was given" in caution
    assert measured_with(read_as("88°"), typed=88.0).cautions == ()


def test_an_unclear_number_is_said_and_never_compared():
    one = measured_with(read_as("88°", "unsure"))
    assert one.displayed is None
    assert one.comparison is None
    assert "may say 88, but it is unclear: it is not compared" in one.cautions[0]


@pytest.mark.parametrize(
    ("text", "probability", "typed", "said_so"),
    [
        pytest.param("88°", 0.95, 98.0, True, id="likely another"),
        pytest.param("88°", 0.95, 88.0, False, id="the same"),
        pytest.param("88°", 0.6, 98.0, False, id="too unclear to ask for another look"),
        pytest.param("88", 0.95, 98.0, False, id="no degree mark: another device's, perhaps"),
    ],
)
def test_a_typed_number_that_likely_is_another_is_to_be_looked_at(
    text, probability, typed, said_so
):
    one = measured_with(read_as(text, "unsure", probability), typed=typed)
    assert one.displayed == Displayed(typed, "given")
    assert any("may say 88" in caution for caution in one.cautions) == said_so


def test_a_number_far_from_the_knee_is_asked_for_unless_the_prior_is_off():
    knee = made_measurement(sha256=SHA).knee.deg
    far = "0°" if knee > 70 else "150°"
    one = measured_with(read_as(far))
    assert one.displayed is None
    assert one.comparison is None
    assert one.display.state == "unsure"
    assert "from the knee" in one.cautions[0]
    off = replace(PRIOR, display_prior=False)
    assert measured_with(read_as(far), settings=off).displayed.source == "read"


def test_a_display_that_counts_otherwise_is_read_as_flexion():
    straight = replace(PRIOR, counts="straight-is-180")
    one = measured_with(read_as("95°"), settings=straight)
    assert one.displayed.deg == 85.0
    disagrees = measured_with(read_as("95°"), typed=95.0, settings=straight)
    assert "says 95" in disagrees.cautions[0]
    assert "but 85 was given" in disagrees.cautions[0]


def test_a_photo_that_gave_no_knee_says_what_its_display_shows():
    one = told.with_display(NotMeasured("no leg", "again"), read_as("88°"), None, PRIOR)
    assert one.display.clear_number == 88.0
