"""The machine judged: how it holds the leg, what its display says, what to set.

By a visit:

* ``answer``: every setting against display and limits, and what the machine does;
* ``from_visit``, ``evidence``: what a visit knows, as plain numbers with one covariance;
* ``judge``: one finding by all of it; ``bands``: a difference over a range against a tolerance;
* ``typed``: was each number read and typed right? ``display``: the displayed number against
  the bars, where a step rounds it, ``display_told`` what is said of it;
* ``chain``: the closed chain hip, knee, heel and the machine's two sections; ``sliding``: what
  a misplaced hinge does where the lower leg slides;
* ``suspensions``: each way in which a leg may be held, fitted; ``holding``: all of them weighed,
  and what they imply at other bars;
* ``adjust``: what to set, in which order, never past the display, told by ``advice``;
  ``changed``: what that changed.

By single photos, and over time:

* ``cause``: calibration or fit, and the one table of advice; ``unjudged``: why neither, by photo;
* ``prescribed``, ``cautions``: the limits that bind a photo, and what to keep in mind;
* ``check``, ``calibration``: several photos as straight lines with errors in both, of which
  ``covariances`` holds what the points share; ``refused``: what is not judged;
  ``over_range``: such a line judged, ``difference``: along it; ``tagged``: its bars by tags;
  ``check_plan``: how many photos;
* ``empty``: a machine without a leg; ``reading``: the line that both kinds of check share;
* ``control_chart``: has a machine changed?

Numbers only: no files, pictures, models or pages.
"""
