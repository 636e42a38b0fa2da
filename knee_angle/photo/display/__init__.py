"""The number on a display, read off the photo. Three small networks of our own, see the card.

Read in this order: :mod:`seen` (the steps), :mod:`find` (where lines of digits are),
:mod:`fit` (the edges of a line), :mod:`rectify` (a line laid straight),
:mod:`read` (what it says, and how sure), :mod:`decode` (the reader's answer as texts with
probabilities), :mod:`line` (a text as a number), :mod:`choose` (which number is the angle, and
whether it may be used), :mod:`networks` (the weights), :mod:`told` (a number read against one
that was typed, and against the knee), :mod:`film` (one picture after another).
"""
