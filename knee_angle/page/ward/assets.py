"""Streamlit's own files, compressed once and cached for good; start page, manifest, icons.

Only files that were there when the server started are handed out, by their exact name.
Each is compressed as hard as it goes (Brotli, else gzip) the first time it is asked for,
and the result stays on the disk for the next start. Fonts that no page of ours shows are not
named to the browser, which would fetch them before what the page needs; of the icons it gets
those that can be shown.
"""

from __future__ import annotations

import gzip
import hashlib
import json
import re
import threading
from pathlib import Path

import brotli
import streamlit
from starlette.responses import Response
from streamlit.version import STREAMLIT_VERSION_STRING

from knee_angle.files import write_whole
from knee_angle.language import LANGUAGES, current, in_language, say, tell
from knee_angle.page.ward import icons, templates

__all__ = ["Assets"]

STATIC = Path(streamlit.__file__).parent / "static"
FOR_GOOD = "private, max-age=31536000, immutable"
A_DAY = "private, max-age=86400"
TYPES = {
    ".js": "text/javascript", ".css": "text/css", ".woff2": "font/woff2", ".png": "image/png",
    ".svg": "image/svg+xml", ".json": "application/json", ".txt": "text/plain",
    ".wasm": "application/wasm", ".html": "text/html",
}  # fmt: skip
PACKED = {".js", ".css", ".svg", ".json", ".html"}
"""What gets smaller; fonts and pictures are packed already."""
SOON = (
    "Html.",
    "StreamlitMarkdown.",
    "styled-components.",
    "useFloatingOverlay.",
    "useCollection.",
)
"""Begin of the names of what every page of ours needs once it is drawn: fetched meanwhile."""
HEAD = """
    <link rel="icon" href="/ward/icon-48.png" />
    <link rel="manifest" href="/ward/manifest.json" crossorigin="use-credentials" />
    <link rel="apple-touch-icon" href="/ward/icon-180.png" />
    <meta name="theme-color" content="#0b6e69" />
    <script src="/ward/watch.js" defer></script>
"""
STARTING = say("The page is on its way ...")
NO_SCRIPT = say("This page needs JavaScript: switch it on in the browser.")
SHELL = (
    '<div id="root"><p style="font: 1.15rem/1.4 sans-serif; margin: 2.2rem 1.2rem; '
    'color: #4a5563"><b style="color: #0b6e69">{name}</b><br>{starting}</p></div>'
)
"""What stands there until the page's own scripts have come: they put theirs in its place."""
NEVER_SHOWN = re.compile(
    r"@font-face\{[^}]*font-family:\"?(?:KaTeX_|Source Sans|Source Serif)[^}]*\}"
)
"""Fonts in Streamlit's style sheet: formulas, and letters that our theme does not use."""
ICONS = ("icon-48.png", "icon-180.png", "icon-512.png")
MANIFEST = {
    "name": "Knee angle",
    "short_name": "Knee angle",
    "start_url": "/",
    "scope": "/",
    "display": "standalone",
    "background_color": "#ffffff",
    "theme_color": "#0b6e69",
    "icons": [
        {"src": "/ward/icon-180.png", "sizes": "180x180", "type": "image/png"},
        {"src": "/ward/icon-512.png", "sizes": "512x512", "type": "image/png"},
    ],
}


