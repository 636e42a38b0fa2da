"""Which limits bind a photo: those of the knee that it shows.

The side is known once the knee was found, so a photo is judged against prescribed limits after
it was measured. A knee that nothing is prescribed for, while limits stand for the other one, is
asked about: the photo may be of the wrong leg, taken from the inner side, or the limits entered
for the wrong knee.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TypeVar

from knee_angle.angle.words import A_SIDE
from knee_angle.language import say
from knee_angle.machine.cause import alarms_of, at_limits, display_alarms
from knee_angle.records import Measurement, Outcome, Side, Unreadable
from knee_angle.settings import Settings, flexion_of_display

__all__ = ["LegSettings", "which_knee"]

Result = TypeVar("Result", bound=Outcome)


@dataclass(frozen=True, slots=True)
class LegSettings:
    """The settings of one person's two knees: the same but for the prescribed limits.

    Parameters
    ----------
    left, right : Settings
        With the limits of that knee.
    only : {"left", "right"} or None
        The one knee that limits are prescribed for, where it is one; both settings then hold
        its limits, so that a side taken wrongly leaves no limit out.
    """

    left: Settings
    right: Settings
    only: Side | None = None

    @property
    def both(self) -> tuple[Settings, Settings]:
        """Left and right: where it is not known which knee it is."""
        return self.left, self.right

    def of(self, side: Side) -> Settings:
        """The settings of one knee."""
        return self.left if side == "left" else self.right

    def judged(self, outcome: Result, displayed_deg: float | None) -> Result:
        """A photo's outcome with the alarms and cautions of the limits that bind it.

        Its finding is decided after that (`pipeline.judged_alone`).

        Parameters
        ----------
        outcome : Outcome
            As measured with either knee's settings, or with none of their limits.
        displayed_deg : float or None
            The machine's number, degrees of flexion; where none was typed, the one read counts.
        """
        if displayed_deg is None:
            displayed_deg = self._read_deg(outcome)
        if not isinstance(outcome, Measurement):
            return replace(outcome, alarms=self._display_alarms(displayed_deg))
        settings = self.of(outcome.side)
        seen = outcome.leg.provable
        said: tuple[str, ...] = ()
        if outcome.settings is not None:
            said = at_limits(outcome.knee, outcome.settings, camera_seen=seen)
        return replace(
            outcome,
            settings=settings,
            alarms=(
                *which_knee(outcome.side, self.only),
                *alarms_of(outcome.knee, settings),
                *display_alarms(displayed_deg, settings),
            ),
            cautions=(
                *at_limits(outcome.knee, settings, camera_seen=seen),
                *(caution for caution in outcome.cautions if caution not in said),
            ),
        )

    def _read_deg(self, outcome: Outcome) -> float | None:
        """The number clearly read off the display, as flexion."""
        if isinstance(outcome, Unreadable) or outcome.display is None:
            return None
        number = outcome.display.clear_number
        return None if number is None else flexion_of_display(number, counting=self.left.counts)

    def _display_alarms(self, displayed_deg: float | None) -> tuple[str, ...]:
        """A display past the limits of either knee, where the knee itself was not seen."""
        left, right = (display_alarms(displayed_deg, one) for one in (self.left, self.right))
        if left == right:
            return left
        return tuple(
            say(
                "{alarm} (prescribed for the {side} knee; which one it is was not seen)",
                alarm=alarm,
                side=A_SIDE[side],
            )
            for side, alarms in (("left", left), ("right", right))
            for alarm in alarms
        )


def which_knee(side: Side, only: Side | None) -> tuple[str, ...]:
    """The question where a knee was measured that the prescription is not for, else nothing."""
    if only is None or side == only:
        return ()
    return (
        say(
            "WHICH KNEE? The photo shows a {side} knee, the prescription is for the "
            "{only_one}: which is it? Until that is known the limits of the {only} knee "
            "are taken.",
            side=A_SIDE[side],
            only=A_SIDE[only],
            only_one=A_SIDE[only],
        ),
    )
