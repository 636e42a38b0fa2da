"""The machine judged from a visit: how it holds the leg, what its display says, what to set.

* ``chain``: the closed chain hip, knee, heel and the machine's two sections;
* ``evidence``: what a visit knows, as plain numbers with one covariance;
* ``suspensions``: each way in which a leg may be held (chain, slings, sliding), fitted to it;
* ``holding``: all of them weighed, and what they imply at other bars;
* ``bands``: a difference over a range against a tolerance;
* ``display``: the displayed number against the bars, where a step rounds it;
* ``adjust``: what to set, in which order, never past the display;
* ``judge``: one finding by all of it.

Numbers only: no files, pictures, models or pages.
"""
