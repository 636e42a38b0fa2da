"""What a site may set: each field with its range, unit, default and source, in one place.

`Settings` is checked when it is made, so one that exists is valid. Commands and page take
bounds, defaults, help and names of options from `meaning_of`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field, fields
from typing import Any, Literal

from knee_angle.assumptions import FLEXION_RANGE_DEG, PLACEMENT_MM
from knee_angle.errors import InvalidInput, one_line
from knee_angle.language import joined, say

__all__ = [
    "COUNTINGS",
    "MARKS_ON",
    "SETTING_NAMES",
    "Counting",
    "Meaning",
    "Settings",
    "changed",
    "flexion_of_display",
    "kept_settings",
    "meaning_of",
    "problems_of",
]

OTHER_UNITS = say("was it meant in other units?")
MARKS_ON: tuple[str, ...] = tuple(PLACEMENT_MM)
"""Where a mark can be."""
Counting = Literal["flexion", "straight-is-180", "negative"]
"""How a display counts: degrees of flexion (0 is straight); 180 is straight; flexion below 0."""
COUNTINGS: tuple[Counting, ...] = ("flexion", "straight-is-180", "negative")
"""All ways of counting."""
CONVENTION = say("it is in degrees of flexion, 0 is straight")


_UNITS = {"degrees": say(" degrees"), "mm": " mm", "": ""}
_ABOVE = say("{name} must be above {low:g} and at most {high:g}{unit}, but got {value:g}: {hint}")
_BETWEEN = say("{name} must be between {low:g} and {high:g}{unit}, but got {value:g}: {hint}")


@dataclass(frozen=True, slots=True)
class Meaning:
    """What a setting means and may be.

    Parameters
    ----------
    what : str
        In words, as the help shows it.
    unit : {"degrees", "mm", ""}
        Its unit.
    low, high : float
        Smallest and largest value.
    above : bool
        Whether `low` itself is too small.
    option : str
        The command's option.
    hint : str
        What to think of where a value is refused.
    source : str
        Where the default comes from.
    printable : (float, float) or None
        Smallest and largest size that a sheet can be printed with, where it is printed.
    choices : tuple of str
        All that it may be, where it is a word and not a number.
    switch : bool
        Whether it is on or off.
    """

    what: str
    unit: str
    low: float
    high: float
    option: str
    source: str
    above: bool = False
    hint: str = OTHER_UNITS
    printable: tuple[float, float] | None = None
    choices: tuple[str, ...] = ()
    switch: bool = False

    def problem(self, name: str, value: float) -> str | None:
        """What is wrong with a value, in one sentence that calls it ``name``; else None."""
        inside = self.low < value if self.above else self.low <= value
        if math.isfinite(value) and inside and value <= self.high:
            return None
        rule = _ABOVE if self.above else _BETWEEN
        return rule.format(
            name=name, low=self.low, high=self.high, unit=_UNITS[self.unit], value=value,
            hint=self.hint,
        )  # fmt: skip


def _setting(default: Any, what: str, **meaning: Any) -> Any:
    return field(default=default, metadata={"meaning": Meaning(what, **meaning)})


@dataclass(frozen=True, slots=True)
class Settings:
    """What a site may set; `meaning_of` tells each field's range, unit and source.

    Raises
    ------
    InvalidInput
        A value outside its range, or limits that no knee can keep at once; every problem
        in one message.
    """

    tolerance_deg: float = _setting(
        10.0,
        say("Allowed |displayed - knee|, degrees."),
        unit="degrees", low=0.0, high=45.0, above=True, option="--tolerance",
        hint=say("a wider one would let almost any display agree"),
        source="about the smallest difference that goniometry detects (Hancock et al. 2018, "
        "J Exp Orthop 5:46, long arm)",
    )  # fmt: skip
    straight_tolerance_deg: float = _setting(
        5.0,
        say("The same where knee or display is near straight, degrees."),
        unit="degrees", low=0.0, high=45.0, above=True, option="--straight-tolerance",
        hint=say("a wider one would let almost any display agree"),
        source="our own: half the tolerance in flexion, where a few degrees decide",
    )  # fmt: skip
    straight_below_deg: float = _setting(
        20.0,
        say("Knee or display below this is near straight, degrees."),
        unit="degrees", low=0.0, high=60.0, option="--straight-below", hint=CONVENTION,
        source="our own",
    )  # fmt: skip
    frame_tolerance_deg: float = _setting(
        5.0,
        say("Allowed |displayed - bars|, degrees."),
        unit="degrees", low=0.0, high=45.0, above=True, option="--frame-tolerance",
        hint=say("a wider one would let almost any display agree"), source="common practice",
    )  # fmt: skip
    fit_tolerance_deg: float = _setting(
        10.0,
        say("Allowed |bars - knee|, degrees."),
        unit="degrees", low=0.0, high=45.0, above=True, option="--fit-tolerance",
        hint=say("a wider one would let almost any leg fit"),
        source="as the tolerance of the display",
    )  # fmt: skip
    limit_flexion_deg: float | None = _setting(
        None,
        say("Prescribed flexion limit, degrees: the knee should bend no further."),
        unit="degrees", low=FLEXION_RANGE_DEG[0], high=FLEXION_RANGE_DEG[1],
        option="--limit-flexion", hint=CONVENTION,
        source="the prescription",
    )  # fmt: skip
    limit_extension_deg: float | None = _setting(
        None,
        say("Prescribed extension limit, degrees of flexion: the knee should "
            "straighten no further; 5 is 5° short of straight, -5 is 5° beyond "
            "straight."),
        unit="degrees", low=FLEXION_RANGE_DEG[0], high=FLEXION_RANGE_DEG[1],
        option="--limit-extension", hint=CONVENTION,
        source="the prescription",
    )  # fmt: skip
    stature_mm: float | None = _setting(
        None,
        say("The patient's height, mm: checks the lengths."),
        unit="mm", low=400.0, high=2600.0, option="--stature-mm",
        source="from newborn to beyond the tallest adult; metres and centimetres lie outside",
    )  # fmt: skip
    tag_mm: float = _setting(
        50.0,
        say("Printed edge of a tag of the strip (its black square), mm."),
        unit="mm", low=10.0, high=500.0, option="--tag-mm",
        source="the sheet's default; from a tag that a phone just resolves to one as large as "
        "a machine", printable=(20.0, 100.0),
    )  # fmt: skip
    bar_tag_mm: float = _setting(
        40.0,
        say("The same of the tags on the bars."),
        unit="mm", low=10.0, high=500.0, option="--bar-tag-mm", source="the sheet's default",
        printable=(25.0, 60.0),
    )  # fmt: skip
    dot_mm: float | None = _setting(
        None,
        say("Diameter of the dots, mm; 10 to 25 is assumed where it is not known."),
        unit="mm", low=3.0, high=100.0, option="--dot-mm", source="the dots that are used",
        printable=(10.0, 25.0),
    )  # fmt: skip
    thigh_mm: float | None = _setting(
        None,
        say("Trochanter to epicondyle mark by tape, mm: the scale."),
        unit="mm", low=100.0, high=700.0, option="--thigh-mm",
        source="a tape; thighs from small children to very tall adults",
    )  # fmt: skip
    support_mm: float | None = _setting(
        None,
        say("Knee to where the lower leg is held, mm."),
        unit="mm", low=50.0, high=600.0, option="--support-mm",
        source="from just below the knee to the foot plate of a very tall adult",
    )  # fmt: skip
    marks_on: tuple[str, str, str] = _setting(
        ("cloth", "skin", "skin"),
        say("Where hip, knee and ankle mark are: {marks_on}; one word or three.",
            marks_on=", ".join(MARKS_ON)),
        unit="", low=0.0, high=0.0, option="--marks-on", choices=MARKS_ON,
        hint=say("one word for all marks, or three for hip, knee and ankle, such as "
            "cloth,skin,skin"),
        source="a hip is seldom bared at the bedside (common practice); their ± is "
        "`assumptions.PLACEMENT_MM`",
    )  # fmt: skip
    placement_mm: tuple[float, float, float] | None = _setting(
        None,
        say("± (u) of hip, knee and ankle mark against the bone, mm, instead of what "
            "--marks-on says."),
        unit="mm", low=0.0, high=100.0, option="--placement-mm",
        hint=say("a mark that far off is not on the joint"),
        source="`marks_on`",
    )  # fmt: skip
    display_resolution_deg: float = _setting(
        1.0,
        say("Step of the display, degrees."),
        unit="degrees", low=0.0, high=15.0, above=True, option="--display-step",
        hint=say("a display counts in steps of 1, 2 or 5"), source="common practice",
    )  # fmt: skip
    movement_deg: float = _setting(
        0.0,
        say("Movement between photo and reading, half-width in degrees; 0 where it was "
            "paused."),
        unit="degrees", low=0.0, high=90.0, option="--not-paused",
        hint=say("more than a machine moves between a photo and a glance at the display"),
        source="a paused machine",
    )  # fmt: skip
    counts: Counting = _setting(  # noqa: RUF009  a field like the others, of a word
        "flexion",
        say("How the display counts: flexion (0 is straight), straight-is-180, or "
            "negative (flexion below zero). Each displayed number is converted to "
            "flexion before it is compared."),
        unit="", low=0.0, high=0.0, option="--counts", choices=COUNTINGS,
        hint=say("bend the empty machine and see which way its number goes"),
        source="common practice: most displays count flexion",
    )  # fmt: skip
    read_display: bool = _setting(
        False,
        "Read the number off a display in the photo where none is typed; only a clear one counts.",
        unit="", low=0.0, high=1.0, option="--read-display", switch=True,
        hint="it is on or off",
        source="our own: off until the networks read more displays clearly (their model card)",
    )  # fmt: skip
    display_prior: bool = _setting(
        True,
        "Doubt a number read that such machines hardly show, or that is far from the knee.",
        unit="", low=0.0, high=1.0, option="--display-prior", switch=True,
        hint="it is on or off", source="our own: `display.choose.USUAL_DEG`, "
        "`display.told.FAR_DEG`; it only ever lowers what is believed",
    )  # fmt: skip
    use_dots: bool = _setting(
        False,
        say("Use dots that were seen and would not be used, each as what it most probably is: "
            "where all photos given show a leg, and dots are on nothing else."),
        unit="", low=0.0, high=1.0, option="--use-dots", switch=True,
        hint="it is on or off",
        source="our own: which dot is which cannot be told, so a person says that they count",
    )  # fmt: skip
    trials: int = _setting(
        6_000,
        say("Monte Carlo trials."),
        unit="", low=100, high=1_000_000, option="--trials",
        hint=say("fewer say little, more take long"),
        source="95 % intervals repeat to 2 % of their width (our own)",
    )  # fmt: skip

    def __post_init__(self) -> None:
        values = {name: getattr(self, name) for name in SETTING_NAMES}
        if problems := problems_of(values):
            raise InvalidInput(joined("; ", problems))

    @property
    def placed_mm(self) -> tuple[float, float, float]:
        """± (u) of hip, knee and ankle mark, mm: as given, else by where the marks are."""
        if self.placement_mm is not None:
            return self.placement_mm
        hip, knee, ankle = (PLACEMENT_MM[on][k] for k, on in enumerate(self.marks_on))
        return hip, knee, ankle


SETTING_NAMES: tuple[str, ...] = tuple(one.name for one in fields(Settings))
_MEANINGS: Mapping[str, Meaning] = {one.name: one.metadata["meaning"] for one in fields(Settings)}


def meaning_of(name: str) -> Meaning:
    """What the setting of that name means and may be."""
    return _MEANINGS[name]


def changed(settings: Settings | None, changes: Mapping[str, Any]) -> Settings:
    """Settings (the usual ones where None) with some of them changed by name.

    Raises
    ------
    InvalidInput
        A name that no setting has, or values that cannot be.

    Examples
    --------
    >>> changed(None, {"tag_mm": 60}).tag_mm
    60
    """
    if unknown := [name for name in changes if name not in _MEANINGS]:
        raise InvalidInput(
            say(
                "{unknown} is no setting: name one of {known}",
                unknown=", ".join(map(one_line, unknown)),
                known=", ".join(SETTING_NAMES),
            )
        )
    return Settings(**{**asdict(settings or Settings()), **changes})


def flexion_of_display(number: float, *, counting: Counting) -> float:
    """A displayed number as degrees of flexion (0 is straight, flexion positive).

    Every way of counting is its own inverse: a flexion given here is what the display shows.

    Parameters
    ----------
    number : float
        As it stands on the display.
    counting : {"flexion", "straight-is-180", "negative"}
        How that display counts.

    Examples
    --------
    >>> flexion_of_display(87, counting="straight-is-180")
    93
    """
    match counting:
        case "flexion":
            return number
        case "straight-is-180":
            return 180 - number
        case "negative":
            return -number


def kept_settings(values: Mapping[str, Any]) -> Settings:
    """Settings as they were used when something was kept: read, not judged.

    What was measured then stays readable where a range is narrower today; whoever makes new
    settings from these (`dataclasses.replace`) has them checked. A setting of today that is
    not among the values has its default, one that is no longer known is left out.
    """
    if "tolerance_deg" in values and "straight_tolerance_deg" not in values:
        # Kept before there was a tighter tolerance near straight: one counted everywhere.
        values = {**values, "straight_tolerance_deg": values["tolerance_deg"]}
    made = object.__new__(Settings)
    for one in fields(Settings):
        object.__setattr__(made, one.name, values.get(one.name, one.default))
    return made


def problems_of(
    values: Mapping[str, Any], *, named: Callable[[str], str] = lambda name: name
) -> list[str]:
    """Every problem of the given settings in one sentence each; none where all can be.

    Parameters
    ----------
    values : Mapping of str to value
        Settings by name, not necessarily all.
    named : callable
        What a setting is called in the sentences; its own name by default.
    """
    problems = []
    for name, value in values.items():
        parts = value if isinstance(value, tuple) else (value,)
        for part in parts:
            meaning = _MEANINGS[name]
            if part is None or part in meaning.choices:
                continue
            if meaning.choices:
                problems.append(
                    say(
                        "{name} must be one of {choices}, but got {given!r}: {hint}",
                        name=named(name), choices=", ".join(meaning.choices), given=part,
                        hint=meaning.hint,
                    )
                )  # fmt: skip
                continue
            if meaning.switch:
                if part not in (False, True):  # a set would ask for its hash
                    problems.append(f"{named(name)} must be on or off, but got {part!r}")
                continue
            if isinstance(part, bool) or not isinstance(part, int | float):
                problems.append(
                    say("{name} must be a number, but got {given!r}", name=named(name), given=part)
                )
            elif (problem := meaning.problem(named(name), part)) is not None:
                problems.append(problem)
    low, high = values.get("limit_extension_deg"), values.get("limit_flexion_deg")
    if not problems and low is not None and high is not None and low > high:
        problems.append(
            say(
                "{extension} must not be above {flexion}, but got {low:g} and {high:g}: both are "
                "in degrees of flexion, 0 is straight",
                extension=named("limit_extension_deg"),
                flexion=named("limit_flexion_deg"),
                low=low,
                high=high,
            )
        )
    return problems
