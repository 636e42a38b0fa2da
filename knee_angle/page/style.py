"""How the pages look: one style sheet for all, read from the package."""

from __future__ import annotations

from pathlib import Path

__all__ = ["STYLE"]

STYLE = f"<style>{Path(__file__).with_name('style.css').read_text(encoding='utf-8')}</style>"
