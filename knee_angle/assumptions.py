"""Every assumed number: what it means, its ±, and where it comes from.

What is measured stands in results, what a site sets in `settings`; here is what is believed
about people, machines, prints and cameras, and what a detector must say to be believed. A
number whose docstring names no source is our own.
"""

from __future__ import annotations

from collections.abc import Mapping

from knee_angle.records import PointName

__all__ = [
    "BARS_TOGETHER_MM",
    "CLEARLY_BENT_DEG",
    "CLOSEST_PX",
    "DOT_MM",
    "DOUBTFUL_PRESENCE",
    "DOUBTFUL_SHARE",
    "END_FROM_DEG",
    "FIT_MOST_DEG",
    "FRAME_LEAST_DEG",
    "HINGE_FROM_TAG_MM",
    "HINGE_TOLERANCE_MM",
    "LEAST_MACHINE_PRESENCE",
    "LEAST_PRESENCE",
    "LEAST_TURN_DEG",
    "MANUAL_SHARE",
    "MARK_DEPTH_MM",
    "MOST_SPREAD",
    "MOST_U_DEG",
    "PRIOR_VIEW_DEG",
    "SEGMENT_SPREAD",
    "SHORTEST_IN_U",
    "STATURE_MM",
    "STRAIGHT_BELOW_DEG",
    "STRIP_TO_KNEE_MM",
    "SUPPORT_MM",
    "U_BARS_PARALLEL_DEG",
    "U_DOT_RELATIVE",
    "U_EXIF",
    "U_FORESHORTENING",
    "U_LEG_TURN_DEG",
    "U_LEG_YAW_DEG",
    "U_POINTS_DEG",
    "U_PRIOR",
    "U_STUCK_ACROSS_MM",
    "U_STUCK_DEG",
    "U_SUPPORT_TYPED_MM",
    "U_TAPE_MM",
]

# The camera and how it stands

U_PRIOR = 0.12
"""Relative ± of that prior; half-width of about 20 % covers 21 to 31 mm."""
U_EXIF = 0.02
"""Relative ± of an EXIF value: rounded to whole mm (1.2 % at 24 mm), cropping by
stabilisation, breathing of the lens with focus (common practice)."""
U_LEG_TURN_DEG = 2.5
"""± of the leg's own turn about its long axis against the machine's plane, degrees;
straps allow a few degrees (common practice)."""
U_LEG_YAW_DEG = 1.0
"""± of the leg's turn in the bed plane against the machine's plane, degrees."""
U_BARS_PARALLEL_DEG = 0.5
"""± of the plane in which the bars move against that of stuck tags (our own figure)."""
STRIP_TO_KNEE_MM = (80.0, 40.0)
"""Depth of the knee mark behind the strip, mean and ±, mm: half a leg's breadth plus
a machine's rail (common practice)."""
PRIOR_VIEW_DEG = {"yaw": (0.0, 15.0), "pitch": (9.0, 8.0)}
"""Mean and ± of a bedside photographer's direction without tags, degrees: aimed
square-on, the lens somewhat above the knee (common practice)."""

# Marks, bars and how they lie

MARK_DEPTH_MM: Mapping[PointName, tuple[float, float]] = {
    "hip": (20.0, 15.0),
    "knee": (0.0, 0.0),
    "ankle": (-36.0, 18.0),
    "thigh_bar": (35.0, 4.0),
    "hinge": (41.0, 4.0),
    "shank_bar": (35.0, 4.0),
}
"""Lateral depth of a mark against the knee's, mean and ±, mm, towards the camera.

Half the breadth over the trochanters less half the distance of the hip joints
(165 - 87 mm), half the knee's breadth (50 mm) and half the ankle's (36 mm), with the
foot standing inwards of the knee; adult means from memory (common practice), so the
± is wide. The bars run beside the leg, nearer to the camera; how far they stand off
together is `BARS_TOGETHER_MM`, their ± here is against each other."""
BARS_TOGETHER_MM = 15.0
"""± of the bars' common depth against the knee's mark, mm (common practice)."""
U_POINTS_DEG = 0.3
"""± of the frame's angle by points that all photos of one machine share: dots stuck 1 mm
off the bars' middle lines over about 250 mm (common practice)."""
U_TAPE_MM = 5.0
"""± of a length measured with a tape between two marks on the skin, mm (common practice)."""

