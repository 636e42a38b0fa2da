"""What is said of a clip beside its numbers."""

from __future__ import annotations

from collections.abc import Sequence

from knee_angle.angle.words import POINT_WORDS
from knee_angle.clip.answer import Which
from knee_angle.language import joined, say, say_many
from knee_angle.records import NotMeasured, PointName

__all__ = [
    "CONSTANT",
    "CONTRADICTING",
    "END_WORDS",
    "LITTLE_MOTION",
    "NOTHING",
    "NOTHING_READ",
    "NOT_SEPARABLE",
    "NO_LEG",
    "PRIOR",
    "TOO_QUICK",
    "TWO_LEGS",
    "misread",
    "no_turn",
    "not_seen",
    "not_the_machines",
    "odd_pictures",
    "other_than_read",
    "stopped",
    "too_short",
    "torn",
]

NO_LEG = NotMeasured(
    say("no leg was seen in the clip long enough"),
    say(
        "film the whole leg from its outer side, with dots on hip, knee and ankle, and keep the "
        "way to it clear"
    ),
)
TWO_LEGS = NotMeasured(
    say("the clip shows a left leg in some pictures and a right leg in others"),
    say("film one leg from its outer side, without walking around it"),
)


def too_short(seconds: float) -> NotMeasured:
    """The leg was there, but not for long."""
    return NotMeasured(
        say(
            "the clip shows the leg for {seconds:.1f} s, and a whole cycle takes longer",
            seconds=seconds,
        ),
        say("film one whole cycle, from before one end to after the next"),
    )


NOTHING = NotMeasured(
    say("nothing of the clip was measured before it was stopped"), say("let it go on for longer")
)
CONTRADICTING = NotMeasured(
    say("the pictures of the clip contradict one another: no one leg and machine explain them"),
    say("keep the whole leg in the picture and the way to it clear, and film again"),
)
TOO_QUICK = NotMeasured(
    say("the knee moves too quickly for the pictures that show it: its turns lie between them"),
    say("let the machine run more slowly, or put dots on hip, knee and ankle, and film again"),
)
END_WORDS: dict[Which, str] = {"extension": say("extension"), "flexion": say("flexion")}
CONSTANT = say(
    "Where the marks sit on the bones is one constant for the whole clip: no number of pictures "
    "shrinks that part of the ±."
)
LITTLE_MOTION = say(
    "Over so little motion, or so few numbers, the display's gain is not told: film a whole cycle, "
    "and write down a number every second or two."
)
PRIOR = say(
    "The camera's direction was not seen, only assumed: nothing is proven. Put the tag strip on "
    "the machine."
)
NOTHING_READ = say(
    "No number was clearly read on a display in the pictures (one without a degree mark is not "
    "taken): film with the display larger and without glare, or write its numbers down with their "
    "seconds."
)
NOT_SEPARABLE = say(
    "The display's lag and its difference between bending and stretching look alike at this even "
    "speed: read them together."
)


def no_turn(which: Which) -> str:
    """The motion was not seen to turn at an end."""
    return say(
        "The clip shows no turn at the {which} end: the motion may go further. Film a whole "
        "cycle, from before one end to after the next.",
        which=END_WORDS[which],
    )


def odd_pictures(odd: int, whole: int) -> str:
    """Pictures that do not fit the others."""
    return say(
        "{odd} of {whole} pictures do not fit the others and were not used.", odd=odd, whole=whole
    )


def not_seen(share: float) -> str:
    """A part of the film without the whole leg."""
    return say(
        "In {percent:.0f} % of the clip hip, knee and ankle were not all seen; those times are "
        "left out.",
        percent=100.0 * share,
    )


def not_the_machines(names: Sequence[PointName]) -> str:
    """Dots of the machine that lie where no machine has them."""
    return say_many(
        "What was taken for the machine's {points} dot lies far from where the machine is seen, "
        "so the machine's dots prove nothing: cover what is no dot, and film again.",
        "What was taken for the machine's {points} dots lies far from where the machine is seen, "
        "so the machine's dots prove nothing: cover what is no dot, and film again.",
        len(names),
        points=joined(say(" and "), [POINT_WORDS[name] for name in names]),
    )


def misread(left_out: int, read: int) -> str:
    """Numbers that were read in the pictures and do not go with the others."""
    return say(
        "{left_out} of {read} numbers read on the display do not go with their neighbours and "
        "were left out.",
        left_out=left_out,
        read=read,
    )


def other_than_read(other: int, compared: int) -> str:
    """Numbers that were written down and are not those in the pictures."""
    return say(
        "{other} of {compared} numbers that were given are not those that the display shows in "
        "the pictures about then: the numbers given count; look at the clip and its seconds again.",
        other=other,
        compared=compared,
    )


def torn(why: str) -> str:
    """The file ended early."""
    return say("The clip ended early ({why}); what came before was measured.", why=why)


def stopped(seconds: float) -> str:
    """Somebody ended it."""
    return say(
        "It was stopped after {seconds:.0f} s of the clip; what came before was measured.",
        seconds=seconds,
    )
