"""A rater study's page: one photo after the other, points placed blind.

No angle, no other points and no file name are shown, and what the study covers in its photos
(the machine's display) is grey; the order is the rater's own (`knee_angle.batch.rating.plan`). Each
photo is kept before the next one comes, so that a closed browser goes on where it was.
"""

from __future__ import annotations

import os
import time
from pathlib import Path

import streamlit as st

from knee_angle.batch.rating import RatingStudy, open_study
from knee_angle.errors import KneeAngleError
from knee_angle.language import tell
from knee_angle.page.editor import Edit, edit_of, points_editor
from knee_angle.photo.reading import Photo

__all__ = ["FOLDER", "show"]

FOLDER = "KNEE_ANGLE_RATING"
"""Environment variable with the study's folder: set, the server has this page and no other."""
RATER, EDITOR, NOT_KEPT = "rater", "rate", "not-kept"
TWICE_S = 2.0
"""A tap so soon after a photo came, with no point in it, is a second one on the photo before."""


def show() -> None:
    """Draw the page."""
    st.title(tell("Place the points"))
    try:
        study = open_study(Path(os.environ[FOLDER]))
        rater = st.session_state.get(RATER)
        if rater is None:
            _who(study)
        else:
            _turn(study, rater)
    except KneeAngleError as error:
        st.error(tell(str(error)))


def _who(study: RatingStudy) -> None:
    """Who rates: a code of the study's."""
    st.markdown(
        tell(
            "Place hip, knee and ankle in each photo, where the marks are or where you see the "
            "bony points. Photos come more than once; judge each as if for the first time. No "
            "angle is shown, and what you keep is not shown again."
        )
    )
    rater = st.radio(tell("Your code"), study.plan.raters, index=None, horizontal=True)
    if st.button(tell("Begin"), disabled=rater is None, type="primary", width="stretch"):
        st.session_state[RATER] = rater
        st.rerun()


def _turn(study: RatingStudy, rater: str) -> None:
    """One photo, until it is kept."""
    turn = study.next_turn(rater)
    if turn is None:
        st.success(tell("All photos are done. Thank you."))
        _leave()
        return
    place, number = turn[0], turn[1].photo
    revision = f"rate-{rater}-{place}"
    of = study.plan.photos * study.plan.repeats
    st.markdown(f"{tell('Photo')} {place} / {of} · {rater}")
    if st.session_state.get(NOT_KEPT, ("", ""))[0] == revision:
        st.error(tell(st.session_state[NOT_KEPT][1]))
    photo = _opened(study.photos[number - 1].sha256, study, number)
    st.session_state.setdefault(f"{revision}-shown", time.monotonic())
    points_editor(
        photo, key=EDITOR, revision=revision, found=None, side=None, tags=(), edit=Edit(),
        on_change=lambda: None, blind=study.photos[number - 1].covers,
    )  # fmt: skip
    # Never disabled: Streamlit drops a tap on a button that it last knew as disabled, and a rater
    # who is quick taps before the browser's last point has been drawn.
    label = tell("Keep, and show the next photo")
    st.button(label, type="primary", width="stretch", on_click=_keep)
    _leave()


def _keep() -> None:
    """Keep the rater's turn, whatever was drawn last; what is missing is told.

    Before the page is drawn anew, so that no message of the browser that comes between loses it.
    """
    study, rater = open_study(Path(os.environ[FOLDER])), st.session_state[RATER]
    turn = study.next_turn(rater)
    if turn is None:
        return
    place, number = turn[0], turn[1].photo
    revision = f"rate-{rater}-{place}"
    now = time.monotonic()
    seconds = now - st.session_state.get(f"{revision}-shown", now)
    try:
        photo = _opened(study.photos[number - 1].sha256, study, number)
        points = _placed(photo, revision)
        if points or seconds > TWICE_S:
            study.keep(rater, place, points, photo=photo, seconds=seconds)
    except KneeAngleError as error:
        st.session_state[NOT_KEPT] = revision, str(error)


def _placed(photo: Photo, revision: str) -> dict[str, dict[str, float]]:
    """The points that the browser has sent for this turn."""
    sent = st.session_state.get(EDITOR, {}).get("points")
    edit = edit_of(sent, revision=revision, width_px=photo.width, height_px=photo.height)
    return {} if edit is None else edit.manual()


def _leave() -> None:
    """Back to the codes: whoever chose another's keeps nothing under it."""
    if st.button(tell("Another rater"), width="stretch"):
        del st.session_state[RATER]
        st.rerun()


@st.cache_resource(max_entries=4, show_spinner=False)
def _opened(sha256: str, _study: RatingStudy, number: int) -> Photo:
    """The photo, read once for each few turns; the hash is what the cache knows it by."""
    del sha256
    return _study.open_photo(number)
