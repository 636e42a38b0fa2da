"""What is said of a rater study: cautions, methods to paste, items of GRRAS and STARD, the flow."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from knee_angle.agreement.reliability import Reliability
from knee_angle.language import figure, joined, retold, say, say_many, without_stop
from knee_angle.report.flow_drawn import Step
from knee_angle.report.reporting import OURS, Sources, Versions, measurement_methods

__all__ = [
    "AboutRaters",
    "analysis_methods",
    "cautions",
    "flow_of",
    "grras_told",
    "methods_of",
    "rating_methods",
    "shape_of",
    "size_said",
    "stard_told",
]

ABOVE = say("see the methods above")


@dataclass(frozen=True, slots=True)
class AboutRaters:
    """Where a rater study comes from.

    Parameters
    ----------
    table : str
        Name of the table.
    value, target, rater : str
        Its columns.
    missing : str
        "refuse" or "drop".
    rows : int
        Rows of the table.
    made : str
        Date of the analysis, ISO 8601.
    versions : Versions
    blind : bool
        Whether points were placed on the blind page, in an order drawn from ``seed``.
    seed : int or None
    covered : (int, int) or None
        In how many of the study's photos the display was covered.
    found, unsure : int
        In how many of those it was found by software; in how many photos nothing was found and
        nobody said that there is nothing.
    between : int or None
        How many photos came between a photo and its repeat, at least; None without repeats.
    planned : (int, int, int) or None
        Photos, raters and repeats of the study.
    sources : Sources or None
        From what the table's angles came.
    seconds, minutes : float or None
        Median time of a rating, and from a rating to the rater's next of the same target.
    """

    table: str
    value: str
    target: str
    rater: str
    missing: str
    rows: int
    made: str
    versions: Versions
    blind: bool = False
    seed: int | None = None
    covered: tuple[int, int] | None = None
    found: int = 0
    unsure: int = 0
    between: int | None = None
    planned: tuple[int, int, int] | None = None
    sources: Sources | None = None
    seconds: float | None = None
    minutes: float | None = None

    @property
    def unit(self) -> str:
        """The unit sign that the column's name tells, or nothing."""
        return "°" if self.value.endswith("_deg") else ""

    @property
    def by_hand(self) -> bool:
        """Whether the points are known to have been placed by hand in photos."""
        return self.blind or (self.sources is not None and self.sources.by_hand)


def shape_of(found: Reliability) -> tuple[int, int, int]:
    """Targets, raters and repeats."""
    n, r, m = found.ratings.values.shape
    return int(n), int(r), int(m)


def size_said(n: int, r: int, m: int) -> str:
    """The size of a study in words."""
    return say_many(
        "{n} targets, {r} raters, {count} rating each.",
        "{n} targets, {r} raters, {count} ratings each.",
        m,
        n=n,
        r=r,
    )


def cautions(found: Reliability) -> tuple[str, ...]:
    """What to keep in mind."""
    n, r, m = shape_of(found)
    said = []
    if r < 5:
        said.append(
            say(
                "only {raters} raters: how much raters differ is hardly known from so few, and the "
                "wide intervals say so.",
                raters=r,
            )
        )
    if n < 30:
        said.append(say("only {n} targets: few to know the scatter from.", n=n))
    if m == 1:
        said.append(say("with one rating each, agreement within raters cannot be told."))
    said.append(
        say("an intraclass correlation grows with the range of the angles: read the degrees first.")
    )
    return tuple(said)


# The flow ----------------------------------------------------------------------------


def flow_of(found: Reliability, about: AboutRaters) -> tuple[Step, ...]:
    """From what was planned to what is analysed.

    A reason is told without what follows its colon, which is each photo's own.
    """
    n, r, m = shape_of(found)
    steps = []
    if about.planned is not None:
        photos, raters, repeats = about.planned
        planned = photos * raters * repeats
        steps.append(Step(say("ratings planned"), planned, detail=_product(*about.planned)))
        if planned > about.rows:
            steps.append(Step(say("not in the table"), planned - about.rows, out=True))
    steps.append(Step(say("ratings in the table"), about.rows))
    why = Counter(row.reason.partition(":")[0] for row in found.ratings.excluded)
    steps += [Step(retold(reason), count, out=True) for reason, count in sorted(why.items())]
    return (*steps, Step(say("ratings analysed"), n * r * m, detail=_product(n, r, m)))


