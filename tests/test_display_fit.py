"""A line's box, fitted: what the fitter is shown, and what its answer means in the photo."""

from __future__ import annotations

import numpy as np
import pytest
from drawn_displays import drawn

from knee_angle.photo.display.find import find_lines
from knee_angle.photo.display.fit import (
    FIT_DIGIT_PX,
    FIT_SIZE,
    LEAST_SPREAD,
    around,
    fitted,
    normal,
    told_of,
)
from knee_angle.photo.display.rectify import LineBox, box_of
from knee_angle.photo.reading import photo_of_pixels


def box_at(centre, *, digit, turned_deg):
    """A box of three digits, so high and so far turned."""
    turn = np.radians(turned_deg)
    along = 1.5 * digit * np.array([np.cos(turn), np.sin(turn)])
    down = 0.5 * digit * np.array([-np.sin(turn), np.cos(turn)])
    return LineBox(centre, tuple(along), tuple(down))


@pytest.mark.parametrize("turned_deg", [0, 30, 90, 180, -135], ids=lambda d: f"turned by {d}°")
@pytest.mark.parametrize("digit", [12.0, 18.0, 90.0], ids=lambda d: f"digits of {d:g} px")
def test_what_lies_a_digit_along_the_line_stands_a_digit_to_the_right(digit, turned_deg):
    box = box_at((300.0, 260.0), digit=digit, turned_deg=turned_deg)
    at = np.array(box.centre) + np.array(box.along) / 1.5
    y, x = np.mgrid[:520, :600] + 0.5
    spot = np.exp(-((x - at[0]) ** 2 + (y - at[1]) ** 2) / (2 * (0.1 * digit) ** 2))
    picture = np.repeat((255 * spot)[..., None], 3, 2).astype(np.uint8)
    seen, _ = around(picture, box)
    weight = seen[..., 0].astype(float)
    rows, columns = np.mgrid[: FIT_SIZE[1], : FIT_SIZE[0]] + 0.5
    middle = np.array([(weight * columns).sum(), (weight * rows).sum()]) / weight.sum()
    expected = np.array(FIT_SIZE) / 2 + (FIT_DIGIT_PX, 0)
    assert middle == pytest.approx(expected, abs=0.25)


def test_an_answer_as_it_was_taught_gives_the_drawn_box_back():
    """From a guess beside, turned and of another size."""
    scene = next(s for s in map(drawn, range(20)) if s.numbers)
    box = box_of(scene.numbers[0].quad)
    guess = box_at(
        (box.centre[0] + 0.4 * box.digit_px, box.centre[1] - 3.0),
        digit=1.4 * box.digit_px, turned_deg=25,
    )  # fmt: skip
    _, axes = around(scene.rgb, guess)
    answer = told_of(box, axes, guess.centre)
    (back,) = fitted(answer[None], [axes], [guess])
    assert np.ravel(back.quad) == pytest.approx(np.ravel(box.quad), abs=1e-6)


@pytest.mark.parametrize(
    "centre",
    [(0.0, 0.0), (39.9, 29.9), (-50.0, 12.0), (500.0, 500.0)],
    ids=["in a corner", "in the other corner", "left of the picture", "far outside"],
)
def test_a_guess_at_or_beyond_the_edge_still_gives_a_picture(centre):
    picture = np.random.default_rng(1).integers(0, 256, (30, 40, 3)).astype(np.uint8)
    seen, _ = around(picture, box_at(centre, digit=40.0, turned_deg=10))
    assert seen.shape == (FIT_SIZE[1], FIT_SIZE[0], 3)


def test_a_flat_neighbourhood_is_not_stretched_into_noise():
    flat = np.full((FIT_SIZE[1], FIT_SIZE[0], 3), 90, np.uint8)
    flat[0, 0] = 96
    taken = normal([flat])
    assert taken.shape == (1, 3, FIT_SIZE[1], FIT_SIZE[0])
    assert np.abs(taken).max() <= 6 / LEAST_SPREAD


class Rivals:
    """A finder that likes fifteen empty places better than the one with something to see."""

    PLACES = tuple((8 + 28 * (k % 4), 8 + 28 * (k // 4)) for k in range(16))

    def found(self, picture):
        told = np.zeros((8, picture.shape[0] // 4, picture.shape[1] // 4))
        told[0], told[4], told[7] = -9.0, 1.0, 0.5
        for k, (x, y) in enumerate(self.PLACES):
            told[0, y, x] = 2.0 - 0.2 * k
        return told

    def fit(self, pictures):
        there = pictures.std((1, 2, 3)) > 0.5
        box = np.array([0, 0, 1, 0, 0, 0.5, 0])
        return np.repeat(box[None], len(pictures), 0) + np.where(there, 8.0, -8.0)[:, None] * (
            np.arange(7) == 6
        )


def test_a_number_far_down_the_finders_order_is_fitted_too():
    """A sign that stands alone is less like a line than a row of keys."""
    picture = np.full((512, 512, 3), 90, np.uint8)
    x, y = ((np.array(Rivals.PLACES[-1]) + 0.5) * 4).astype(int)
    picture[y - 9 : y + 9, x - 4 : x + 4] = 250
    photo = photo_of_pixels(picture, name="drawn.png", sha256="0" * 64, f35_mm=None)
    (line,) = find_lines(photo, Rivals())
    assert np.array(line.box.centre) == pytest.approx((x, y), abs=3)
