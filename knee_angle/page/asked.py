"""What is asked besides photo and number: the same fields for a knee and for a machine."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from knee_angle.page import memory
from knee_angle.settings import Settings

__all__ = ["COUNTING", "display_and_sizes", "limits"]

COUNTING: dict[str, str] = {
    "flexion": "0 is straight, 90 is bent square",
    "straight_is_180": "180 is straight, 90 is bent square",
    "negative": "0 is straight, flexion below zero",
}
"""Ways in which displays count (see `comparison.Counting`)."""

Own = Callable[[str], str]
"""Gives an input its name for these photos alone."""


def limits(own: Own) -> tuple[float | None, float | None]:
    """Prescribed extension and flexion, degrees of flexion, as typed."""
    left, right = memory.pair("limits")
    with left:
        extension = memory.number("Prescribed extension", own("extension"), low=-30.0, high=180.0)
    with right:
        flexion = memory.number("Prescribed flexion", own("flexion"), low=-30.0, high=180.0)
    return extension, flexion


def display_and_sizes(own: Own) -> Settings:
    """How the display counts, the tolerance, what was printed and what was taped.

    Each field left empty keeps the usual value. All but the thigh stay for the whole visit:
    they belong to the machine and to the printed sheets.
    """
    usual = Settings()
    memory.choice("How the display counts", "counting", COUNTING)
    tolerance = memory.number(
        "Allowed difference, degrees", "tolerance", low=0.5, high=45.0, default=10.0, step=0.5
    )
    left, right = memory.pair("sizes")
    with left:
        tag_mm = memory.number(
            "Printed edge of a tag, mm", "tag", low=5.0, high=200.0, default=usual.tag_mm
        )
        bar_tag_mm = memory.number(
            "Printed edge of a bar's tag, mm",
            "bar-tag",
            low=5.0,
            high=200.0,
            default=usual.bar_tag_mm,
        )
    with right:
        dot_mm = memory.number("Diameter of the dots, mm (if known)", "dot", low=5.0, high=40.0)
        thigh_mm = memory.number(
            "Thigh by tape, mm (if known)", own("thigh"), low=100.0, high=700.0
        )
    return replace(
        usual,
        tolerance_deg=tolerance or usual.tolerance_deg,
        tag_mm=tag_mm or usual.tag_mm,
        bar_tag_mm=bar_tag_mm or usual.bar_tag_mm,
        dot_mm=dot_mm,
        thigh_mm=thigh_mm,
    )
