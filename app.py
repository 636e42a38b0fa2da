"""Starts the bedside page: ``streamlit run app.py``, or ``knee-angle page``."""

from streamlit.starlette import App

from knee_angle.page.server import MIDDLEWARE, SCRIPT

app = App(SCRIPT, middleware=MIDDLEWARE)
