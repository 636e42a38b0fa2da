"""A comparison of two methods as text for a terminal, and a sample size in words."""

from __future__ import annotations

from knee_angle.agreement import LimitsPlan, Study
from knee_angle.angle import words
from knee_angle.language import joined, say, tell
from knee_angle.report.study_words import About, cautions, figures, subgroup_tables, summary

__all__ = ["plan_text", "study_text"]

NAMED_ROWS = 10
"""So many rows left out are named in the text; the page and JSON name more."""


def study_text(study: Study, about: About) -> str:
    """The whole study as text for a terminal, in the language that is spoken here."""
    difference = f"{about.compared} \u2212 {about.reference}"
    lines = [tell(summary(study, about))]
    lines += [tell("difference = {difference}", difference=difference), ""]
    section = ""
    for one in figures(study, about):
        if one.section != section:
            section = one.section
            lines.append(tell(section))
        interval = f"(95 % {tell(one.interval)})" if one.interval else ""
        note = f"  {tell(one.note)}" if one.note else ""
        lines.append(f"  {tell(one.name):<38}{tell(one.value):>8}  {interval}{note}".rstrip())
    for title, rows in subgroup_tables(study, about).items():
        said = say("{title}: pairs, bias, limits of agreement, share within", title=title)
        lines += ["", tell(said)]
        lines += [_subgroup_text(*map(tell, row)) for row in rows]
    lines += _left_out_text(study)
    return "\n".join([*lines, "", *map(tell, cautions(study, about))])


def _subgroup_text(label: str, n: str, bias: str, interval: str, limits: str, shares: str) -> str:
    interval = f"({interval})" if interval else ""
    return f"  {label:<18}{n:>8}  {bias:>7} {interval:<20} {limits:<20} {shares}".rstrip()


def _left_out_text(study: Study) -> list[str]:
    excluded = study.pairs.excluded
    if not excluded:
        return []
    lines = ["", tell("Left out: {rows:,} rows", rows=len(excluded))]
    lines += [f"  {row.name}: {tell(row.reason)}" for row in excluded[:NAMED_ROWS]]
    if len(excluded) > NAMED_ROWS:
        more = len(excluded) - NAMED_ROWS
        lines.append("  " + tell("and {more:,} more: --format json names them all", more=more))
    return lines


def plan_text(plan: LimitsPlan) -> str:
    """A sample size in words."""
    if plan.repeats > 1:
        told = say(
            "{n:,} persons with {repeats} pairs each: with differences of SD {sd:g}°, "
            "{between:.0%} of their variance between persons, the 95 % interval of each limit of "
            "agreement is then about ± {half_width:.2f}° (wanted ± {wanted:g}°).",
            n=plan.n, repeats=plan.repeats, sd=plan.sd, between=plan.between,
            half_width=plan.half_width, wanted=plan.wanted_half_width,
        )  # fmt: skip
        return joined("\n", (told, words.CAUTION))
    surely = say("on average")
    if plan.assurance is not None:
        surely = say("with a probability of {assurance:g}", assurance=plan.assurance)
    told = say(
        "{n:,} pairs, each of another person: with differences of SD {sd:g}° the 95 % interval of "
        "each limit of agreement is then ± {half_width:.2f}° or less {surely} (wanted ± "
        "{wanted:g}°).",
        n=plan.n, sd=plan.sd, half_width=plan.half_width, surely=surely,
        wanted=plan.wanted_half_width,
    )  # fmt: skip
    return joined("\n", (told, words.CAUTION))