class Assets:
    """Files by the path under which a browser asks for them."""

    def __init__(self, kept: Path) -> None:
        self.kept = kept / f"{STREAMLIT_VERSION_STRING}-{_made_by()}"
        self.files = {
            "/" + path.relative_to(STATIC).as_posix(): path
            for path in (STATIC / "static").rglob("*")
            if path.is_file()
        }
        here = Path(__file__).parent
        self.own = {f"/ward/{name}": here / name for name in ICONS}
        self.index: dict[str, bytes] = {}
        for code in LANGUAGES:
            with in_language(code):
                self.index[f"/index.{code}.html"] = _start_page().encode()
        self.texts = {
            "/ward/watch.js": templates.script("watch.js").encode(),
            "/ward/manifest.json": json.dumps(MANIFEST).encode(),
        }
        self.ours = frozenset(self.own) | frozenset(self.texts)
        self._lock = threading.Lock()
        self._packed: dict[tuple[str, str], bytes] = {}

    def first_files(self) -> list[str]:
        """What the start page asks for at once."""
        named = re.findall(
            r'(?:href|src)="\./(static/[^"]+)"', next(iter(self.index.values())).decode()
        )
        fonts = [path for path in self.files if f"/{icons.FONT}" in path]
        return [*(f"/{name}" for name in named), *fonts]

    def answer(self, path: str, accepts: str) -> Response | None:
        """The file of that path; None where there is none."""
        if path in self.files:
            return self._packed_answer(path, self.files[path].suffix, accepts, FOR_GOOD)
        if path in self.own:
            return Response(
                self.own[path].read_bytes(), media_type="image/png",
                headers={"cache-control": A_DAY},
            )  # fmt: skip
        if path in self.texts:
            return Response(
                self.texts[path], media_type=TYPES[Path(path).suffix],
                headers={"cache-control": A_DAY},
            )  # fmt: skip
        return None

    def start_page(self, accepts: str) -> Response:
        """The page that loads all the rest."""
        return self._packed_answer(f"/index.{current().code}.html", ".html", accepts, "no-store")

    def _packed_answer(self, path: str, suffix: str, accepts: str, cache: str) -> Response:
        how = _encoding(accepts) if suffix in PACKED else ""
        headers = {"cache-control": cache, "vary": "accept-encoding"}
        if how:
            headers["content-encoding"] = how
        return Response(
            self.packed(path, how),
            headers=headers,
            media_type=TYPES.get(suffix, "application/octet-stream"),
        )

    def packed(self, path: str, how: str) -> bytes:
        """A file's bytes in an encoding, from memory or disk where they were made before."""
        if not how and not self._changed(path):
            return self.files[path].read_bytes()
        with self._lock:
            found = self._packed.get((path, how))
            if found is None:
                kept = self.kept / f"{path.strip('/').replace('/', '_')}.{how or 'as-it-is'}"
                if path in self.index or not kept.is_file():
                    found = _pack(self._content(path), how)
                    if path not in self.index:
                        self._keep(kept, found)
                else:
                    found = kept.read_bytes()
                self._packed[path, how] = found
        return found

    def _changed(self, path: str) -> bool:
        """Whether we hand out something else than Streamlit's own file."""
        return path in self.index or path.endswith(".css") or f"/{icons.FONT}" in path

    def _content(self, path: str) -> bytes:
        """What is handed out under a path, not yet packed."""
        if path in self.index:
            return self.index[path]
        content = self.files[path].read_bytes()
        if path.endswith(".css"):
            return NEVER_SHOWN.sub("", content.decode()).encode()
        if f"/{icons.FONT}" in path:
            return icons.only_ours(content, STATIC / "static" / "js")
        return content

    def _keep(self, kept: Path, packed: bytes) -> None:
        try:
            kept.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
            write_whole(kept, packed)
        except OSError:
            return  # no disk to keep it on: it is packed again at the next start


def _pack(content: bytes, how: str) -> bytes:
    if how == "br":
        packed: bytes = brotli.compress(content, quality=11)
        return packed
    return gzip.compress(content, 9, mtime=0) if how else content


def _made_by() -> str:
    """A name for files as this code makes them: those that other code kept are none of ours."""
    here = Path(__file__)
    told = [here.read_bytes(), here.with_name("icons.py").read_bytes()]
    return hashlib.sha256(
        b"".join([*told, *map(str.encode, sorted(icons.named_here()))])
    ).hexdigest()[:12]


def _encoding(accepts: str) -> str:
    """The best encoding that a browser takes."""
    taken = {
        name.strip()
        for name, _, weight in (one.partition(";") for one in accepts.lower().split(","))
        if weight.replace(" ", "") not in {"q=0", "q=0.0", "q=0.00", "q=0.000"}
    }
    return next((how for how in ("br", "gzip") if how in taken), "")


def _start_page() -> str:
    """Streamlit's start page with our name, icons and watch, and without what we never show."""
    page = (STATIC / "index.html").read_text(encoding="utf-8")
    page = re.sub(r"<link\s[^>]*rel=\"(preload|service-desc|shortcut icon)\"[^>]*>", "", page)
    page = re.sub(r"<!--.*?-->", "", page, flags=re.DOTALL)
    soon = "".join(
        f'    <link rel="modulepreload" crossorigin href="./static/js/{path.name}">\n'
        for path in sorted((STATIC / "static" / "js").glob("*.js"))
        if path.name.startswith(SOON)
    )
    page = page.replace("<title>Streamlit</title>", f"<title>Knee angle</title>{HEAD}{soon}")
    script = f"<noscript><p>{tell(NO_SCRIPT)}</p></noscript>"
    page = re.sub(r"<noscript>.*?</noscript>", script, page, flags=re.DOTALL)
    shell = SHELL.format(name=tell("Knee angle"), starting=tell(STARTING))
    page = page.replace('<div id="root"></div>', shell)
    page = page.replace('<html lang="en">', f'<html lang="{current().code}">')
    return re.sub(r"\n\s*\n+", "\n", page)
