"""From points and a view to angles with their ±. Numbers only.

* ``geometry``: angles, rays, planes; ``side``: which leg;
* ``scale``: mm a pixel without tags; ``bars``: tags stuck on the bars;
* ``inputs``: what one trial draws; ``trials``: what knee, bars and hinge become of it;
  ``uncertainty``: all trials and the budget;
* ``verdict``: displayed against knee; ``bounds``: what can always be said, and the limits;
* ``words``: the sentences about a result that several doors share.
"""
