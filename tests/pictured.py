"""The README's picture of the page carries the words that stood on it when it was taken."""

from __future__ import annotations

import html
import re
from pathlib import Path

from PIL import Image

PICTURE = Path(__file__).resolve().parents[1] / "sample_images" / "bedside_page.jpg"
PHOTO, NUMBER = "bed_01.jpg", 93
"""What it was taken of."""


def words(markup: str) -> str:
    """All words of the answer on a page, in order; figures as #, which may differ by a digit."""
    (answer,) = re.findall(r'<section class="answer.*?</section>', markup, re.DOTALL)
    text = html.unescape(re.sub(r"<[^>]+>", " ", answer))
    return " ".join(re.sub(r"\d+(\.\d+)?", "#", text).split())


def pictured() -> str:
    """The words on the picture."""
    with Image.open(PICTURE) as picture:
        return picture.info.get("comment", b"").decode()
