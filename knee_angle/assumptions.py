"""Every assumed number: what it means, its ±, and where it comes from.

What is measured stands in results, what a site sets in `settings`; here is what is believed
about patients, machines, prints and cameras, and what a detector must say to be believed.
± is a standard uncertainty unless it says 95 %. A source in a docstring was read (its
abstract, table or a quotation); "from memory" was not found again; "common practice" is a
habit of the trade; what names no source is our own.
"""

from __future__ import annotations

from collections.abc import Mapping

# --- what is called proven, and what an interval holds ----------------------------------

COVERAGE = 1.96
"""Half-width of a two-sided 95 % interval of a normal quantity, in u."""
COVERAGE_ONE_SIDED = 1.65
"""A proof at one limit with 95 % (ISO 14253-1:2017, the standard's own rounding of 1.645)."""
COVERAGE_99 = 2.58
"""Half-width of a two-sided 99 % interval, in u: two ways of seeing one thing differ."""
RISK = 0.05
"""What a 95 % statement may be wrong by."""

# --- the camera and how it stands -------------------------------------------------------

PHONE_F35_MM = 26.0
"""Focal length of a phone's main camera, mm of 35 mm film: 26 today, 28 in older ones, 24
in some (a public explanation of phone lenses; a forum's EXIF listings show 26 and 28)."""
U_PRIOR = 0.12
"""Relative ± of `PHONE_F35_MM`; half-width of about 20 % covers 21 to 31 mm. A photo that was
zoomed and lost its EXIF lies beyond."""
U_EXIF = 0.02
"""Relative ± of an EXIF value: rounded to whole mm (1.2 % at 24 mm), cropping by
stabilisation, breathing of the lens with focus (common practice). Digital zoom: some phones
count it into the value, some do not (a bug report of a panorama program): see `as_taken`."""
CAMERA_SHAPES = (4 / 3, 3 / 2)
"""Longer to shorter side of pictures as sensors of phones and of other cameras make them (common
practice). Square, 16:9 and screen-long pictures can be taken too, but a 4:3 picture pulled to
3/4 of its width or height has just these shapes, so they are not trusted."""
SHAPE_WITHIN = 0.012
"""Sizes and shapes that differ by less, in the logarithm, are the same: rounding to whole
blocks of 16 pixels, 1.3 % of 1200 (our own)."""
SIDES_BY = 4
"""Sides of pictures that phones store are multiples of so many pixels: sensors are read, and
pictures stored, in blocks (4:2:0 alone makes it 2; of some forty of 4:3 and 3:2 from memory,
3088 x 2316 and 4624 x 3468 among them, none is of another number; one old camera's is)."""
MOST_PULLED, U_ODD_SHAPE = 4 / 3, 0.17
"""A picture pulled from one usual shape to another, or cropped so, changes by 4/3 at most. ± of
focal length and of a pixel's shape in a picture of another shape: that in the logarithm, spread
evenly."""
MOST_CROPPED = 2.0
"""Whoever photographs a leg leaves no more than half of the picture's width beside it, so a
picture smaller than this was made smaller, not cropped (our own)."""
LONGEST_SINGLE = 16 / 9
"""Longer pictures than a film's are cut from a camera's frame for a phone's screen (common
practice), or are short panoramas: nothing in their size tells which."""
U_OFF_CENTRE = 48**-0.5
"""± of the lens's middle in a picture that was either made smaller or cropped, by k times, per
axis: so many times (k - 1) of the diagonal. A part lies anywhere in its picture, so its middle
within (k - 1) / 2 of its sides, spread evenly (over the root of 12, JCGM 101, 6.4.2); the root of
two of the side against the diagonal, and another of the pictures that were made smaller."""
PANORAMA_FROM = 2.4
"""No single picture of a phone is so long: the longest screens are 21:9 (common practice)."""
BORDER_SHARE = 0.02
BORDER_EVEN_RGB = 6
BORDER_DARK, BORDER_BRIGHT = 40, 235
"""Borders so broad (of the side), black or white, whose values stay within this are a screen's:
noise and compression alone spread a photographed wall further, over both its ends (our own)."""
SCREEN_EDGE_PX = 2.0
"""A screen's edge in the reduced picture is straight within this, mostly (our own)."""
CORNERS_APART = 0.25
"""Of the picture's height, a screen's edge that is seen between its corners: a smaller one is not
filled by a leg (our own)."""
ULTRA_WIDE_BELOW_MM, U_ULTRA_WIDE = 20.0, 0.05
"""Shorter 35 mm lengths are ultra-wide lenses (13 to 16 mm, common practice). ± of what their
distortion, as far as the phone leaves it, does to lengths along and across (our own: 4 % at
the corner, which pulls a shape there by about 8 %)."""
U_CENTRE = 0.01
"""± of the lens's middle against the picture's, of the diagonal: lens tolerances and
stabilisation (common practice)."""
U_PIXEL_SHAPE = 0.002
"""± of a pixel's width against its height in a picture as taken: none is known, rounding of
sizes may give as much."""
LENS_ANY = (0.5, 0.25, 0.3)
"""± of log focal length, middle (of the diagonal) and log pixel shape of any picture that was
cropped, zoomed, stretched or photographed from a screen (our own)."""
LENS_MOST_CHI2 = 18.5
"""Tags that any other lens explains better by this much are not seen through the stated one:
99.9 % of chi-squared with 4 degrees of freedom."""
LENS_DOUBT_CHI2 = 13.3
"""And by this much, 99 % of it, they leave the stated lens in doubt."""
MOST_APART_CHI2 = 9.21
"""Strip and picture that differ more than a strip out of parallel explains (99 % of chi-squared
with 2 degrees of freedom) leave it in doubt too. Of 22 strips in the sample photos none comes
beyond 1, turned by 14 degrees none beyond 5; that it is 99 % and not 99.9 was settled with one of
them cropped to one side in view (13.6, which 99.9 % would have let pass)."""
P_MISPLACED, U_MISPLACED_MM = 0.05, 40.0
"""How many dots stick elsewhere than at their bony point, and by how much per coordinate: a
dot that slid, fell off and was stuck anew, or stands for another point (our own)."""
U_BESIDE_MM = 6.0
"""± of the skin point that the leg network marks against the bony point, per coordinate, beside the
network's own ±; the dot's is its placement (`PLACEMENT_MM`). Set on every second sample photo with
an ankle or hip dot 35 mm off, among 0 to 8; on the others 12 of 16 of either hold as on these."""
P_MISPLACED_SAID = 0.04
"""From here on a dot may be misplaced: said, and in the ± (our own; of 87 dots in the sample photos
one reaches 0.057, the others 0.037)."""
MOST_MISFIT_MM, MISFIT_U = 130.0, 3.0
"""Farther from where the leg network sees the machine's point, beside so many of its ±, no machine
that sits wrongly has its dot: what was taken for one is a knob or a buckle (our own, set with the
sample photos in view, the knob of bed_07 among them; of 260 sets of six dots in pictures of
`bench_dots`, offsets up to 122 mm, which set nothing, none is)."""
P_SLANTED, U_SLANTED_DEG = 0.4, 8.0
"""How many strips are taken to be out of parallel to the leg's plane, and by how much, degrees
per axis: on a curved cover, on the bed's rail, on the foot end (our own). More than are: what the
picture shows is coarser than 10°. Of 132 intervals with strips 7 to 14° out of parallel or on the
far side (sample photos) 125 hold, with 0.1 in its place 117."""
P_SLANTED_SAID = 0.72
"""From this probability on a strip out of parallel is said: as odd as one in three would be where
one strip in ten is. Its ± grows at any (our own)."""
LENS_SURE = 0.02
"""Tags that know pixel shape so well (±, relative) speak for a picture of odd shape (our own)."""
U_LEG_TURN_DEG = 2.5
"""± of the leg's own turn about its long axis against the machine's plane, degrees; straps
allow a few degrees (our own)."""
U_LEG_YAW_DEG = 1.0
"""± of the leg's turn in the bed plane against the machine's plane, degrees (our own)."""
U_BARS_PARALLEL_DEG = 0.5
"""± of the plane in which the bars move against that of stuck tags, degrees (our own)."""
U_FACES_DEG, U_FACES_OF_LEG_DEG = 3.5, 5.0
"""± of the plane of a machine's dots against that of its strip and against the leg's, degrees per
axis: bars that are not quite parallel or whose faces are sloped by 2 to 3 degrees, and a leg that
rolls in its slings (our own; with 3.5 for both, 88 % of 138 intervals of fresh renders held that
are seen 30 to 45 degrees off square and show no tags, whose legs are rolled by 6, rms)."""
ROUND_BARS = ((0.0, 0.7), (0.012, 0.1), (0.024, 0.1), (0.036, 0.05), (0.05, 0.05))
"""How far a dot on a bar is drawn out by being bent about it, (long - short) / (long + short), and
how probable that is: flat bars, else tubes of 42 to 21 mm under a dot of 16 mm (our own)."""
U_DOT_ROUND = 0.015
"""± of a flat dot's own stretch, (long - short) / (long + short) per harmonic: cut out by hand 0.2
to 0.3 mm off a circle of 16 mm, stuck with a wrinkle (our own; punched ones are rounder)."""
STRIP_TO_KNEE_MM = (80.0, 40.0)
"""Depth of the knee mark behind the strip, mean and ±, mm: half a leg's breadth plus a
machine's rail."""
PRIOR_VIEW_DEG = {"yaw": (0.0, 15.0), "pitch": (9.0, 8.0)}
"""Mean and ± of a bedside photographer's direction without tags, degrees: aimed square-on,
the lens somewhat above the knee."""
MOST_FLAT_DEG = 40.0
"""A camera further off square is not measured in the flat picture, degrees: up to here the
interval of the flat angle holds it at every flexion from 10 to 110 (our own, drawn legs)."""

