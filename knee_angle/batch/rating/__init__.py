"""A rater study: several people place the points of the same photos, blind, more than once.

Modules: `plan` (who sees which photo when, drawn from a seed), `covers` (what raters must not
see), `folder` (the study on the disk: the plan and every rating, a line each), `table` (ratings
that came about elsewhere), `measured` (ratings as angles, a table to analyse), `times` (how long
they took).
The page that raters use is `knee_angle.page.rate`; how far they agree is told by
`knee_angle.agreement.reliability`.
"""

from knee_angle.batch.rating.covers import Covers, found_covers, read_covers
from knee_angle.batch.rating.folder import Rating, RatingStudy, begin_study, open_study
from knee_angle.batch.rating.plan import RatingPlan, Turn, turns_of

__all__ = [
    "Covers",
    "Rating",
    "RatingPlan",
    "RatingStudy",
    "Turn",
    "begin_study",
    "found_covers",
    "open_study",
    "read_covers",
    "turns_of",
]
