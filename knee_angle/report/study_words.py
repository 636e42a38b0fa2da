"""A comparison of two methods in words: figures and cautions."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from knee_angle import words
from knee_angle.agreement import (
    Estimate,
    FittedLine,
    LimitsPlan,
    NotComputed,
    Study,
    Subgroup,
)
from knee_angle.report.reporting import Versions

__all__ = [
    "About",
    "Figure",
    "cautions",
    "figures",
    "number",
    "plan_text",
    "study_text",
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
    "displayed_deg": "display",
    "flexion_deg": "knee",
    "frame_deg": "machine's bars",
    "flat_flexion_deg": "knee, flat in the photo",
}
"""What our own columns are called in sentences and plots; others keep their names."""

NAMED_ROWS = 10
"""So many rows left out are named in the text; the page and JSON name more."""


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
        return f"{self.compared_name} \u2212 {self.reference_name}"

    @property
    def title(self) -> str:
        """The report's first line."""
        return f"Agreement of {self.compared_name} and {self.reference_name}"


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
        return _plain(value, digits, sign=sign) + unit

    return said(estimate.value), f"{said(estimate.low)} to {said(estimate.high)}"


def _plain(value: float, digits: int, *, sign: bool = False) -> str:
    rounded = round(value, digits) + 0.0
    text = f"{rounded:+.{digits}f}" if sign and rounded else f"{rounded:.{digits}f}"
    return text.replace("-", "\u2212")


def percent(estimate: Estimate) -> tuple[str, str]:
    """A share as text."""
    digits = 0 if estimate.high - estimate.low >= 0.02 else 1
    low, high = (f"{100 * end:.{digits}f}" for end in estimate.interval)
    return f"{100 * estimate.value:.{digits}f} %", f"{low} to {high} %"


def _units(study: Study) -> str:
    n, units = study.pairs.n, study.pairs.units
    return f"{n:,} pairs" if units == n else f"{n:,} pairs of {units:,} persons"


def summary(study: Study, about: About) -> str:
    """The answer in three sentences."""
    limits, unit = study.limits, about.unit
    more = "more" if limits.bias.value >= 0 else "less"
    size = Estimate(abs(limits.bias.value), limits.bias.interval)
    value, _ = number(size, unit)
    _, interval = number(limits.bias, unit, sign=True)
    low, _ = number(limits.lower, unit, sign=True)
    high, _ = number(limits.upper, unit, sign=True)
    shares = ", ".join(f"{percent(w.share)[0]} within {w.tolerance:g}{unit}" for w in study.within)
    stay = f" Share of differences: {shares}." if shares else ""
    return (
        f"Over {_units(study)}, {_the(about.compared)} reads on average {value} {more} than "
        f"{_the(about.reference)} (95 % {interval}). A single difference is expected between "
        f"{low} and {high} in 95 of 100 cases.{stay}"
    )


def _the(column: str) -> str:
    return f"the {COLUMN_WORDS[column]}" if column in COLUMN_WORDS else column


def figures(study: Study, about: About) -> tuple[Figure, ...]:
    """Every figure with its interval, in the order of the report."""
    return tuple(_figures(study, about))


def _figures(study: Study, about: About) -> Iterator[Figure]:
    limits, unit = study.limits, about.unit
    yield _figure("Agreement", "bias", number(limits.bias, unit, sign=True))
    yield _figure("Agreement", "lower limit of agreement", number(limits.lower, unit, sign=True))
    yield _figure("Agreement", "upper limit of agreement", number(limits.upper, unit, sign=True))
    yield _figure("Agreement", "SD of a difference", number(limits.sd, unit))
    if limits.parts is not None:
        for name in ("person", "rater", "repeat"):
            said = "of repeats" if name == "repeat" else f"between {name}s"
            yield _figure("Agreement", f"SD {said}", number(getattr(limits.parts, name), unit))
    for within in study.within:
        said = f"{within.count:,} of {study.pairs.n:,}"
        name = f"share within ±{within.tolerance:g}{unit}"
        yield _figure("Agreement", name, percent(within.share), said)
    yield from _quantiles(study, unit)
    if not about.of_display:
        yield _figure("Error of measurement", "SEM", number(limits.sem, unit))
        yield _figure(
            "Error of measurement", "smallest detectable difference", number(limits.sdd, unit)
        )
    for what, repeat in study.repeats.items():
        name = {"reference": about.reference_name, "compared": about.compared_name}.get(
            what, "the difference"
        )
        said = f"{repeat.freedom:,} degrees of freedom"
        yield _figure(
            "Within persons", f"repeatability coefficient of {name}",
            number(repeat.coefficient, unit), said,
        )  # fmt: skip
    yield from _line("Proportional bias", study.trend, unit)
    yield from _line("Deming's line", study.deming, unit)
    if study.both is not None:
        yield from _line("Line with errors in both", study.both, unit)
    yield from _coefficients(study)