CLIP_FOCAL = (1.1, 0.15)
"""Focal length of a film against that of the same phone's photo, over the picture's width, and
its relative ±: steadying cuts off up to a fifth (from memory), and phones differ (`U_PRIOR`)."""
U_CLIP_F35 = 0.06
"""Relative ± of a focal length that a film's file tells or that was typed: whether it counts
what steadying cuts off is not said (our own)."""

# --- marks against the bones ------------------------------------------------------------

PLACEMENT_MM: Mapping[str, tuple[float, float, float]] = {
    "felt-again": (8.0, 4.5, 4.5),
    "skin": (9.0, 5.0, 5.0),
    "cloth": (10.0, 8.0, 8.0),
    "dressing": (12.0, 10.0, 8.0),
}
"""± of hip, knee and ankle mark against the bony point, per coordinate, mm, by where it is.

Read: "approximately 15-20 mm" for the greater trochanter, within and between examiners (a
textbook on Della Croce et al. 2005, Gait Posture 21:226-237, who review Della Croce 1999 and
Rabuffetti 2002); two marks on the lateral ligament of the knee lie 8 mm apart by one and
12 mm by two of 20 physiotherapists (1993, Int J Ind Ergon 11:145-151). A mean distance of two
marks in a plane is 1.77 times the ± of one coordinate of one: 8.5 to 11.3 mm at the hip, 4.5
to 6.8 at the knee. So "felt-again" (palpated anew as the leg lies in the photo) is the lower
end; on "skin" what slides with the bend comes to it, 4 to 16 mm of local movement in six
patients with a knee replacement and most at the thigh (2021, PMC8631460; Leardini et al. 2005,
Gait Posture 21:212-225). The ankle is taken as the knee. What "cloth" and a "dressing" or
swelling add is our own: no study of it was found."""
SLIDES: Mapping[str, float] = {"hip": 0.25, "knee": 0.5, "ankle": 0.2}
"""Share of a dot's placement variance that slides over the bone as the knee bends.

On bare skin that is 6, 5 and 3 mm per coordinate from straight to 90 degrees, 9, 7 and 4 mm
in the plane. Read: 4 to 16 mm of local movement in six patients with a knee replacement, most
at the thigh (2021, PMC8631460). Which way skin slides depends on where it was marked, so no
mean is taken (our own)."""
JOINT_LINE_MM = (24.0, 3.0)
"""How far the knee's joint line lies below the lateral epicondyle, mean and ±, mm: 24.4 ± 2.8
by MRI of 130 knees (Aljuhani et al. 2023, J Exp Orthop 10:62), 21.7 ± 2.5 of 140
(Tantavisut et al. 2022, Knee Surg Relat Res 34:5)."""
U_TAPE_MM = 5.0
"""± of a length measured with a tape between two marks on the skin, mm."""