def _product(targets: int, raters: int, repeats: int) -> str:
    return say(
        "{targets} targets × {raters} raters × {repeats} ratings",
        targets=targets,
        raters=raters,
        repeats=repeats,
    )


# Methods to paste --------------------------------------------------------------------


def methods_of(found: Reliability, about: AboutRaters) -> tuple[str, ...]:
    """Paragraphs of measurement (of our own columns), rating and analysis."""
    measured: tuple[str, ...] = ()
    if about.value in OURS:
        measured = (measurement_methods(about.versions, about.sources),)
    return (*measured, rating_methods(found, about), analysis_methods(found))


def rating_methods(found: Reliability, about: AboutRaters) -> str:
    """How the ratings came about, as a paragraph of a paper."""
    said = [_rated(found, about)]
    if about.blind:
        said.append(
            say(
                "Raters saw no angle and neither other raters' nor their own earlier points; "
                "{display}; each had an order of the photographs drawn at random (seed {seed}).",
                display=_display_covered(about),
                seed=about.seed,
            )
        )
    if about.blind and about.between is not None:
        said.append(
            say_many(
                "All photographs came once before one came again, with at least {count} other "
                "between a photograph and its repeat.",
                "All photographs came once before one came again, with at least {count} others "
                "between a photograph and its repeat.",
                about.between,
            )
        )
    said += _times(about)
    if found.ratings.excluded:
        said.append(
            say(
                "Of {rows} ratings {gone} were left out: {why}.",
                rows=about.rows,
                gone=len(found.ratings.excluded),
                why=_whole(about),
            )
        )
    return joined(" ", said)


def _times(about: AboutRaters) -> list[str]:
    """How long a rating took, and until its repeat."""
    said = []
    if about.seconds is not None:
        said.append(say("A rating took {seconds:.0f} s (median).", seconds=about.seconds))
    if about.minutes is not None:
        said.append(
            say(
                "Repeats came {minutes} min after the rating before (median).",
                minutes=figure(f"{about.minutes:.{0 if about.minutes >= 10 else 1}f}"),
            )
        )
    return said


def _rated(found: Reliability, about: AboutRaters) -> str:
    """Who rated what, as often."""
    n, r, m = shape_of(found)
    if not about.by_hand:
        return say_many(
            "Each of {r} raters rated {n} targets once.",
            "Each of {r} raters rated {n} targets {count} times.",
            m,
            r=r,
            n=n,
        )
    return say_many(
        "Each of {r} raters placed hip, knee and ankle by hand in {n} photographs, once in each.",
        "Each of {r} raters placed hip, knee and ankle by hand in {n} photographs, {count} times "
        "in each.",
        m,
        r=r,
        n=n,
    )


def _display_covered(about: AboutRaters) -> str:
    """What raters could read off the machine itself."""
    covered, photos = about.covered or (0, 0)
    if covered == photos:
        said = say("the machine's display was covered in the photographs")
    else:
        said = say(
            "the machine's display was covered in {covered} of {photos} photographs",
            covered=covered,
            photos=photos,
        )
    more = []
    if about.found:
        more.append(say("in {found} of them where software had found it", found=about.found))
    if about.unsure:
        more.append(say("in {unsure} nothing to cover was found", unsure=about.unsure))
    elif covered < photos:
        more.append(say("in the others there was nothing to cover"))
    return joined(", ", [said, *more])


def _whole(about: AboutRaters) -> str:
    """What was done with targets that not everybody rated equally often."""
    if about.missing == "drop":
        return say("targets that not every rater had rated equally often were left out and listed")
    return say("targets that not every rater had rated equally often were not allowed")


