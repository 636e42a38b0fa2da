"""What a paper about a study has to report: item by item, and its methods ready to paste.

GRRAS: Kottner J et al., Guidelines for reporting reliability and agreement studies (GRRAS) were
proposed, J Clin Epidemiol 2011;64:96-106, table 1: 15 items. STARD 2015: Bossuyt PM et al., BMJ
2015;351:h5527: all 30 items. What each asks is told in our own words; what a table of measurements
can answer is answered, the rest is the author's. Complete the original lists for a publication.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from knee_angle.language import joined, say, say_many

__all__ = [
    "GRRAS",
    "OURS",
    "STARD",
    "YOURS",
    "Item",
    "Sources",
    "Versions",
    "answered",
    "measurement_methods",
]

OURS = ("flexion_deg", "frame_deg", "flat_flexion_deg")
"""Columns that this software measures."""
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
    Item("1", say("Title"), say("that accuracy was studied, with a measure of it")),
    Item("2", say("Abstract"), say("a structured summary")),
    Item("3", say("Introduction"), say("the background, and what the index test is for")),
    Item("4", say("Introduction"), say("aims and hypotheses")),
    Item(
        "5",
        say("Study design"),
        say("whether data were collected before or after tests were planned"),
    ),
    Item("6", say("Participants"), say("who could take part")),
    Item("7", say("Participants"), say("how those who could were found")),
    Item("8", say("Participants"), say("where and when")),
    Item(
        "9",
        say("Participants"),
        say("whether the series was consecutive, random or of convenience"),
    ),
    Item("10a", say("Test methods"), say("the index test, so that it can be repeated")),
    Item("10b", say("Test methods"), say("the reference standard, so that it can be repeated")),
    Item("11", say("Test methods"), say("why that reference standard was chosen")),
    Item("12a", say("Test methods"), say("cut-offs of the index test, and whether set beforehand")),
    Item(
        "12b",
        say("Test methods"),
        say("cut-offs of the reference standard, and whether set beforehand"),
    ),
    Item("13a", say("Test methods"), say("what readers of the index test knew")),
    Item("13b", say("Test methods"), say("what those who judged the reference knew")),
    Item("14", say("Analysis"), say("how accuracy was estimated or compared")),
    Item("15", say("Analysis"), say("how indeterminate results were handled")),
    Item("16", say("Analysis"), say("how missing data were handled")),
    Item(
        "17",
        say("Analysis"),
        say("how variability of accuracy was analysed, and whether set beforehand"),
    ),
    Item("18", say("Analysis"), say("the intended size, and how it was determined")),
    Item("19", say("Participants"), say("the flow of participants, as a diagram")),
    Item("20", say("Participants"), say("who took part: demographic and clinical facts")),
    Item("21a", say("Participants"), say("how severe the condition was in those who had it")),
    Item("21b", say("Participants"), say("what the others had")),
    Item("22", say("Participants"), say("time and treatment between index test and reference")),
    Item("23", say("Test results"), say("index test against reference, as a table")),
    Item("24", say("Test results"), say("estimates with their precision")),
    Item("25", say("Test results"), say("harm done by a test")),
    Item(
        "26", say("Discussion"), say("limits of the study: bias, uncertainty, to whom it applies")
    ),
    Item("27", say("Discussion"), say("what it means for practice")),
    Item("28", say("Other"), say("where the study was registered, and its number")),
    Item("29", say("Other"), say("where the whole protocol is")),
    Item("30", say("Other"), say("who paid, and their part in it")),
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


@dataclass(frozen=True, slots=True)
class Sources:
    """From what the angles of a table came, with how many each.

    Parameters
    ----------
    points : Mapping of source to count
        "manual", "dot", "network" or "pose" where hip, knee and ankle all come from it, else
        "several".
    planes : Mapping of plane to count
        "tag", "estimated" or "image": the camera's direction to the sagittal plane.
    """

    points: Mapping[str, int]
    planes: Mapping[str, int]

    @property
    def by_hand(self) -> bool:
        """Whether every point was placed by hand."""
        return set(self.points) == {"manual"}


POINTS = {
    "manual": say("points placed by hand"),
    "dot": say("coloured dots found in the photograph"),
    "network": say("the leg network"),
    "pose": say("a general pose model"),
    "several": say("several of these ways"),
}
PLANES = {
    "tag": say("printed tags"),
    "estimated": say("an estimate from the photograph"),
    "image": say("the assumption that the camera looked at right angles"),
}


def measurement_methods(versions: Versions, sources: Sources | None = None) -> str:
    """How the angles were measured, as a paragraph of a paper."""
    libraries = ", ".join(f"{name} {version}" for name, version in versions.libraries.items())
    said = [
        say(
            "Knee flexion was measured from bedside photographs with knee_angle {software} "
            "({libraries}; leg network weights SHA-256 {weights}). It is 180° minus the angle "
            "hip-knee-ankle in the sagittal plane of the leg; 0° is a straight leg.",
            software=versions.software,
            weights=versions.weights,
            libraries=libraries,
        )
    ]
    if sources is None:
        said.append(
            say(
                "The camera's direction to that plane comes from printed tags where they were "
                "seen, else from an estimate."
            )
        )
    else:
        said.append(
            say(
                "Hip, knee and ankle came from {points}; the camera's direction to that plane "
                "came from {planes}.",
                points=_counted(POINTS, sources.points),
                planes=_counted(PLANES, sources.planes),
            )
        )
    said.append(
        say(
            "Each angle has a standard uncertainty and a 95 % coverage interval from Monte Carlo "
            "trials (JCGM 101); their sources are the finding of the points, the placement of the "
            "marks on the skin, the depth of the points, the camera's direction, focal length and "
            "distance."
        )
    )
    return joined(" ", said)


def _counted(names: Mapping[str, str], counts: Mapping[str, int]) -> str:
    """What there is of each kind, in the order of the names."""
    return joined(
        ", ",
        [
            say_many("{what} ({count} angle)", "{what} ({count} angles)", counts[one], what=what)
            for one, what in names.items()
            if one in counts
        ],
    )