# --- how deep marks and bars lie --------------------------------------------------------

MARK_DEPTH_MM: Mapping[str, tuple[float, float]] = {
    "hip": (20.0, 15.0),
    "knee": (0.0, 0.0),
    "ankle": (-36.0, 18.0),
    "thigh_bar": (43.0, 4.0),
    "hinge": (49.0, 8.0),
    "shank_bar": (43.0, 4.0),
}
"""Lateral depth of a mark against the knee's, mean and ±, mm, towards the camera.

Half the breadth over the trochanters less half the distance of the hip joints (165 - 87 mm),
half the knee's breadth (50 mm) and half the ankle's (36 mm), with the foot standing inwards of
the knee. Read: trochanters 311 to 318 mm apart (an anatomy for artists), femoral heads 92 to
95 mm from the midline on radiographs of 500 adults (Rabari et al., Int J Res Orthop), femoral
condyles 77 ± 4 mm broad (Tantavisut et al. 2022), ankle 4.1 to 4.3 % of stature (a public
table of a 2012 army survey); what flesh adds is our own, so the ± is wide. The bars run
beside the leg, nearer to the camera; how far they stand off together is `BARS_TOGETHER_LOG`,
their ± here is against each other. A hinge's boss or cover: 3 to 27 mm before the bars (own)."""
BARS_TOGETHER_LOG = 0.57
"""± of the logarithm of the bars' common depth against the knee's mark: a factor of 1.8.

Only limits are known, 16 to 116 mm in drawings by several people (our own); bars stand outside the
leg, close or several times as far, so in the logarithm: the middle, 43 mm, and the width over the
root of 12 (JCGM 101, 6.4.2). With 35 ± 28 a third of hinges behind bars 90 mm off were missed."""
U_POINTS_DEG = 0.3
"""± of the bars' angle by points that all photos of one machine share, degrees: dots stuck
1 mm off the bars' middle lines over about 250 mm."""

