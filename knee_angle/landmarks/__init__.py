"""Finding the leg (and the machine) in a photo: detectors, and who is believed.

=============== ============================================================
module          what
=============== ============================================================
``base``        what a detector is
`dots`          adhesive dots
`network`       our own leg network, and the camera's direction
`pose`          a whole-body pose model, where its bundle is present
``manual``      points placed by hand
``choose``      which answer counts; ``second_opinion``: the pose model heard
``doubts``      dots and strip weighed against the leg network
``facing``      the camera's direction by network and the dots' outlines together
``view``        how the camera stands to the leg; ``empty_machine``: bars without a leg
``standard``    the detectors that the commands and the page use
=============== ============================================================
"""
