"""The reader's answer, column by column, as texts with their probabilities."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from knee_angle.photo.display.line import CHARACTERS

__all__ = ["texts_of"]

WIDTH = 10
"""So many beginnings are followed."""
LEAST = 1e-4
"""A character less probable than this in a column is not followed."""


def texts_of(columns: NDArray[np.float64]) -> dict[str, float]:
    """The likeliest texts, with the probability of each summed over its alignments.

    Parameters
    ----------
    columns : ndarray, shape (N, 1 + len(CHARACTERS))
        Logarithms of the probabilities of nothing new and of each character (CTC).

    Returns
    -------
    dict of str to float
        Probabilities of at most `WIDTH` texts; their sum is at most 1.

    Notes
    -----
    Prefix beam search (Graves and Jaitly 2014; from memory): for each beginning the
    probability that it ends in a character and that it ends in nothing new are kept apart,
    because a character repeated without a gap is one character.
    """
    chances = np.exp(columns)
    beams: dict[str, tuple[float, float]] = {"": (1.0, 0.0)}
    followed = chances[:, 1:] > LEAST
    for column, follow in zip(chances, followed, strict=True):
        blank = float(column[0])
        if not follow.any():
            beams = {text: (sum(p) * blank, 0.0) for text, p in beams.items()}
            continue
        signs = [(CHARACTERS[k], float(column[k + 1])) for k in np.flatnonzero(follow)]
        grown: dict[str, list[float]] = {}
        for text, (gap, sign_last) in beams.items():
            here = grown.setdefault(text, [0.0, 0.0])
            here[0] += (gap + sign_last) * blank
            for sign, chance in signs:
                longer = grown.setdefault(text + sign, [0.0, 0.0])
                if text.endswith(sign):
                    longer[1] += gap * chance
                    grown[text][1] += sign_last * chance
                else:
                    longer[1] += (gap + sign_last) * chance
        best = sorted(grown.items(), key=lambda item: -sum(item[1]))[:WIDTH]
        beams = {text: (p[0], p[1]) for text, p in best}
    return {text: sum(p) for text, p in beams.items()}