# --- tags on the bars -------------------------------------------------------------------

U_STUCK_DEG = 1.0
"""± of a tag's turn against its bar where it was stuck along an edge, degrees: 0.7 mm over a
card of 40 mm."""
U_STUCK_ACROSS_MM = 2.0
"""± of a tag's middle across the bar's middle line, mm."""
HINGE_FROM_TAG_MM = (150.0, 60.0)
"""Distance of a tag's middle from the hinge, mean and ±, mm: the sheet asks for 100 to
200 mm, and nobody measures it."""
LEAST_P_HINGE = 1e-3
"""Tags that fit a common hinge worse than this do not show it."""
LEAST_TURN_DEG = 15.0
"""Photos that span less turn of the bars say little about the hinge, degrees."""

# --- the strip of tags ------------------------------------------------------------------

STRIP_GAP = 8.0 / 50.0
"""Gap between two tags of our printed strip, as a share of a tag: as the sheet prints it."""
U_STRIP = 0.006
"""± of a tag's place on a printed strip, as a share of a tag: 0.3 mm on 50 mm."""
U_CORNER_PX = 0.15
"""Smallest ± believed of a refined corner, full-size px."""
STRIP_MOST_SIGMA = 3.0
"""Residuals (rms) above so many of the ± of corners and print are no flat strip."""
STRIP_CLEAN_SHARE = 0.5
"""What is left when one tag is dropped must fit this much better than it has to: the ends of
a bent strip fit a little better without one, the rest of a moved tag's strip fits well."""
BOARD_MOST_SIGMA = 3.5
"""Lengths and depths further off than so many of their ± are another machine's."""
STRIP_REACH_MM = 700.0
"""A strip on a machine's base lies within this of the leg, mm."""
U_LEG_ENDS = 0.05
"""± of the leg's length by where its points are taken, relative."""
U_STRIP_TO_BARS_DEG = 3.0
"""± of a stuck strip's plane against that of tags stuck on the bars, degrees."""
U_STRIPS_PARALLEL_DEG = 1.0
"""Strips on one machine are parallel within this ±, degrees."""

# --- millimetres where no tag gives them ------------------------------------------------

