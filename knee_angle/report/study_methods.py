"""How the figures of a comparison of two methods were made, each with its source."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from knee_angle.agreement import Study
from knee_angle.language import figure, joined, say, say_as
from knee_angle.report.study_words import About, tails_said

__all__ = ["Method", "methods", "study_u"]


@dataclass(frozen=True, slots=True)
class Method:
    """How a figure was made, and the source."""

    name: str
    words: str
    source: str


def methods(study: Study, about: About) -> tuple[Method, ...]:
    """How the figures of this study were made."""
    return (_limits_method(study), _tails_method(study), *_common_methods(study, about))


def _tails_method(study: Study) -> Method:
    return Method(
        say("Limits by quantiles"),
        say(
            "The 2.5 % and 97.5 % quantiles of the differences hold whatever their distribution; "
            "their interval is the exact binomial one for the effective number of differences. "
            "Which limits to read is decided by the kurtosis of what is left after persons and "
            "raters, or of the persons' means, at 1 %: {tails}.",
            tails=tails_said(study),
        ),
        "Woodruff RS. J Am Stat Assoc 1952;47:635-646. Korn EL, Graubard BI. Survey Methodology "
        "1998;24:193-201. Anscombe FJ, Glynn WJ. Biometrika 1983;70:227-234.",
    )


def _limits_method(study: Study) -> Method:
    if study.limits.design == "raters":
        return Method(
            say("Bias and limits of agreement, several raters"),
            say(
                "Person, rater and repeat are random effects; every person and every rater counts "
                "once, whatever their numbers of pairs. Limits are the bias ± 1.96 standard "
                "deviations of the difference of a new person measured by a new rater. Intervals "
                "are generalised confidence intervals; that of the bias lies between it and "
                "Satterthwaite's t."
            ),
            "Burdick RK, Graybill FA. Confidence intervals on variance components. Dekker 1992. "
            "Weerahandi S. J Am Stat Assoc 1993;88:899-905. Satterthwaite FE. Biometrics Bulletin "
            "1946;2:110-114.",
        )
    if study.limits.design == "single":
        return Method(
            say("Bias and limits of agreement"),
            say(
                "Limits are the bias ± 1.96 standard deviations of the differences. The bias has "
                "Student's t interval; each limit has its exact interval from the noncentral t "
                "distribution. Differences are taken as normal and independent."
            ),
            "Bland JM, Altman DG. Lancet 1986;i:307-310. Carkeet A. Optom Vis Sci "
            "2015;92:e71-e80, doi 10.1097/OPX.0000000000000513.",
        )
    what = say(
        "What is measured stays the same within a person: the variance of the differences of the "
        "persons' means is completed by the variances of each method within persons."
    )
    if study.limits.design == "varies":
        what = say(
            "What is measured changes from pair to pair: variances between and within persons "
            "come from a one-way analysis of variance of the differences; where a few persons "
            "have most of the pairs, from the persons' means, so that every person counts once."
        )
    limits = say(
        "Limits are the bias ± 1.96 standard deviations of the difference of a new pair. Their "
        "intervals combine those of the parts (MOVER), the bias with Student's t."
    )
    return Method(
        say("Bias and limits of agreement, several pairs a person"),
        joined(" ", [what, limits]),
        "Bland JM, Altman DG. J Biopharm Stat 2007;17:571-582, doi 10.1080/10543400701329422. "
        "Zou GY. Stat Methods Med Res 2013;22:630-642, doi 10.1177/0962280211402548.",
    )


def _common_methods(study: Study, about: About) -> Iterator[Method]:
    repeated = study.pairs.units < study.pairs.n
    wilson = say("Wilson's score interval.")
    if repeated:
        wilson = say(
            "Wilson's score interval for the effective sample size, persons taken as wholes."
        )
    yield Method(
        say("Share within a tolerance"),
        wilson,
        "Brown LD et al. Stat Sci 2001;16:101-133, doi 10.1214/ss/1009213286.",
    )
    if not about.of_display:
        yield Method(
            say("Error of measurement"),
            say(
                "SEM is the SD of a difference over √2, both methods taken to share the scatter; "
                "the smallest detectable difference is 1.96 √2 SEM. Chi-square intervals."
            ),
            "de Vet HCW et al. Measurement in medicine. Cambridge 2011, section 5.4.",
        )
    if study.repeats:
        yield Method(
            say("Repeatability"),
            say(
                "1.96 √2 times the standard deviation within persons, by one-way analysis of "
                "variance; chi-square interval."
            ),
            "Bland JM, Altman DG. Stat Methods Med Res 1999;8:135-160, "
            "doi 10.1177/096228029900800204.",
        )
    yield from _line_methods(study, about, repeated=repeated)


def _line_methods(study: Study, about: About, *, repeated: bool) -> Iterator[Method]:
    """Trend, lines and coefficients."""
    jackknife = say("delete-one-person jackknife") if repeated else say("delete-one jackknife")
    trend = say(
        "Least squares of the differences on the means of each pair, Student's t intervals."
    )
    if repeated:
        trend = say(
            "Least squares of the differences on the means of each pair, intervals by the "
            "{jackknife}.",
            jackknife=jackknife,
        )
    yield Method(
        say("Proportional bias"),
        trend,
        "Bland JM, Altman DG. Stat Methods Med Res 1999;8:135-160, doi 10.1177/096228029900800204.",
    )
    lines = [say("Deming's line takes errors in both methods in the stated ratio.")]
    if study.both is not None:
        lines.append(
            say(
                "With errors in both, each pair has its own: {reference} and {compared} for the "
                "{name}.",
                reference=about.u_reference,
                compared=study_u(about),
                name=about.compared_name,
            )
        )
    lines.append(say("Intervals by the {jackknife}.", jackknife=jackknife))
    yield Method(
        say("Lines"),
        joined(" ", lines),
        "Linnet K. Clin Chem 1993;39:424-432. York D et al. Am J Phys 2004;72:367-375, "
        "doi 10.1119/1.1632486.",
    )
    how = say("intervals from F ratios, Lin's on Fisher's z.")
    if repeated:
        how = say("intervals on Fisher's z by the {jackknife}.", jackknife=jackknife)
    yield Method(
        say("Coefficients"),
        say(
            "Intraclass correlations in Shrout and Fleiss's six forms and Lin's concordance; "
            "{how} All grow with the range of angles: compare them only between studies of one "
            "range.",
            how=how,
        ),
        "Shrout PE, Fleiss JL. Psychol Bull 1979;86:420-428. McGraw KO, Wong SP. Psychol Methods "
        "1996;1:30-46, doi 10.1037/1082-989X.1.1.30. Lin LI-K. Biometrics 1989;45:255-268, "
        "2000;56:324-325.",
    )


def study_u(about: About) -> str:
    """The standard uncertainty taken for the compared values."""
    if about.u_compared is None:
        return say_as("uncertainty", "none")
    return figure(f"u = {about.u_compared:.2g}{about.unit}")