def analysis_methods(found: Reliability) -> str:
    """How raters were compared, as a paragraph of a paper."""
    once = shape_of(found)[2] == 1
    effects = say("Target, rater, the rater's own view of the target and repeat")
    sizes = say(
        "Repeatability is the standard deviation of repeats by one rater, reproducibility that of "
        "a rating by any rater: the standard errors of measurement within and between raters. The "
        "smallest detectable difference is 1.96 √2 times either."
    )
    pairs = "Stat Methods Med Res 1999;8:135-160"
    if once:
        effects = say("Target, rater and what is left of a rating")
        sizes = say(
            "Reproducibility is the standard deviation of a rating by any rater, the standard "
            "error of measurement between raters. The smallest detectable difference is 1.96 √2 "
            "times that."
        )
        pairs = "Lancet 1986;i:307-310"
    said = [
        say(
            "{effects} were taken as random effects; their variances come from the mean squares of "
            "the two-way table (Eliasziw et al., Phys Ther 1994;74:777-788).",
            effects=effects,
        ),
        sizes,
        say(
            "Limits of agreement with the mean (Jones et al., Int J Epidemiol 2011;40:1308-1313) "
            "hold 95 % of ratings about the mean of their target."
        ),
        say(
            "The intraclass correlation between raters is of absolute agreement and single "
            "ratings, ICC(A,1) (McGraw and Wong, Psychol Methods 1996;1:30-46)."
        ),
        say(
            "Every two raters were compared by limits of agreement (Bland and Altman, {source}).",
            source=pairs,
        ),
        say(
            "Intervals of variances and what is made of them are 95 % generalised confidence "
            "intervals (Weerahandi, J Am Stat Assoc 1993;88:899-905)."
        ),
    ]
    return joined(" ", said)


# Items -------------------------------------------------------------------------------


def grras_told(found: Reliability, about: AboutRaters) -> dict[str, str]:
    """What the report says of the items of GRRAS."""
    told = {
        "1": say("agreement within and between raters"),
        "2": say("knee_angle {version}, see the methods above", version=about.versions.software),
        "10": ABOVE,
        "11": without_stop(size_said(*shape_of(found))),
        "13": say("see the figures, each with its 95 % interval"),
        "15": say("every rating is a row of {table}", table=about.table),
    }
    if about.value not in OURS:
        del told["2"]
    if about.planned is not None:
        told["6"] = _planned(about.planned)
    if about.blind:
        told["8"] = say(
            "blind to angle and other points; {display}", display=_display_covered(about)
        )
        if about.between is not None:
            told["8"] = joined(
                "; ",
                [
                    told["8"],
                    say_many(
                        "at least {count} other before a repeat",
                        "at least {count} others before a repeat",
                        about.between,
                    ),
                ],
            )
        if times := _times(about):
            told["8"] = joined("; ", [told["8"], *map(without_stop, times)])
        told["9"] = say("independent: nobody saw another rating, nor an own one before")
    return told


def stard_told(about: AboutRaters) -> dict[str, str]:
    """What the report says of the items of STARD 2015."""
    told = {
        "10a": ABOVE,
        "14": ABOVE,
        "15": say("a rating without an angle has no value: see the flow"),
        "16": _whole(about),
        "17": say("within and between raters: see the figures"),
        "19": say("see the flow"),
        "24": say("see the figures"),
    }
    if about.planned is not None:
        told["18"] = _planned(about.planned)
    if about.blind:
        display = _display_covered(about)
        told["13a"] = say("nothing but the photograph; {display}", display=display)
    return told


def _planned(planned: tuple[int, int, int]) -> str:
    photos, raters, repeats = planned
    return say(
        "planned: {photos} photographs, {raters} raters, {repeats} ratings each; how that was "
        "chosen is yours to write",
        photos=photos,
        raters=raters,
        repeats=repeats,
    )