DOT_MM = (16.0, 3.0)
"""Diameter of an adhesive dot, mean and ±, mm, where it was not given: 10 to 25 mm are sold,
most near 16 (common practice)."""
U_DOT_RELATIVE = 0.05
"""± of a dot's diameter as seen, relative: slant, blur and the print's own."""
STATURE_MM = (1700.0, 95.0)
"""Stature of adults, mean and ±, mm. Read: 1740 ± 70 of men and 1610 ± 62 of women from 19 to
65 in one country, 1755 ± 71 and 1625 ± 64 in another (a university's table); both sexes
together 1675 to 1690 ± 93."""
THIGH_SHARE, SHANK_SHARE = 0.245, 0.246
"""Segment length over stature: Drillis and Contini 1966, in Winter, Biomechanics and Motor
Control of Human Movement."""
SEGMENT_SPREAD = 0.07
"""How far a patient's segment lies from that share, relative; a population mean, so only a
wide check."""
U_FORESHORTENING = 0.10
"""± of a segment's length in the picture for views up to 35 degrees off, relative."""

# --- leg and machine --------------------------------------------------------------------

SUPPORT_MM = (320.0, 90.0)
"""Distance of the lower leg's support below the knee, mean and ±, mm: anywhere from a sling
under the calf to the foot plate (common practice)."""
U_SUPPORT_TYPED_MM = 10.0
"""± of that distance where it was measured with a tape, mm: a sling holds over a breadth."""
MACHINE_PRIORS: Mapping[str, tuple[float, float]] = {
    "thigh_fault_mm": (0.0, 30.0),
    "lower_fault_mm": (0.0, 30.0),
    "place_mm": (0.0, 12.0),
    "slack_deg": (0.0, 0.7),
    "height_mm": (0.0, 20.0),
    "support_log": (0.0, 0.28),
}
"""Mean and standard deviation before anything was seen. Sections are set by tape or eye to
about 3 cm, a patient lies to 2 cm in nine of ten (common practice); slack, height and support: our
own, the support's log as `SUPPORT_MM`."""
THIGH_MM = (420.0, 40.0)
SHANK_MM = (410.0, 40.0)
"""Lengths between the marks where none was measured: .245 and .246 of a stature of 1.70 m
(Drillis and Contini 1966, in Winter), wide enough for most adults (our own)."""
HEEL_MM = (60.0, 15.0)
"""How far the heel's seat lies below the lateral malleolus (our own)."""
U_CLOSURE_MM = 2.0
"""Standard doubt of the chain's closure: a heel is soft and a carriage has play (our own)."""
LOOSE_SLINGS_DEG = (5.0, 3.0)
LOOSE_SLINGS_WEIGHT = 0.25
"""Slings are tight, the slack of `MACHINE_PRIORS`, or with this weight slack by so much: a leg that
hangs through is straighter than the bars, none is bent further (our own)."""
DISPLAY_PRIORS = (5.0, 0.05, 0.6)
"""Standard deviation of offset (degrees), gain (about 1) and bow (degrees) before anything
was read (our own): displays are off by some degrees and some per cent, and nearly straight."""
HINGE_TOLERANCE_MM = 25.0
"""Allowed distance of the hinge from the knee, mm: about half the fit tolerance of 10 degrees
at 90 degrees of flexion, by the planar model."""
FRAME_LEAST_DEG = -15.0
"""A machine's bars straighten to about -10 degrees (common practice)."""
FIT_MOST_DEG = 60.0
"""Bars and knee further apart than this are no fit, degrees: at 120 degrees a hinge 100 mm
off along or across the thigh costs 35 at most by the planar model (support at 230 mm)."""
CLEARLY_BENT_DEG = 20.0
"""No healthy knee hyperextends so far, degrees (CDC normal range, Soucie et al. 2011: means up
to 5), so beyond it the bend itself shows the front of the leg."""
STRAIGHT_BELOW_DEG = 15.0
"""Below this a caution is said, degrees: photograph against radiograph agrees well in flexion
and badly in extension (Naylor et al. 2011, BMC Musculoskelet Disord 12:77)."""
FLEXION_RANGE_DEG = (-30.0, 180.0)
"""Degrees of flexion that a display, a limit or a model's bars can mean: no knee goes further."""
END_FROM_DEG = 45.0
"""A photo without a noted end counts for flexion from here on, degrees."""
SHORTEST_IN_U = 1.0
"""A bone shorter than the ± (u) of its ends points anywhere. A longer one has a direction, be
it a poor one: its wide interval says so."""

# --- what photos of one visit, or pictures of one clip, have in common ---------------------

