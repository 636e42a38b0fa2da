"""Starts the bedside page: ``streamlit run app.py``, or ``knee-angle page``."""

from streamlit.starlette import App

from knee_angle.page.server import MIDDLEWARE, SCRIPT
from knee_angle.page.uploads import uploads_on_disk

app = App(SCRIPT, middleware=MIDDLEWARE)
uploads_on_disk(app)
