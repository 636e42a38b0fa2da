"""What a paper about a study has to report: item by item, and its methods ready to paste.

GRRAS: Kottner J et al., Guidelines for reporting reliability and agreement studies (GRRAS) were
proposed, J Clin Epidemiol 2011;64:96-106, table 1: 15 items. STARD 2015: Bossuyt PM et al., BMJ
2015;351:h5527: 30 items, of which those stand here that a table of measurements can answer.
What each item asks is told in our own words; complete the original lists for a publication.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from knee_angle.language import say

__all__ = ["GRRAS", "STARD", "YOURS", "Item", "Versions", "answered", "measurement_methods"]

YOURS = say("yours to write")
"""Said of an item that no table of measurements can answer."""


@dataclass(frozen=True, slots=True)
class Item:
    """One item: its number in the list, its section there, what it asks for."""

    number: str
    section: str
    asks: str


GRRAS = (
    Item(
        "1",
        say("Title, abstract"),
        say("that agreement or reliability was studied, within or between"),
    ),
    Item("2", say("Introduction"), say("the device that measured")),
    Item("3", say("Introduction"), say("the subjects it is meant for")),
    Item("4", say("Introduction"), say("the raters it is meant for")),
    Item("5", say("Introduction"), say("what was known, and why the study was done")),
    Item(
        "6",
        say("Methods"),
        say("how the size was chosen; raters, subjects and repeats that were planned"),
    ),
    Item("7", say("Methods"), say("how subjects (and raters) were sampled")),
    Item(
        "8",
        say("Methods"),
        say("how measuring was done: time between repeats, what was known, blinding"),
    ),
    Item("9", say("Methods"), say("whether ratings were independent")),
    Item("10", say("Methods"), say("the statistical analysis")),
    Item("11", say("Results"), say("raters, subjects and repeats there really were")),
    Item("12", say("Results"), say("who raters and subjects were (training, experience)")),
    Item(
        "13", say("Results"), say("estimates of agreement and reliability with their uncertainty")
    ),
    Item("14", say("Discussion"), say("what the results mean in practice")),
    Item("15", say("Auxiliary"), say("the results in detail")),
)

STARD = (
    Item("10a", say("Test methods"), say("the index test, so that it can be repeated")),
    Item("10b", say("Test methods"), say("the reference standard, so that it can be repeated")),
    Item("12a", say("Test methods"), say("cut-offs of the index test, and whether set beforehand")),
    Item("13a", say("Test methods"), say("what readers of the index test knew")),
    Item("13b", say("Test methods"), say("what those who judged the reference knew")),
    Item("14", say("Analysis"), say("how accuracy was estimated or compared")),
    Item("15", say("Analysis"), say("how indeterminate results were handled")),
    Item("16", say("Analysis"), say("how missing data were handled")),
    Item("18", say("Analysis"), say("the intended size, and how it was determined")),
    Item("19", say("Participants"), say("the flow of participants")),
    Item("22", say("Participants"), say("time between index test and reference")),
    Item("24", say("Test results"), say("estimates with their precision")),
)


def answered(items: tuple[Item, ...], told: Mapping[str, str]) -> tuple[tuple[Item, str], ...]:
    """Each item with where or how it is answered; what nobody told is the author's.

    Raises
    ------
    ValueError
        An answer to an item that is not in the list: a mistake of ours.
    """
    if surplus := set(told) - {item.number for item in items}:
        raise ValueError(f"no such items: {', '.join(sorted(surplus))}")
    return tuple((item, told.get(item.number, YOURS)) for item in items)


@dataclass(frozen=True, slots=True)
class Versions:
    """What measured and computed: for the methods, word for word.

    Parameters
    ----------
    software : str
        Version of this software.
    weights : str
        SHA-256 of the leg network's weights.
    libraries : Mapping of name to version
        What the numbers depend on.
    """

    software: str
    weights: str
    libraries: Mapping[str, str] = field(default_factory=dict)


def measurement_methods(versions: Versions) -> str:
    """How the angles were measured, as a paragraph of a paper."""
    libraries = ", ".join(f"{name} {version}" for name, version in versions.libraries.items())
    return say(
        "Knee flexion was measured from bedside photographs with knee_angle {software} (leg "
        "network weights SHA-256 {weights}; {libraries}). It is 180° minus the angle "
        "hip-knee-ankle in the sagittal plane; the camera's direction to that plane comes from "
        "printed tags where they were seen, else from an estimate. Each angle has a standard "
        "uncertainty and a 95 % coverage interval from Monte Carlo trials (JCGM 101), with the "
        "finding of the points, the placement of the marks on the skin, the camera's direction, "
        "focal length and distance as sources.",
        software=versions.software,
        weights=versions.weights[:16],
        libraries=libraries,
    )