def _quantiles(study: Study, unit: str) -> Iterator[Figure]:
    """The limits that hold for any tails, and which limits to read."""
    section, found = "Limits by quantiles", study.quantiles
    if isinstance(found, NotComputed):
        yield Figure(section, "not computed", "", "", found.reason)
        return
    yield _figure(section, "2.5 % of differences below", number(found.lower, unit, sign=True))
    said = f"worth {found.effective_n:,.0f} independent differences"
    yield _figure(section, "2.5 % of differences above", number(found.upper, unit, sign=True), said)


def tails_said(study: Study) -> str:
    """Which limits to read, by the test of the tails."""
    tails = study.tails
    if isinstance(tails, NotComputed):
        return "whether the tails are normal could not be tested"
    of = " of the persons' means" if tails.of == "persons" else ""
    tested = f"excess kurtosis{of} {_plain(tails.excess, 1, sign=True)}, p {_p(tails.p_value)}"
    if tails.heavy and isinstance(study.quantiles, NotComputed):
        return (
            f"tails are heavier than normal ({tested}), and the differences are too few for limits "
            "by quantiles: read neither limits as holding 95 %"
        )
    if tails.heavy:
        return f"tails are heavier than normal ({tested}): read the limits by quantiles"
    return f"no heavier tails than normal are proven ({tested}): read the limits of agreement"


def _p(value: float) -> str:
    return "< 0.001" if value < 0.001 else f"{value:.2g}"


def _figure(section: str, name: str, said: tuple[str, str], note: str = "") -> Figure:
    return Figure(section, name, said[0], said[1], note)


def _line(section: str, line: FittedLine | NotComputed, unit: str) -> Iterator[Figure]:
    if isinstance(line, NotComputed):
        yield Figure(section, "not computed", "", "", line.reason)
        return
    note = ""
    if line.variance_ratio is not None:
        note = f"ratio of error variances {line.variance_ratio:g}"
    if line.chi2_per_dof is not None:
        note = f"chi-square over degrees of freedom {line.chi2_per_dof:.2f}"
    signed = line.kind == "trend"
    yield _figure(section, "gain", number(line.gain, sign=signed), note)
    yield _figure(section, "offset", number(line.offset, unit, sign=True))


FORM_WORDS: Mapping[str, str] = {
    "1,1": "one-way",
    "2,1": "absolute agreement",
    "3,1": "consistency",
    "1,k": "one-way, mean of both",
    "2,k": "absolute agreement, mean of both",
    "3,k": "consistency, mean of both",
}


def _coefficients(study: Study) -> Iterator[Figure]:
    section = "Coefficients"
    if isinstance(study.concordance, NotComputed):
        yield Figure(section, "concordance (Lin)", "", "", study.concordance.reason)
    else:
        found = study.concordance
        said = f"correlation {found.precision:.3f} × accuracy {found.accuracy:.3f}"
        yield _figure(section, "concordance (Lin)", _share_of_one(found.coefficient), said)
    if isinstance(study.icc, NotComputed):
        yield Figure(section, "intraclass correlations", "", "", study.icc.reason)
        return
    for form, estimate in study.icc.forms.items():
        yield _figure(section, f"ICC({form})", _share_of_one(estimate), FORM_WORDS[form])


def _share_of_one(estimate: Estimate) -> tuple[str, str]:
    low, high = (_plain(end, 3) for end in estimate.interval)
    return _plain(estimate.value, 3), f"{low} to {high}"


def cautions(study: Study, about: About) -> tuple[str, ...]:
    """What a reader should know before using the figures."""
    return (*_cautions(study, about), words.CAUTION)


