"""How to photograph, in a few sentences and drawings of our own."""

from __future__ import annotations

import streamlit as st

__all__ = ["HOW_TO", "show"]

HOW_TO = (
    "Stand square to the leg on its outer side, the lens level with the knee, about 1.5 m "
    "away, the whole leg in the frame, the machine paused at end range."
)


def show() -> None:
    """Draw the page."""
    st.title("How to photograph")
    st.markdown(HOW_TO)
