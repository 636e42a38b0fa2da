"""What all papers share: the foot, and how moments and days are written (ISO 8601)."""

from __future__ import annotations

from datetime import datetime

from knee_angle import words

__all__ = ["FOOT", "PAGE", "capital", "moment"]

FOOT = words.CAUTION
PAGE = "Page {page} of {pages}"


def capital(text: str) -> str:
    """The text as a sentence begins."""
    return text[:1].upper() + text[1:]


def moment(at: datetime) -> str:
    """Day, time and distance from UTC.

    Examples
    --------
    >>> from datetime import UTC
    >>> moment(datetime(2026, 3, 4, 9, 5, tzinfo=UTC))
    '2026-03-04 09:05 UTC'
    """
    offset = at.strftime("%z")
    zone = "" if offset in ("", "+0000") else f"{offset[:3]}:{offset[3:]}"
    return f"{at:%Y-%m-%d %H:%M} UTC{zone}"
