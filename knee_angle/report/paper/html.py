"""A paper as one self-contained HTML page: style and pictures are inside, nothing is fetched."""

from __future__ import annotations

from importlib.resources import files
from typing import TYPE_CHECKING

from knee_angle.report.paper.blocks import Paper, as_json

if TYPE_CHECKING:
    from markupsafe import Markup

__all__ = ["html_of"]


def html_of(paper: Paper, language: str = "en") -> str:
    """The paper as HTML, with the words of its PDF in the same order; `language` as there."""
    from jinja2 import Environment, StrictUndefined

    page = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True,
                       lstrip_blocks=True)  # fmt: skip
    page.filters["drawn"] = _drawn
    template = page.from_string(files(__package__).joinpath("page.html").read_text("utf-8"))
    return template.render(paper=as_json(paper, language))


def _drawn(svg: str, alt: str, style: str) -> Markup:
    """A picture as part of the page: its words can be found and copied, one name tells it all."""
    from markupsafe import Markup

    head = Markup(
        '<svg role="img" aria-label="{alt}" style="{style}" preserveAspectRatio="xMinYMin meet" '
    ).format(alt=alt, style=style)
    return head + Markup(svg.removeprefix("<svg "))  # noqa: S704  every word in it is escaped