def _cautions(study: Study, about: About) -> Iterator[str]:
    n, units = study.pairs.n, study.pairs.units
    if units < FEW:
        what = "pairs" if units == n else "persons"
        yield f"Only {units} {what}: whether the differences are normal cannot be judged."
    if not isinstance(study.tails, NotComputed) and study.tails.heavy:
        said = tails_said(study)
        yield f"{said[0].upper()}{said[1:]}."
    if study.pairs.rater is not None and (raters := int(study.pairs.rater.max()) + 1) < 5:
        yield (
            f"Only {raters} raters: how much raters differ is hardly known from so few, and the "
            "wide intervals say so."
        )
    if about.person is None:
        yield (
            "Each pair is taken as another person. Where persons were measured several times, "
            "name the column of their codes (--person): without it the intervals are too narrow."
        )
    if (
        isinstance(study.trend, FittedLine)
        and not study.trend.gain.low <= 0 <= study.trend.gain.high
    ):
        change = _plain(10 * study.trend.gain.value, 1, sign=True)
        yield (
            f"The difference changes along the range ({change}{about.unit} for each "
            f"10{about.unit}): one pair of limits does not fit all of it. See the bands."
        )
    if study.outside / n > USUAL_OUTSIDE:
        yield (
            f"{study.outside:,} of {n:,} differences lie beyond the limits, where 5 % are "
            "expected: the differences are not normal, look at the plot."
        )
    if isinstance(study.both, FittedLine) and (study.both.chi2_per_dof or 0) > WIDE_SCATTER:
        yield (
            "The points scatter more about the line with errors in both than their stated "
            "uncertainties explain: its gain leans on a ratio of errors that does not hold."
        )
    left = len(study.pairs.excluded)
    if left > MUCH_LEFT_OUT * (left + n):
        yield (
            f"{left:,} of {left + n:,} rows were left out. If what could not be measured differs "
            "from the rest, the figures do not stand for it."
        )
    if len(study.subgroups) > 1:
        yield (
            "Among many subgroups some stand apart by chance: a difference found here is a "
            "question for the next study."
        )


def subgroup_row(group: Subgroup, about: About, *, band: bool = False) -> tuple[str, ...]:
    """Label, pairs, bias, its interval, limits, shares, for one subgroup or band."""
    unit, shares = about.unit, ", ".join(percent(w.share)[0] for w in group.within)
    label = f"{group.label}{unit}" if band else group.label
    if isinstance(group.limits, NotComputed):
        return label, f"{group.pairs.n:,}", "", "", "too few for an interval", shares
    bias, interval = number(group.limits.bias, unit, sign=True)
    low, _ = number(group.limits.lower, unit, sign=True)
    high, _ = number(group.limits.upper, unit, sign=True)
    return label, f"{group.pairs.n:,}", bias, interval, f"{low} to {high}", shares


def subgroup_tables(study: Study, about: About) -> dict[str, list[tuple[str, ...]]]:
    """For each grouping its title and rows of `subgroup_row`."""
    tables: dict[str, list[tuple[str, ...]]] = {}
    for group in study.subgroups:
        tables.setdefault(f"By {group.column}", []).append(subgroup_row(group, about))
    bands = [subgroup_row(group, about, band=True) for group in study.bands]
    return {**tables, f"By {about.reference_name}, in bands": bands}


def study_text(study: Study, about: About) -> str:
    """The whole study as text for a terminal."""
    difference = f"{about.compared} \u2212 {about.reference}"
    lines = [summary(study, about), f"difference = {difference}", ""]
    section = ""
    for figure in figures(study, about):
        if figure.section != section:
            section = figure.section
            lines.append(section)
        interval = f"(95 % {figure.interval})" if figure.interval else ""
        note = f"  {figure.note}" if figure.note else ""
        lines.append(f"  {figure.name:<38}{figure.value:>8}  {interval}{note}".rstrip())
    for title, rows in subgroup_tables(study, about).items():
        lines += ["", f"{title}: pairs, bias, limits of agreement, share within"]
        lines += [
            f"  {label:<18}{n:>8}  {bias:>7} {f'({interval})' if interval else '':<20} "
            f"{limits:<20} {shares}".rstrip()
            for label, n, bias, interval, limits, shares in rows
        ]
    excluded = study.pairs.excluded
    if excluded:
        lines += ["", f"Left out: {len(excluded):,} rows"]
        lines += [f"  {row.name}: {row.reason}" for row in excluded[:NAMED_ROWS]]
        if len(excluded) > NAMED_ROWS:
            lines.append(f"  and {len(excluded) - NAMED_ROWS:,} more: --format json names them all")
    return "\n".join([*lines, "", *cautions(study, about)])


def plan_text(plan: LimitsPlan) -> str:
    """A sample size in words."""
    if plan.repeats > 1:
        return (
            f"{plan.n:,} persons with {plan.repeats} pairs each: with differences of SD "
            f"{plan.sd:g}°, {plan.between:.0%} of their variance between persons, the 95 % "
            f"interval of each limit of agreement is then about ± {plan.half_width:.2f}° (wanted "
            f"± {plan.wanted_half_width:g}°).\n{words.CAUTION}"
        )
    surely = "on average" if plan.assurance is None else f"with a probability of {plan.assurance:g}"
    return (
        f"{plan.n:,} pairs, each of another person: with differences of SD {plan.sd:g}° the 95 % "
        f"interval of each limit of agreement is then ± {plan.half_width:.2f}° or less {surely} "
        f"(wanted ± {plan.wanted_half_width:g}°).\n{words.CAUTION}"
    )
