"""Results as documents for people: text, JSON, plots and a page to print.

Nothing here computes a figure: a number that is printed or drawn stands in the result that
is handed over. ``study_*`` belong to :class:`knee_angle.agreement.Study`.
"""
