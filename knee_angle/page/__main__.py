"""``python -m knee_angle.page --port N``: the page's server, started by `cli.serving`."""

from __future__ import annotations

import argparse
import os
import signal
import sys

from knee_angle.errors import INTERRUPTED, InvalidInput, KneeAngleError
from knee_angle.language import say, set_language, tell, usual_language

__all__ = ["main"]


def main() -> None:
    """Serve the page until it is stopped."""
    set_language(usual_language())
    try:
        if "--ward" in sys.argv[1:]:
            _serve_ward(sys.argv[1:])
            return
        parser = argparse.ArgumentParser(prog="knee-angle page")
        parser.add_argument("--port", type=int, required=True)
        _serve(parser.parse_args().port)
    except KneeAngleError as error:
        print(f"knee-angle: {' '.join(tell(str(error)).split())}", file=sys.stderr)
        raise SystemExit(2) from None
    except KeyboardInterrupt:
        print(tell("knee-angle: stopped"), file=sys.stderr)
        raise SystemExit(INTERRUPTED) from None


def _serve(port: int) -> None:
    # While libraries load, an exception out of the signal may surface anywhere in them.
    before = signal.signal(signal.SIGINT, lambda *_: os._exit(INTERRUPTED))
    from streamlit.starlette import App

    from knee_angle.page.server import MIDDLEWARE, SCRIPT, SETTINGS
    from knee_angle.page.uploads import uploads_on_disk

    signal.signal(signal.SIGINT, before)
    uploads_on_disk(App(SCRIPT, middleware=MIDDLEWARE)).run(
        config={**SETTINGS, "server.port": port}
    )


def _serve_ward(arguments: list[str]) -> None:
    before = signal.signal(signal.SIGINT, lambda *_: os._exit(INTERRUPTED))
    from knee_angle.store.access.ward import from_arguments

    ward = from_arguments(arguments)
    try:
        from knee_angle.page.ward.serve import serve
    except ModuleNotFoundError as missing:
        raise InvalidInput(
            say(
                "a ward's page needs the package {missing_name}: pip install 'knee-angle[ward]'",
                missing_name=missing.name,
            )
        ) from None
    signal.signal(signal.SIGINT, before)
    serve(ward)


if __name__ == "__main__":
    main()
