"""Adhesive dots on leg and machine: found, and told which is which.

============== =============================================================
module         what
============== =============================================================
`detector`     **read first**: picture to named dots, or why there are none
`picture`      a photo with the round patches in it
`proposals`    places that stand out from their surroundings
`outlines`     the outline of such a place, and what lies around it
`candidates`   round patches of one colour, from both
`colour`       one pigment under different light
`quality`      how much of a dot a patch is
`legs`         threes that can be hip, knee and ankle
`bars`         the machine's dots of such a leg
`bare_bars`    the three dots of a machine without a leg
`assignment`   which dot is which, by the dots alone
`readings`     which patch of a pigment may be which dot
`expected`     which dot is which, where a witness sees the leg
`sets`         patches of one pigment about where a witness sees the points
`namings`      which is which, all six weighed together
`together`     whether the best of those is beyond doubt
`centres`      the exact centre of a dot in the full-size photo
`faces`        how the machine's dots are turned, by their outlines
`placed`       a reading's dots at their exact centres, with side and size
`along`        paint and edges along the machine's bars
`lying`        what each dot lies on, as a small network sees it
`glare`        dots from which a light glares, made whole
`said`         what an answer says of dots that it does not use
`unused`       dots seen and not used, in words, and put to use
`refusals`     why dots make no leg, and what to do then
============== =============================================================
"""

from __future__ import annotations

from knee_angle.landmarks.dots.detector import DotDetector

__all__ = ["DotDetector"]