FOUND_ANEW = 0.5
"""Share of the placement's variance that points found anew keep from photo to photo. A
person's build and clothing mislead network and eye alike each time; view and light do not
(our own assumption, between "all" and "none")."""
FOUND_ALIKE = 0.25
"""Share of the finding's variance that points found anew have in common, along and across
their bone: with one leg a detector errs alike. On the sample photos the share of the
network's errors that one body's photos have in common was -0.1 to 0.6 by point and direction
(7 bodies, 25 photos), plus what all photos have in common (our own figure, rounded)."""
DIRECTION_ALIKE = 0.5
"""The same for a camera direction by network or prior: one leg, one person, who photographs
from about the same place (our own assumption)."""
U_SECONDS = 0.05
"""± of when a number was written down beside the film's own times, half its variance alike for
all (our own). What is not alike scatters the numbers, and is counted there."""
U_FLOW_PX = 0.2
"""± of a followed point from picture to picture: 0.1 to 0.3 px on drawn clips (our own)."""

# --- points placed by hand --------------------------------------------------------------

MANUAL_SHARE = 0.0025
"""± of a hand-placed point as a share of the longer side where none is given: 4 px on a
1600 px picture, about a finger's care with a magnifier."""
CLOSEST_PX = 2.0
"""Two points that a finger did not tell apart give no direction, px."""

# --- what the leg network must say to be believed ---------------------------------------

LEAST_PRESENCE = 0.5
"""Least presence of hip, knee and ankle, 0 to 1."""
LEAST_MACHINE_PRESENCE = 0.7
"""The same of the machine's points."""
MOST_SPREAD = 0.1
"""Views further apart than this share of the mean segment do not agree: others are aimed anew. Set
on 418 renders of people anywhere: of 16 answers beyond it 4 were misses, of 354 below 6."""
FAR_SPREAD = 0.22
"""Views so far apart show different things, however unsure they are. Nearer ones that are unsure
show one leg unsurely, and no others are aimed: they found a leg in an empty machine (1 of 85)."""
MOST_U_DEG = 13.5
"""A stated uncertainty of the flat angle beyond this is no measurement, degrees."""
DOUBTFUL_PRESENCE = 0.85
"""A fainter leg is doubtful: another witness is asked."""
DOUBTFUL_SHARE = 0.6
"""Likewise beyond this share of the limits of spread and uncertainty. Of the 44 sample photos, and
of these with their dots painted over, none is (presence 0.98 and more, shares up to 0.40)."""
NETWORK_SEGMENT_RATIO = (0.45, 2.2)
"""Thigh over lower leg in the picture. Nature makes it about 1 (Drillis and Contini 1966); a
leg seen obliquely or near a wide lens strays from it."""
NETWORK_LEAST_SEGMENT = 0.05
"""Of the photo's longer side: a smaller leg is no subject."""
NETWORK_SAME_LEG = 0.4
"""Farthest a point may lie from the known one, in mean segments, to be the same leg."""
OTHER_LEG_APART = 0.8
OTHER_LEG_SIZE = (0.6, 1.7)
OTHER_LEG_PRESENCE = 0.5
OTHER_LEG_FAR, OTHER_LEG_FAR_PRESENCE = 1.5, 0.15
"""Another leg is one whose hip, knee and ankle all lie so far, in mean segments, from those of
the first, whose size is within this ratio, and that is about as present; farther off it cannot
be what the cover left of the first, and a fainter one counts. Of 389 rendered people in bed in
whom a leg was believed, 3 are refused so by their own other leg (11 with 0.7 and 0.4); of 13
pictures of two people, 10 have a leg beyond 1.5, the faintest at 0.18."""
DENIED2 = 13.8
"""Squared distance of two witnesses' points, in their covariance, that 99.9 % of differences
stay within (chi-squared, 2 degrees of freedom)."""

# --- what the pose model must say -------------------------------------------------------

