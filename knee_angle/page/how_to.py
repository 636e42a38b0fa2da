"""How to photograph, in a few sentences and drawings of our own."""

from __future__ import annotations

import base64
import re
from collections.abc import Callable
from functools import partial
from pathlib import Path

import streamlit as st

from knee_angle.angle import words
from knee_angle.assumptions import JOINT_LINE_MM
from knee_angle.language import figure, say, tell
from knee_angle.language.components import words_for
from knee_angle.page import memory
from knee_angle.report.sheets import Paper, bar_sheet, dot_sheet, tag_sheet

__all__ = ["AFTER", "CARE", "HOW_TO", "drawing", "show"]

DRAWINGS = Path(__file__).parent / "drawings"
HOW_TO = say(
    "Stand square to the leg on its outer side, the lens level with the knee, about 1.5 m "
    "away, the whole leg in the picture, the machine paused at end range."
)

CARE = say(
    "**Before the photo.** Dots and tags go on while the machine is at rest, and never near a "
    "wound. The patient keeps the hand switch. Pain or resistance: stop the machine. Is anybody "
    "else in the picture?"
)
AFTER = say(
    "Photographed? Never leave a leg paused in the machine: take it out, or go on as prescribed. "
    "Pain or resistance: stop."
)
"""Cautions where they act: our own wording of common practice; local protocol rules."""

STEPS: tuple[tuple[str, str, str], ...] = (
    (
        "square",
        say("Square to the leg"),
        say(
            "Stand at the leg's outer side, opposite the knee, about 1.5 m away. Further away and "
            "zoomed in is better than close."
        ),
    ),
    (
        "level",
        say("Level with the knee"),
        say("Hold the lens as high as the knee, the phone upright or lying, but not tilted down."),
    ),
    (
        "frame",
        say("The whole leg"),
        say(
            "From hip to foot, with the machine's bars and base. Pause the machine at end range: "
            "photo and display must show the same moment."
        ),
    ),
    (
        "dots",
        say("Dots and tags"),
        say(
            "Dots on the greater trochanter, the lateral femoral epicondyle (the joint line lies "
            "about {below_mm:g} mm below it) and the lateral malleolus; three more of the same "
            "colour on thigh bar, hinge and lower-leg bar. The tag strip on the machine's base, "
            "parallel to its bars. Without them it works too, with a wider ±.",
            below_mm=JOINT_LINE_MM[0],
        ),
    ),
)
"""Drawing, heading and sentence of each step."""


def show() -> None:
    """Draw the page."""
    st.title(tell("How to photograph"))
    st.html(f'<div class="steps">{"".join(_step(*step) for step in STEPS)}</div>')
    _sheets()
    st.caption(tell(words.CAUTION))


SHEETS: tuple[tuple[str, str, Callable[[Paper], bytes]], ...] = (
    ("dots", say("Dots for leg and machine"), dot_sheet),
    ("tags", say("Tag strip for the machine's base"), tag_sheet),
    ("bars", say("Tags for the machine's bars"), bar_sheet),
)
"""Name, label and what makes it."""


def _sheets() -> None:
    """What is stuck on, to print from here; each is made when it is asked for."""
    st.markdown(tell("Print at 100 % (actual size) and check the printed 100 mm rule:"))
    papers: dict[str, Paper] = {"A4": "a4", "US Letter": "letter"}
    named = memory.choice(
        tell("Paper"), "paper", {name: name for name in papers}, horizontal=True
    )  # fmt: skip
    paper = papers[named]
    for name, label, made in SHEETS:
        st.download_button(
            tell(label), data=partial(made, paper), file_name=f"{name}-{paper}.pdf",
            mime="application/pdf", icon=":material/print:", on_click="ignore", width="stretch",
            key=f"sheet-{name}-{paper}",
        )  # fmt: skip


def _step(name: str, heading: str, sentence: str) -> str:
    return (
        f'<figure class="step">{drawing(name)}'
        f"<figcaption><b>{tell(heading)}</b> {tell(sentence)}</figcaption></figure>"
    )


def drawing(name: str) -> str:
    """One of our drawings as HTML; what it shows is told by its own label."""
    source = (DRAWINGS / f"{name}.svg").read_text(encoding="utf-8")
    for text, told in words_for(DRAWINGS).items():
        source = source.replace(f'"{text}"', f'"{told}"').replace(f">{text}<", f">{told}<")
    source = re.sub(r">([\d.]+ m)<", lambda found: f">{tell(figure(found[1]))}<", source)
    label = source.split('aria-label="', 1)[1].split('"', 1)[0]
    data = base64.b64encode(source.encode()).decode()
    return f'<img alt="{label}" src="data:image/svg+xml;base64,{data}">'
