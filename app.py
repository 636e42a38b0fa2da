"""Starts the bedside page: ``streamlit run app.py``, or ``knee-angle page``."""

from knee_angle.page.navigation import show

show()
