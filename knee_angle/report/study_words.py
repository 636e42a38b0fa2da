"""A comparison of two methods in words: figures and cautions."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from knee_angle.agreement import (
    Estimate,
    FittedLine,
    NotComputed,
    Study,
    Subgroup,
)
from knee_angle.angle import words
from knee_angle.language import capital, figure, joined, say, say_as
from knee_angle.report.reporting import Sources, Versions

__all__ = [
    "About",
    "Figure",
    "cautions",
    "coefficient",
    "figures",
    "number",
    "summary",
    "tails_said",
]

FEW = 30
"""Below so many units the shape of the differences cannot be judged."""

USUAL_OUTSIDE = 0.08
"""More differences beyond the limits than this are no longer near the expected 5 %."""

WIDE_SCATTER = 2.0
"""Chi-square over its degrees of freedom from which the stated u are too small."""

MUCH_LEFT_OUT = 0.1
"""A larger share of rows left out can change what the figures stand for."""

COLUMN_WORDS = {
    "displayed_deg": say_as("alone", "display"),
    "flexion_deg": say_as("alone", "knee"),
    "frame_deg": say_as("alone", "machine's bars"),
    "flat_flexion_deg": say_as("alone", "knee, flat in the photo"),
}
"""What our own columns are called in sentences and plots; others keep their names."""


@dataclass(frozen=True, slots=True)
class About:
    """Where a study comes from.

    Parameters
    ----------
    table : str
        Name of the table.
    reference, compared : str
        Its two columns.
    person, u_reference : str or None
        Further columns, where used.
    missing : str
        "refuse" or "drop".
    version : str
        Of this software.
    made : str
        Date of the analysis, ISO 8601.
    u_compared : float or None
        Standard uncertainty taken for the compared values.
    rater : str or None
        The column of who measured, where used.
    versions : Versions or None
        What measured, for the methods.
    sources : Sources or None
        From what the table's angles came, for the methods.
    """

    table: str
    reference: str
    compared: str
    person: str | None
    u_reference: str | None
    missing: str
    version: str
    made: str
    u_compared: float | None = None
    rater: str | None = None
    versions: Versions | None = None
    sources: Sources | None = None

    @property
    def unit(self) -> str:
        """The unit sign that the column names tell, or nothing."""
        for ending, sign in (("_deg", "°"), ("_mm", " mm")):
            if self.reference.endswith(ending) and self.compared.endswith(ending):
                return sign
        return ""

    @property
    def reference_name(self) -> str:
        """What the reference is called in a sentence."""
        return COLUMN_WORDS.get(self.reference, self.reference)

    @property
    def compared_name(self) -> str:
        """What is compared, in a sentence."""
        return COLUMN_WORDS.get(self.compared, self.compared)

    @property
    def of_display(self) -> bool:
        """Whether the machine's display or bars are one of the two: their scatter is no SEM.

        It holds the machine's calibration and how each leg lay, not one method's error.
        """
        return bool({"displayed_deg", "frame_deg"} & {self.reference, self.compared})

    @property
    def difference(self) -> str:
        """What a difference is."""
        return joined(" \u2212 ", (self.compared_name, self.reference_name))

    @property
    def title(self) -> str:
        """The report's first line."""
        return say(
            "Agreement of {compared} and {reference}",
            compared=self.compared_name, reference=self.reference_name,
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Figure:
    """One line of the table of figures: ready text."""

    section: str
    name: str
    value: str
    interval: str
    note: str = ""


def number(estimate: Estimate, unit: str = "", *, sign: bool = False) -> tuple[str, str]:
    """Value and interval as text, with as many decimals as the interval's width deserves.

    Examples
    --------
    >>> from knee_angle.agreement import Estimate
    >>> number(Estimate(1.234, (0.2, 2.3)), "°", sign=True)
    ('+1.2°', '+0.2° to +2.3°')
    >>> number(Estimate(1.0052, (1.0041, 1.0063)))
    ('1.0052', '1.0041 to 1.0063')
    """
    width = estimate.high - estimate.low
    digits = next((d for d, least in ((1, 0.5), (2, 0.1), (3, 0.01)) if width >= least), 4)
    if width == 0:
        digits = 2

    def said(value: float) -> str:
        return figure(_plain(value, digits, sign=sign) + unit)

    low, high = said(estimate.low), said(estimate.high)
    return said(estimate.value), say("{low} to {high}", low=low, high=high)


def _plain(value: float, digits: int, *, sign: bool = False) -> str:
    rounded = round(value, digits) + 0.0
    text = f"{rounded:+.{digits}f}" if sign and rounded else f"{rounded:.{digits}f}"
    return text.replace("-", "\u2212")


def percent(estimate: Estimate) -> tuple[str, str]:
    """A share as text."""
    digits = 0 if estimate.high - estimate.low >= 0.02 else 1
    low, high = (f"{100 * end:.{digits}f}" for end in estimate.interval)
    value = figure(f"{100 * estimate.value:.{digits}f} %")
    return value, say("{low} to {high}", low=figure(low), high=figure(f"{high} %"))


def _units(study: Study) -> str:
    n, units = study.pairs.n, study.pairs.units
    if units == n:
        return say("{n:,} pairs", n=n)
    return say("{n:,} pairs of {units:,} persons", n=n, units=units)


def summary(study: Study, about: About) -> str:
    """The answer in three sentences."""
    limits, unit = study.limits, about.unit
    size = Estimate(abs(limits.bias.value), limits.bias.interval)
    value, _ = number(size, unit)
    _, interval = number(limits.bias, unit, sign=True)
    low, _ = number(limits.lower, unit, sign=True)
    high, _ = number(limits.upper, unit, sign=True)
    said = MORE if limits.bias.value >= 0 else LESS
    lines = [
        said.format(
            units=_units(study), compared=_the(about.compared), reference=_the(about.reference),
            value=value, interval=interval, low=low, high=high,
        )
    ]  # fmt: skip
    shares = [
        say("{share} within {tolerance:g}{unit}", share=percent(w.share)[0],
            tolerance=w.tolerance, unit=unit)
        for w in study.within
    ]  # fmt: skip
    if shares:
        lines.append(say("Share of differences: {shares}.", shares=joined(", ", shares)))
    return joined(" ", lines)


MORE = say(
    "Over {units}, {compared} reads on average {value} more than {reference} (95 % {interval}). A "
    "single difference is expected between {low} and {high} in 95 of 100 cases."
)
LESS = say(
    "Over {units}, {compared} reads on average {value} less than {reference} (95 % {interval}). A "
    "single difference is expected between {low} and {high} in 95 of 100 cases."
)
THE_COLUMN = {
    "displayed_deg": say_as("compared", "the display"),
    "flexion_deg": say_as("compared", "the knee"),
    "frame_deg": say_as("compared", "the machine's bars"),
    "flat_flexion_deg": say_as("compared", "the knee, flat in the photo"),
}


def _the(column: str) -> str:
    return THE_COLUMN.get(column, column)


def figures(study: Study, about: About) -> tuple[Figure, ...]:
    """Every figure with its interval, in the order of the report."""
    return tuple(_figures(study, about))


def _figures(study: Study, about: About) -> Iterator[Figure]:
    limits, unit = study.limits, about.unit
    section = say("Agreement")
    yield _figure(section, say("bias"), number(limits.bias, unit, sign=True))
    yield _figure(section, say("lower limit of agreement"), number(limits.lower, unit, sign=True))
    yield _figure(section, say("upper limit of agreement"), number(limits.upper, unit, sign=True))
    yield _figure(section, say("SD of a difference"), number(limits.sd, unit))
    if limits.parts is not None:
        for part, told in SD_OF.items():
            yield _figure(section, told, number(getattr(limits.parts, part), unit))
    for within in study.within:
        said = say("{count:,} of {n:,}", count=within.count, n=study.pairs.n)
        name = say("share within ±{tolerance:g}{unit}", tolerance=within.tolerance, unit=unit)
        yield _figure(section, name, percent(within.share), said)
    yield from _quantiles(study, unit)
    if not about.of_display:
        section = say("Error of measurement")
        yield _figure(section, say("SEM"), number(limits.sem, unit))
        yield _figure(section, say("smallest detectable difference"), number(limits.sdd, unit))
    yield from _repeatability(study, about)
    yield from _line(say("Proportional bias"), study.trend, unit)
    yield from _line(say("Deming's line"), study.deming, unit)
    if study.both is not None:
        yield from _line(say("Line with errors in both"), study.both, unit)
    yield from _coefficients(study)


SD_OF = {
    "person": say("SD between persons"),
    "rater": say("SD between raters"),
    "repeat": say("SD of repeats"),
}


def _repeatability(study: Study, about: About) -> Iterator[Figure]:
    for what, repeat in study.repeats.items():
        name = {"reference": about.reference_name, "compared": about.compared_name}.get(
            what, say("the difference")
        )
        yield _figure(
            say("Within persons"), say("repeatability coefficient of {name}", name=name),
            number(repeat.coefficient, about.unit),
            say("{freedom:,} degrees of freedom", freedom=repeat.freedom),
        )  # fmt: skip


def _quantiles(study: Study, unit: str) -> Iterator[Figure]:
    """The limits that hold for any tails, and which limits to read."""
    section, found = say("Limits by quantiles"), study.quantiles
    if isinstance(found, NotComputed):
        yield Figure(section, say("not computed"), "", "", found.reason)
        return
    below, above = say("2.5 % of differences below"), say("2.5 % of differences above")
    yield _figure(section, below, number(found.lower, unit, sign=True))
    said = say("worth {n:,.0f} independent differences", n=found.effective_n)
    yield _figure(section, above, number(found.upper, unit, sign=True), said)


def tails_said(study: Study) -> str:
    """Which limits to read, by the test of the tails."""
    tails = study.tails
    if isinstance(tails, NotComputed):
        return say("whether the tails are normal could not be tested")
    excess, p = figure(_plain(tails.excess, 1, sign=True)), figure(_p(tails.p_value))
    tested = say("excess kurtosis {excess}, p {p}", excess=excess, p=p)
    if tails.of == "persons":
        tested = say("excess kurtosis of the persons' means {excess}, p {p}", excess=excess, p=p)
    if tails.heavy and isinstance(study.quantiles, NotComputed):
        return say(
            "tails are heavier than normal ({tested}), and the differences are too few for limits "
            "by quantiles: read neither limits as holding 95 %",
            tested=tested,
        )
    if tails.heavy:
        return say(
            "tails are heavier than normal ({tested}): read the limits by quantiles", tested=tested
        )
    return say(
        "no heavier tails than normal are proven ({tested}): read the limits of agreement",
        tested=tested,
    )


def _p(value: float) -> str:
    return "< 0.001" if value < 0.001 else f"{value:.2g}"


def _figure(section: str, name: str, said: tuple[str, str], note: str = "") -> Figure:
    return Figure(section, name, said[0], said[1], note)


def _line(section: str, line: FittedLine | NotComputed, unit: str) -> Iterator[Figure]:
    if isinstance(line, NotComputed):
        yield Figure(section, say("not computed"), "", "", line.reason)
        return
    note = ""
    if line.variance_ratio is not None:
        note = say("ratio of error variances {ratio:g}", ratio=line.variance_ratio)
    if line.chi2_per_dof is not None:
        note = say("chi-square over degrees of freedom {chi2:.2f}", chi2=line.chi2_per_dof)
    signed = line.kind == "trend"
    yield _figure(section, say("gain"), number(line.gain, sign=signed), note)
    yield _figure(section, say_as("alone", "offset"), number(line.offset, unit, sign=True))


FORM_WORDS: Mapping[str, str] = {
    "1,1": say("one-way"),
    "2,1": say("absolute agreement"),
    "3,1": say("consistency"),
    "1,k": say("one-way, mean of both"),
    "2,k": say("absolute agreement, mean of both"),
    "3,k": say("consistency, mean of both"),
}


def _coefficients(study: Study) -> Iterator[Figure]:
    section, lin = say("Coefficients"), say("concordance (Lin)")
    if isinstance(study.concordance, NotComputed):
        yield Figure(section, lin, "", "", study.concordance.reason)
    else:
        found = study.concordance
        said = say(
            "correlation {precision:.3f} × accuracy {accuracy:.3f}",
            precision=found.precision, accuracy=found.accuracy,
        )  # fmt: skip
        yield _figure(section, lin, coefficient(found.coefficient), said)
    if isinstance(study.icc, NotComputed):
        yield Figure(section, say("intraclass correlations"), "", "", study.icc.reason)
        return
    for form, estimate in study.icc.forms.items():
        yield _figure(section, f"ICC({form})", coefficient(estimate), FORM_WORDS[form])


def coefficient(estimate: Estimate) -> tuple[str, str]:
    """A coefficient between 0 and 1 as text: always three decimals, so that 0.96 is no 1.0."""
    low, high = (figure(_plain(end, 3)) for end in estimate.interval)
    return figure(_plain(estimate.value, 3)), say("{low} to {high}", low=low, high=high)


FEW_PAIRS = say("Only {units} pairs: whether the differences are normal cannot be judged.")
FEW_PERSONS = say("Only {units} persons: whether the differences are normal cannot be judged.")


def cautions(study: Study, about: About) -> tuple[str, ...]:
    """What a reader should know before using the figures."""
    return (*_cautions(study, about), words.CAUTION)


def _cautions(study: Study, about: About) -> Iterator[str]:
    n, units = study.pairs.n, study.pairs.units
    if units < FEW:
        yield (FEW_PAIRS if units == n else FEW_PERSONS).format(units=units)
    if not isinstance(study.tails, NotComputed) and study.tails.heavy:
        yield capital(tails_said(study))
    if study.pairs.rater is not None and (raters := int(study.pairs.rater.max()) + 1) < 5:
        yield say(
            "Only {raters} raters: how much raters differ is hardly known from so few, and the "
            "wide intervals say so.",
            raters=raters,
        )
    if about.person is None:
        yield say(
            "Each pair is taken as another person. Where persons were measured several times, "
            "name the column of their codes (--person): without it the intervals are too narrow."
        )
    if (
        isinstance(study.trend, FittedLine)
        and not study.trend.gain.low <= 0 <= study.trend.gain.high
    ):
        change = _plain(10 * study.trend.gain.value, 1, sign=True)
        yield say(
            "The difference changes along the range ({change} for each {step}): one pair of "
            "limits does not fit all of it. See the bands.",
            change=figure(f"{change}{about.unit}"), step=f"10{about.unit}",
        )  # fmt: skip
    if study.outside / n > USUAL_OUTSIDE:
        yield say(
            "{outside:,} of {n:,} differences lie beyond the limits, where 5 % are expected: the "
            "differences are not normal, look at the plot.",
            outside=study.outside, n=n,
        )  # fmt: skip
    if isinstance(study.both, FittedLine) and (study.both.chi2_per_dof or 0) > WIDE_SCATTER:
        yield say(
            "The points scatter more about the line with errors in both than their stated "
            "uncertainties explain: its gain leans on a ratio of errors that does not hold."
        )
    left = len(study.pairs.excluded)
    if left > MUCH_LEFT_OUT * (left + n):
        yield say(
            "{left:,} of {rows:,} rows were left out. If what could not be measured differs from "
            "the rest, the figures do not stand for it.",
            left=left, rows=left + n,
        )  # fmt: skip
    if len(study.subgroups) > 1:
        yield say(
            "Among many subgroups some stand apart by chance: a difference found here is a "
            "question for the next study."
        )


def subgroup_row(group: Subgroup, about: About, *, band: bool = False) -> tuple[str, ...]:
    """Label, pairs, bias, its interval, limits, shares, for one subgroup or band."""
    unit, shares = about.unit, joined(", ", [percent(w.share)[0] for w in group.within])
    label = joined("", (group.label, unit)) if band else group.label
    if isinstance(group.limits, NotComputed):
        return label, f"{group.pairs.n:,}", "", "", say("too few for an interval"), shares
    bias, interval = number(group.limits.bias, unit, sign=True)
    low, _ = number(group.limits.lower, unit, sign=True)
    high, _ = number(group.limits.upper, unit, sign=True)
    return (
        label,
        f"{group.pairs.n:,}",
        bias,
        interval,
        say("{low} to {high}", low=low, high=high),
        shares,
    )


def subgroup_tables(study: Study, about: About) -> dict[str, list[tuple[str, ...]]]:
    """For each grouping its title and rows of `subgroup_row`."""
    tables: dict[str, list[tuple[str, ...]]] = {}
    for group in study.subgroups:
        tables.setdefault(say("By {column}", column=group.column), []).append(
            subgroup_row(group, about)
        )
    bands = [subgroup_row(group, about, band=True) for group in study.bands]
    return {**tables, say("By {column}, in bands", column=about.reference_name): bands}