POSE_LEAST_VISIBILITY = 0.5
"""Least visibility of a point, 0 to 1."""
POSE_LEAST_LENGTH = 0.10
"""Thigh and lower leg together, of the photo's diagonal."""
POSE_SEGMENT_RATIO = (0.5, 2.0)
"""Thigh to lower leg in the picture; 1.0 on the body (Drillis and Contini), foreshortening
aside."""
POSE_LEAST_FLEXION_DEG = 45.0
"""Where the model does not see the leg it draws the one it knows best, a standing one.
Among the pairs of looks that agreed (32 rendered bedside photos, nine sizes of the copy
each, at least 35 degrees) the errors beyond 25 degrees read too straight, in all photos
but one."""
POSE_MOST_GAP = 0.30
POSE_MOST_ANGLE_GAP_DEG = 25.0
"""How far two looks at one leg may differ: any point, in segments, and the angle. Chosen on
32 rendered bedside photos, where two agreeing looks were still wrong by over 25 degrees in
one answer of twelve, and a gap of 0.35 let a third look confirm one of over 60."""
POSE_OTHER_LEG_GAP = 1.0
POSE_OTHER_LEG_SIZE = 1.5
"""Two believable legs of one look are two people's where a joint lies further apart, in
segments, and neither is larger than the other by more than this ratio."""
POSE_U_SEGMENTS = {"hip": 0.30, "knee": 0.15, "ankle": 0.20, "heel": 0.25, "toe": 0.25}
"""Standard uncertainty per coordinate, in segments of the leg (about 40 cm), against the
skin points. Measured on 116 answers (36 pairs of copy sizes), which come from 7 of the 32
rendered photos only: root mean squares hip 0.22, knee 0.08, ankle 0.19 (mean segments);
97 % of the coordinates lay within 1.96 u. The knee's was not believed so small; heel and
toe have no truth there."""
POSE_SURE_GAP = 0.2
POSE_SURE_U_SEGMENTS = {"hip": 0.16, "knee": 0.13, "ankle": 0.13, "heel": 0.2, "toe": 0.2}
POSE_ALIKE = 0.8
"""Of a person seen up to the head: how far each of five more passes may lie from the first, in
segments, and the standard uncertainty per coordinate where all do; how far these errors go
together (correlation). Our own: see the model card."""

# --- what dots must show ----------------------------------------------------------------

NETWORK_OBLIQUE_DEG, NETWORK_STEEP_DEG = 40.0, 45.0
"""Legs seen further off square have a factor of their own on the points' ellipses: with the
one of the others the intervals of those seen more than 45 degrees off held 86 % of 35, and with
the oblique ones' those of 163 others 90 % (model card)."""

DOTS_ENOUGH = 10.0
"""Least score of a leg with machine points. Set between the sample photos with dots (11 and
more) and those without, also changed in colour, size and turn (up to 9.5)."""
DOTS_ENOUGH_ALONE = 4.0
"""Least score of three dots by themselves, which must also be clean and rare."""
DOTS_HOPELESS = 7.0
"""A leg of a common colour (no rare pigment) that scores less at first is dropped: looking
again for half seen dots gained 5 at most there, and never reached `DOTS_ENOUGH`, in 128 pictures
(the sample photos, plain, made smaller, and strongly compressed twice)."""
DOTS_CONVINCING = 11.0
"""From here other pigments need no look."""
DOTS_MARGIN = 1.0
DOTS_MARGIN_INCOMPLETE = 2.0
"""A second reading that comes as close (odds of 3 or 7 to 1) makes the answer ambiguous;
where a machine point is missing, its dot may stand for one of the leg. Set on the sample
photos."""
DOTS_SPARE_MARGIN = 1.5
DOTS_SPARE_MOST = 3
"""More clean dots than names (buttons, a second set) ask for more evidence each."""
DOTS_BESIDE_SEGMENTS = 0.05
"""± of a dot against the skin point that a witness marks, per coordinate, in mean segments:
20 mm of 400, the variability of palpating the trochanter (review of Della Croce 1999 and
Rabuffetti 2002)."""
DOTS_ENOUGH_EXPECTED = 5.0
"""Least score of dots that lie where a witness expects them. Sample photos and rendered ones
without dots reach -4 at most, also compressed to quality 20; those with dots 3 to 16."""
DOTS_ENOUGH_PLAIN = 2.0
"""The same where all six, or three whole ones, are of a rare pigment."""
DOTS_MARGIN_EXPECTED = 3.0
"""A second reading where the witness expects one asks for more (odds of 20 to 1) where dots
are missing or of a common colour: the witness's ellipses hold more than one dot then."""
DOTS_SPARE_EXPECTED = 2.5
DOTS_SURE = 15.0
"""From this score on, six dots of a rare pigment need no witness; spare ones ask for more."""
DOTS_OTHER_ANGLE_DEG = 3.0
"""Readings that differ by less are one reading for the knee's angle."""
DOTS_SURE_SIDE_DEG = 15.0
"""From this bend on the bend itself tells the anterior side; below, the picture's top."""
