"""Where the drafts of visits lie, and how one is read, changed and ended."""

from __future__ import annotations

import hashlib
import json
import math
import os
import re
import secrets
import shutil
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import platformdirs

from knee_angle.errors import InvalidInput, KeyLacking, StoreError
from knee_angle.files import sync_folder, write_whole
from knee_angle.language import say
from knee_angle.store.opening import default_url
from knee_angle.store.sealing import Seal, is_sealed, named_key, seal_at

try:
    import fcntl
except ImportError:  # Windows: one server, one process
    fcntl = None  # type: ignore[assignment]

__all__ = [
    "ENDS_AFTER_S",
    "MOST_BYTES",
    "MOST_DRAFTS",
    "Draft",
    "DraftsFolder",
    "drafts_folder",
    "new_token",
]

Json = dict[str, Any]
Ticking = tuple[str, float]

ENDS_AFTER_S = 24 * 3600.0
"""A draft that nobody touched for a day ends; photos of patients do not lie about."""
KEPT_ENDS_AFTER_S = 3600.0
"""One that was kept stays for a correction, and no longer."""
MOST_DRAFTS = 400
"""A disk is not filled by opening pages."""
MOST_BYTES = 40 * 2**20
"""A photo's file."""

TOKEN = re.compile(r"[A-Za-z0-9_-]{32}")
SHA256 = re.compile(r"[0-9a-f]{64}")
STATE = "draft.json"
FOUND = ".found"


def new_token() -> str:
    """A name of 192 random bits for a draft: whoever has it sees the visit."""
    return secrets.token_urlsafe(24)


@dataclass(frozen=True, slots=True)
class Draft:
    """A draft as it stands on the disk.

    Parameters
    ----------
    token : str
        Its name, carried by the page's address.
    version : int
        Counts its changes.
    state : dict
        What was typed, moved and chosen: see `page.visit_state`.
    """

    token: str
    version: int
    state: Json


def since_boot() -> Ticking:
    """Which start of this computer, and the seconds since: nobody sets that clock.

    Empty, and 0, where the system does not tell.
    """
    try:
        boot = Path("/proc/sys/kernel/random/boot_id").read_text(encoding="ascii").strip()
        return boot, time.clock_gettime(time.CLOCK_BOOTTIME)
    except (OSError, AttributeError):
        return "", 0.0


def drafts_folder() -> DraftsFolder:
    """The folder beside the store's file; of a store elsewhere, in the user's data folder."""
    url = default_url()
    if url.get_backend_name() == "sqlite":
        place = Path(url.database or "").absolute()
        return DraftsFolder(place.with_name(f"{place.name}-drafts"), seal=partial(seal_at, url))
    name = hashlib.sha256(str(url).encode()).hexdigest()[:12]
    place = Path(platformdirs.user_data_dir("knee-angle")) / f"drafts-{name}"
    return DraftsFolder(place, seal=partial(seal_at, url))


def _not_encrypted() -> None:
    """The seal of a store that is not encrypted."""


