"""A ward's page and its people: sign in, load the page, pair a phone, send a photo, stay a while.

``python nowhere_ward.py PHOTO SECONDS``
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

from serving import free_port
from warding import COOKIE, Browser, ward, with_accounts


def main() -> None:
    """Do it, and print what came of the last step."""
    photo, seconds = Path(sys.argv[1]), float(sys.argv[2])
    folder = Path.cwd()
    with_accounts(str(folder / "ward.db"))
    with ward(folder, free_port()) as served:
        computer, phone = Browser(served), Browser(served)
        assert computer.signs_in("therapist-1").status == 303
        page = computer.asks("/").text
        for part in page.split('"./static/')[1:]:
            assert computer.asks("/static/" + part.partition('"')[0]).status == 200
        session = served.access().sessions.of(computer.cookies[COOKIE])
        assert session is not None
        code = served.access().pairing.offer(session)
        assert phone.posts("/ward/join", {"code": code}).status == 303
        content = photo.read_bytes()
        assert phone.asks("/visit-photos/none", method="POST", body=content).status == 404
        time.sleep(seconds)
        print(phone.asks("/_stcore/health").text)


if __name__ == "__main__":
    main()
