"""The machine judged from a visit: how it holds the leg, what its display says, what to set.

* ``chain``: the closed chain hip, knee, heel and the machine's two sections;
* ``evidence``: what a visit knows, as plain numbers with one covariance;
* ``holding``: both suspensions (chain and sliding) fitted to it;
* ``display``: the displayed number against the bars, where a step rounds it;
* ``cause``: what is proven, and what is not;
* ``adjust``: what to set, in which order, never past the display.

Numbers only: no files, pictures, models or pages.
"""