@dataclass(frozen=True)
class DraftsFolder:
    """All drafts of one store; their photos are encrypted where its pictures are.

    Every method may raise OSError: the disk is full, or its folder is not ours to write; those
    for photos StoreError too, where the store's key is not here.
    A clock that is set while a visit is open ends none and keeps none: each draft holds how far
    the clock was from the time since the computer's start when it was written.
    """

    path: Path
    clock: Callable[[], float] = time.time
    ticking: Callable[[], Ticking] = since_boot
    seal: Callable[[], Seal | None] = _not_encrypted

    def begin(self, token: str, state: Mapping[str, Any]) -> Draft:
        """Make a draft, after ending those whose time is over."""
        self.end_old()
        if sum(1 for _ in self._all()) >= MOST_DRAFTS:
            raise OSError(
                28,
                say("{most_drafts} visits are open already", most_drafts=MOST_DRAFTS),
                str(self.path),
            )
        place = self._of(token)
        place.mkdir(mode=0o700, parents=True, exist_ok=True)
        draft = Draft(token, 1, dict(state))
        self._write(draft)
        sync_folder(self.path)
        return draft

    def find(self, token: str) -> Draft | None:
        """A draft by its token; None where none is, its time is over, or it is damaged."""
        if not TOKEN.fullmatch(token):
            return None
        kept = _read(self._of(token) / STATE)
        if kept is None or self._over(self._of(token), kept):
            return None
        try:
            return Draft(token, int(kept["version"]), dict(kept["state"]))
        except (ValueError, KeyError, TypeError, OverflowError):
            return None

    def change(self, draft: Draft, state: Mapping[str, Any]) -> Draft:
        """Write another state, unless it is the one that stands there."""
        if dict(state) == draft.state:
            return draft
        changed = Draft(draft.token, draft.version + 1, json.loads(json.dumps(dict(state))))
        self._write(changed)
        return changed

    def end(self, token: str) -> None:
        """Let go of a draft and its photos."""
        if TOKEN.fullmatch(token):
            shutil.rmtree(self._of(token), ignore_errors=True)

    def end_old(self) -> None:
        """Let go of every draft whose time is over."""
        for place in self._all():
            if self._over(place, _read(place / STATE) or {}):
                shutil.rmtree(place, ignore_errors=True)
        with suppress(OSError, StoreError):  # where the key is not here, photos say so
            self._seal_what_is_not()

    def _seal_what_is_not(self) -> None:
        """Encrypt photos that came before the store was encrypted."""
        seal = self.seal()
        if seal is None:
            return
        for path in (one for place in self._all() for one in place.iterdir()):
            if SHA256.fullmatch(path.name) and not is_sealed(content := path.read_bytes()):
                write_whole(path, seal.sealed(content, about=f"draft {path.name}"))

    @contextmanager
    def alone(self, token: str) -> Iterator[None]:
        """Nobody else changes this draft meanwhile, in this program or another one."""
        place = self._of(token) / "lock"
        with open(place, "ab", opener=lambda path, flags: os.open(path, flags, 0o600)) as file:
            if fcntl is not None:
                fcntl.flock(file, fcntl.LOCK_EX)
            yield

    # Photos --------------------------------------------------------------------------

    def put_photo(self, token: str, content: bytes) -> str:
        """Write a photo's bytes; their hash, which is its name.

        Raises
        ------
        InvalidInput
            The file is too large.
        """
        if len(content) > MOST_BYTES:
            raise InvalidInput(
                say(
                    "the photo's file has {n_content:.0f} MB, at most {most_bytes} are taken: "
                    "photograph at a usual size",
                    n_content=len(content) / 2**20,
                    most_bytes=MOST_BYTES // 2**20,
                )
            )
        sha256 = hashlib.sha256(content).hexdigest()
        path = self._of(token) / sha256
        if not path.exists():
            seal = self._seal_here()
            hidden = content if seal is None else seal.sealed(content, about=f"draft {sha256}")
            write_whole(path, hidden)
        return sha256

    def photo(self, token: str, sha256: str) -> bytes | None:
        """A photo's bytes; None where they are not, or no longer what they were."""
        if not SHA256.fullmatch(sha256) or not TOKEN.fullmatch(token):
            return None
        try:
            content = (self._of(token) / sha256).read_bytes()
        except OSError:
            return None
        if is_sealed(content):
            seal = self._seal_here()
            if seal is None:
                return None
            content = seal.opened(content, about=f"draft {sha256}")
        return content if hashlib.sha256(content).hexdigest() == sha256 else None

    def _seal_here(self) -> Seal | None:
        """The store's; of one that is damaged or away, the key that is named, if one is."""
        try:
            return self.seal()
        except KeyLacking:
            raise
        except StoreError:  # it costs nobody the answer
            return named_key()

    def photos(self, token: str) -> list[str]:
        """The hashes of the photos that lie there, the oldest first."""
        place = self._of(token)
        try:
            found = [(f.stat().st_mtime_ns, f.name) for f in place.iterdir()]
        except OSError:
            return []
        return [name for _, name in sorted(found) if SHA256.fullmatch(name)]

    def drop_photo(self, token: str, sha256: str) -> None:
        """Let go of one photo."""
        if SHA256.fullmatch(sha256):
            (self._of(token) / sha256).unlink(missing_ok=True)
            (self._of(token) / f"{sha256}{FOUND}").unlink(missing_ok=True)

    def put_found(self, token: str, sha256: str, text: str) -> None:
        """Write down what was found in a photo that lies there."""
        if (self._of(token) / sha256).exists():
            write_whole(self._of(token) / f"{sha256}{FOUND}", text)

    def found(self, token: str, sha256: str) -> str | None:
        """What was found in a photo; None where nothing was written down."""
        if not SHA256.fullmatch(sha256) or not TOKEN.fullmatch(token):
            return None
        try:
            return (self._of(token) / f"{sha256}{FOUND}").read_text(encoding="utf-8")
        except (OSError, ValueError):
            return None

    def _of(self, token: str) -> Path:
        if not TOKEN.fullmatch(token):
            raise InvalidInput(
                say("a visit's address must carry its whole name: open the page anew")
            )
        return self.path / token

    def _all(self) -> Iterator[Path]:
        with suppress(OSError):
            yield from (one for one in self.path.iterdir() if TOKEN.fullmatch(one.name))

    def _write(self, draft: Draft) -> None:
        boot, seconds = self.ticking()
        held = {"version": draft.version, "state": draft.state}
        if boot:
            held |= {"boot": boot, "clock_ahead_s": self.clock() - seconds}
        text = json.dumps(held, allow_nan=False)
        write_whole(self._of(draft.token) / STATE, text)

    def _over(self, place: Path, kept: Mapping[str, Any]) -> bool:
        try:
            touched = max(f.stat().st_mtime for f in (place, place / STATE) if f.exists())
        except (OSError, ValueError):
            return True
        state = kept.get("state")
        done = isinstance(state, dict) and state.get("kept") and not state.get("pending")
        ends = KEPT_ENDS_AFTER_S if done else ENDS_AFTER_S
        return self.clock() - touched - self._clock_was_set(kept) > ends

    def _clock_was_set(self, kept: Mapping[str, Any]) -> float:
        """By how much since a draft was written, s; 0 where that is not known."""
        boot, seconds = self.ticking()
        before = kept.get("clock_ahead_s")
        if not boot or kept.get("boot") != boot or not isinstance(before, float | int):
            return 0.0
        set_by = self.clock() - seconds - before
        return set_by if math.isfinite(set_by) else 0.0


def _read(path: Path) -> Json | None:
    """The object that a draft's file holds; None where it is not there or damaged."""
    try:
        kept = json.loads(path.read_bytes())
    except (OSError, ValueError, RecursionError):
        return None
    return kept if isinstance(kept, dict) else None
