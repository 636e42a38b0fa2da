"""A paper as one self-contained HTML page: style and pictures are inside, nothing is fetched."""

from __future__ import annotations

import base64
from importlib.resources import files

from knee_angle.report.paper.blocks import Paper, as_json

__all__ = ["html_of"]


def html_of(paper: Paper, language: str = "en") -> str:
    """The paper as HTML, with the words of its PDF in the same order; `language` as there."""
    from jinja2 import Environment, StrictUndefined

    page = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True,
                       lstrip_blocks=True)  # fmt: skip
    page.filters["inside"] = _inside
    template = page.from_string(files(__package__).joinpath("page.html").read_text("utf-8"))
    return template.render(paper=as_json(paper, language))


def _inside(svg: str) -> str:
    """A picture as an address that holds it."""
    return "data:image/svg+xml;base64," + base64.b64encode(svg.encode()).decode()
