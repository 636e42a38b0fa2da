"""The therapist's page: photo, displayed number, one clear answer.

The order on a phone is the order of the work: photo, number, answer, picture, points.
Nothing that is uploaded leaves this machine or is kept.
"""

from __future__ import annotations

from typing import Any

import streamlit as st

from knee_angle import wording
from knee_angle.draw import overlay
from knee_angle.errors import KneeAngleError, UnreadablePhoto
from knee_angle.landmarks.standard import opened_detectors
from knee_angle.measure import measure_photo
from knee_angle.page.how_to import HOW_TO
from knee_angle.photo import Photo, read_photo
from knee_angle.records import (
    LEG_POINTS,
    Measurement,
    NotMeasured,
    Settings,
    Unreadable,
)

__all__ = ["show"]

INK = {"within": "#0e6e4a", "outside": "#b01c1c", "undecided": "#785400"}


def show() -> None:
    """Draw the page once, as Streamlit asks for it."""
    st.title("Knee angle")
    st.caption(wording.CAUTION)
    upload = _upload()
    displayed_deg = st.number_input(
        "Number on the machine's display (degrees of flexion)",
        min_value=-30.0,
        max_value=180.0,
        value=None,
        step=1.0,
        format="%.0f",
    )
    settings = _settings()
    if upload is None:
        st.info(HOW_TO)
        return
    try:
        photo = _photo(upload.getvalue(), upload.name)
    except UnreadablePhoto as error:
        st.error(wording.sentence(Unreadable(error.reason)))
        return
    _answer(photo, displayed_deg, settings)


def _upload() -> Any:
    """The photo: from the phone's gallery or camera; None until there is one."""
    chosen, taken = st.tabs(["Choose a photo", "Take a photo"])
    with chosen:
        file = st.file_uploader(
            "Photo of the leg in the machine",
            type=["jpg", "jpeg", "png", "webp", "tif", "tiff", "heic", "heif"],
        )
    with taken:
        shot = st.camera_input("Photograph the leg") if st.toggle("Use the camera") else None
    return shot or file


def _settings() -> Settings:
    """Sizes and tolerance, folded away: most days nobody touches them."""
    with st.expander("Prescribed limits, tolerance, sizes"):
        tolerance = st.number_input("Tolerance, degrees", 0.5, 45.0, 10.0, 0.5)
        flexion = st.number_input("Prescribed flexion limit, degrees", -30.0, 180.0, None, 1.0)
        extension = st.number_input("Prescribed extension limit, degrees", -30.0, 180.0, None, 1.0)
        tag_mm = st.number_input("Printed edge of a tag, mm", 5.0, 200.0, 50.0, 1.0)
        known = st.toggle("The dots' diameter is known")
        dot_mm = (
            st.number_input("Diameter of the dots, mm", 5.0, 40.0, 16.0, 1.0) if known else None
        )
    return Settings(
        tolerance_deg=tolerance,
        limit_flexion_deg=flexion,
        limit_extension_deg=extension,
        tag_mm=tag_mm,
        dot_mm=dot_mm,
    )


@st.cache_data(max_entries=4, show_spinner=False)
def _photo(content: bytes, name: str) -> Photo:
    return read_photo(content, name=name)


@st.cache_resource(show_spinner="Getting ready ...")
def _detectors() -> Any:
    """Detectors stay open while the server runs; the page never closes them."""
    opened = opened_detectors()
    return opened, opened.__enter__()


def _answer(photo: Photo, displayed_deg: float | None, settings: Settings) -> None:
    """Measure, then show the answer above the picture and the points below it."""
    place = st.container()
    key = f"points-{photo.sha256[:12]}"
    try:
        result = measure_photo(
            photo,
            detectors=_detectors()[1],
            settings=settings,
            displayed_deg=displayed_deg,
            manual=st.session_state.get(key),
        )
    except KneeAngleError as error:
        st.error(str(error))
        return
    with place:
        if isinstance(result, NotMeasured):
            st.warning(wording.sentence(result))
            st.image(photo.small, width="stretch")
        else:
            for alarm in result.alarms:
                st.error(f"**{alarm}**")
            st.html(_card(result))
            st.image(overlay(photo, result, panel=False), width="stretch")
            for caution in result.cautions:
                st.caption(f"Caution: {caution}")
    _points_form(photo, result, key)


def _card(result: Measurement) -> str:
    """The answer as one block, readable at arm's length."""
    low, high = (wording.degrees(x) for x in result.knee.interval_deg)
    compared = result.comparison
    verdict, kind = "", ""
    if compared is not None and result.displayed is not None:
        kind = compared.verdict
        shape = wording.VERDICT_SHAPES[kind]
        verdict = (
            f'<div class="row"><span>Display <b>{wording.degrees(result.displayed.deg)}</b></span>'
            "<span>Difference <b>"
            f"{wording.with_u(compared.discrepancy_deg, compared.u_deg, sign=True)}</b></span>"
            f"<span>Tolerance <b>{compared.tolerance_deg:g}°</b></span></div>"
            f'<div class="verdict" style="color:{INK[kind]}">'
            f'<span class="shape {shape}"></span>{wording.VERDICT_WORDS[kind].capitalize()}</div>'
        )
    return (
        f'<div class="answer {kind}" role="status">'
        f'<div class="big">{wording.degrees(result.knee.deg)}</div>'
        f'<div class="range">{result.side} knee, 95 % between {low} and {high}</div>'
        f"{verdict}<div>{wording.sentence(result)}</div>{_next(result)}</div>"
    )


def _next(result: Measurement) -> str:
    """The finding and what to check next."""
    if result.finding is None:
        return ""
    words = wording.FINDING_WORDS[result.finding.kind]
    return (
        f'<div class="row"><b>{words[:1].upper()}{words[1:]}</b></div>'
        f"<div>{result.finding.advice}</div>"
    )


def _points_form(photo: Photo, result: Measurement | NotMeasured, key: str) -> None:
    """Correct hip, knee and ankle by number, in pixels of the upright photo."""
    with st.expander("Correct the points", expanded=isinstance(result, NotMeasured)):
        st.caption(
            f"Pixels of the upright photo, {photo.width} wide and {photo.height} high, "
            "counted from its top left corner."
        )
        with st.form(f"{key}-form", border=False):
            values: dict[str, dict[str, float]] = {}
            for name in LEG_POINTS:
                x0, y0 = _start(photo, result, name)
                left, right = st.columns(2)
                x = left.number_input(f"{name} x", 0.0, float(photo.width), x0, 1.0, format="%.1f")
                y = right.number_input(
                    f"{name} y", 0.0, float(photo.height), y0, 1.0, format="%.1f"
                )
                if abs(x - x0) > 0.05 or abs(y - y0) > 0.05 or isinstance(result, NotMeasured):
                    values[name] = {"x": x, "y": y}
            if st.form_submit_button("Measure with these points", width="stretch"):
                st.session_state[key] = {**st.session_state.get(key, {}), **values}
                st.rerun()
        if key in st.session_state and st.button("Back to the points found", width="stretch"):
            del st.session_state[key]
            st.rerun()


def _start(photo: Photo, result: Measurement | NotMeasured, name: Any) -> tuple[float, float]:
    if isinstance(result, Measurement):
        point = result.landmarks.points[name]
        return round(point.x_px, 1), round(point.y_px, 1)
    share = {"hip": 0.2, "knee": 0.5, "ankle": 0.8}[name]
    return photo.width * share, photo.height * 0.5