# Tags on the bars

U_STUCK_DEG = 1.0
"""± of a tag's turn against its bar where it was stuck along an edge: 0.7 mm over a card of
40 mm (our own figure)."""
U_STUCK_ACROSS_MM = 2.0
"""± of a tag's middle across the bar's middle line (our own figure)."""
HINGE_FROM_TAG_MM = (150.0, 60.0)
"""Distance of a tag's middle from the hinge, mean and ±, mm: the sheet asks for 100 to
200 mm, and nobody measures it (our own figure)."""
LEAST_TURN_DEG = 15.0
"""Photos that span less turn of the frame say little about the hinge."""

# Millimetres where no tag gives them

DOT_MM = (16.0, 3.0)
"""Diameter of an adhesive dot, mean and ±, mm, where it was not given: 10 to 25 mm are
sold, most near 16 (common practice)."""
U_DOT_RELATIVE = 0.05
"""± of a dot's diameter as seen, relative: slant, blur and the print's own."""
STATURE_MM = (1700.0, 95.0)
"""Stature of adults, mean and ±, mm (common practice)."""
U_FORESHORTENING = 0.10
"""± of a segment's length in the picture for views up to 35 degrees off, relative."""
SEGMENT_SPREAD = 0.07
"""How far a person's segment lies from the mean share of stature, relative; a population
mean, so only a wide check (common practice)."""

# Leg and machine

SUPPORT_MM = (320.0, 90.0)
"""Distance of the shank's support below the knee, mean and ±, mm: anywhere from a sling
under the calf to the foot plate (common practice)."""
U_SUPPORT_TYPED_MM = 10.0
"""± of that distance where it was measured with a tape: a sling holds over a breadth
(common practice)."""
HINGE_TOLERANCE_MM = 25.0
"""Allowed distance of the hinge from the knee: about half the fit tolerance of 10 degrees
at 90 degrees of flexion, by the planar model."""
FRAME_LEAST_DEG = -15.0
"""A machine's bars straighten to about -10 degrees (common practice)."""
FIT_MOST_DEG = 60.0
"""Frame and knee further apart than this are no fit: at 120 degrees a hinge 100 mm off
along or across the thigh costs 35 at most by the planar model (support at 230 mm)."""

CLEARLY_BENT_DEG = 20.0
"""No healthy knee hyperextends so far (CDC normal range, Soucie et al. 2011: means up
to 5 degrees), so beyond it the bend itself shows the front of the leg."""

END_FROM_DEG = 45.0
"""A photo without a noted end counts for flexion from here on (our own convention)."""

SHORTEST_IN_U = 1.0
"""A bone shorter than the ± (u) of its ends points anywhere. A longer one has a direction,
be it a poor one: its wide interval says so."""
STRAIGHT_BELOW_DEG = 15.0
"""Photograph against radiograph agrees well in flexion and badly in extension
(Naylor et al. 2011, BMC Musculoskelet Disord 12:77)."""

# Points placed by hand

MANUAL_SHARE = 0.0025
"""± of a hand-placed point as a share of the longer side where none is given: 4 px on
a 1600 px picture, about a finger's care with a magnifier (common practice)."""
CLOSEST_PX = 2.0
"""Two points that a finger did not tell apart give no direction."""

# What the leg network must say to be believed

LEAST_PRESENCE = 0.5
LEAST_MACHINE_PRESENCE = 0.7
MOST_SPREAD = 0.22
"""Views further apart than this share of the mean segment do not agree."""
MOST_U_DEG = 14.0
"""A stated uncertainty of the flat angle beyond this is no measurement."""

DOUBTFUL_PRESENCE = 0.85
DOUBTFUL_SHARE = 0.6
"""Of the network's limits of spread and uncertainty. Of 32 rendered photos none was beyond
either (presence 0.96 and more, shares up to 0.52)."""
