"""What is uploaded lies on the disk, for the owner's eyes alone, and not in memory.

Streamlit holds each upload in memory until its session ends. Here a file is written down
when it comes, read when the page asks for it, and gone with its session, or after a day.
"""

from __future__ import annotations

import hashlib
import os
import secrets
import shutil
import tempfile
import threading
import time
import weakref
from collections.abc import Callable, Sequence
from functools import cache, partial
from importlib.util import find_spec
from pathlib import Path

import platformdirs
from streamlit import config
from streamlit.runtime import Runtime, RuntimeConfig
from streamlit.runtime.memory_session_storage import MemorySessionStorage
from streamlit.runtime.memory_uploaded_file_manager import MemoryUploadedFileManager
from streamlit.runtime.uploaded_file_manager import UploadedFileRec
from streamlit.starlette import App
from streamlit.web.cache_storage_manager_config import create_default_cache_storage_manager

from knee_angle.errors import KneeAngleError
from knee_angle.page.handed_over import OwnFiles, OwnStorage
from knee_angle.store.opening import default_url
from knee_angle.store.sealing import KEY_BYTES, Seal, is_sealed, seal_at

__all__ = ["ENDS_AFTER_S", "MOST_BYTES", "DiskUploads", "uploads_on_disk"]

ENDS_AFTER_S = 24 * 3600.0
"""The longest that an upload lies about."""
MOST_BYTES = 2 * 2**30
"""Of all uploads together; beyond it the oldest go. Fifty photos of 40 MB; our own."""


class DiskUploads(MemoryUploadedFileManager):
    """Streamlit's uploads as files (0600) in a folder of this process (0700)."""

    def __init__(
        self, upload_endpoint: str, folder: Path, *, clock: Callable[[], float] = time.monotonic
    ) -> None:
        super().__init__(upload_endpoint)
        self.folder, self.clock = folder, clock
        self._here: dict[tuple[str, str], tuple[float, UploadedFileRec, int]] = {}
        self._mutex = threading.Lock()

    def add_file(self, session_id: str, file: UploadedFileRec) -> None:
        """Write it down; what is kept in memory has no content."""
        with self._mutex:
            self._end_old(room_for=len(file.data))
            place = self._place(session_id, file.file_id)
            handle = os.open(place, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
            with os.fdopen(handle, "wb") as written:
                written.write(_hidden(file.data, file.file_id))
            told = file._replace(data=b"")
            self._here[session_id, file.file_id] = (self.clock(), told, len(file.data))

    def get_files(self, session_id: str, file_ids: Sequence[str]) -> list[UploadedFileRec]:
        """Those that are still here, read from the disk."""
        found = []
        with self._mutex:
            for file_id in file_ids:
                at, told, _ = self._here.get((session_id, file_id), (0.0, None, 0))
                if told is not None and self.clock() - at < ENDS_AFTER_S:
                    content = _shown(self._place(session_id, file_id).read_bytes(), file_id)
                    found.append(told._replace(data=content))
        return found

    def remove_file(self, session_id: str, file_id: str) -> None:
        """Let one go."""
        with self._mutex:
            self._remove((session_id, file_id))

    def remove_session_files(self, session_id: str) -> None:
        """Let all of a session go."""
        with self._mutex:
            for key in [key for key in self._here if key[0] == session_id]:
                self._remove(key)

    def _end_old(self, *, room_for: int) -> None:
        """Those whose time is over, and the oldest of more than fit."""
        total = room_for + sum(size for _, _, size in self._here.values())
        for key, (at, _, size) in sorted(self._here.items(), key=lambda one: one[1][0]):
            if self.clock() - at < ENDS_AFTER_S and total <= MOST_BYTES:
                return
            total -= size
            self._remove(key)

    def _remove(self, key: tuple[str, str]) -> None:
        if self._here.pop(key, None) is not None:
            self._place(*key).unlink(missing_ok=True)

    def _place(self, session_id: str, file_id: str) -> Path:
        # Both come from the address of a request: neither names a file by itself.
        return self.folder / hashlib.sha256(f"{session_id}\0{file_id}".encode()).hexdigest()


def _own_folder() -> Path:
    """A new folder of this process; what one that was killed left there for a day goes."""
    try:
        above = Path(platformdirs.user_cache_dir("knee-angle")) / "uploads"
        above.mkdir(parents=True, exist_ok=True, mode=0o700)
        for old in above.iterdir():
            if time.time() - old.stat().st_mtime > ENDS_AFTER_S:
                shutil.rmtree(old, ignore_errors=True)
        return Path(tempfile.mkdtemp(dir=above))  # mode 0700
    except (OSError, RuntimeError):  # no home, or none that may be written
        return Path(tempfile.mkdtemp(prefix="knee-angle-uploads-"))


def _hidden(content: bytes, file_id: str) -> bytes:
    """As it lies on the disk: encrypted where the store is, under a key of this process alone."""
    try:
        encrypts = seal_at(default_url()) is not None
    except KneeAngleError:  # its key is not here, or it cannot be asked: then rather so
        encrypts = find_spec("cryptography") is not None
    return _own_seal().sealed(content, about=file_id) if encrypts else content


def _shown(content: bytes, file_id: str) -> bytes:
    return _own_seal().opened(content, about=file_id) if is_sealed(content) else content


@cache
def _own_seal() -> Seal:
    """Ends with the process, as its uploads do."""
    return Seal(secrets.token_bytes(KEY_BYTES))


def uploads_on_disk(app: App) -> App:
    """Streamlit's application, putting uploads there (`streamlit run` overlooks a subclass)."""
    app._create_runtime = partial(_runtime, app)  # type: ignore[method-assign]
    return app


def _runtime(app: App) -> Runtime:
    """As Streamlit makes it, but for what comes in and what is handed over."""
    folder, files = _own_folder(), OwnStorage("/media")
    weakref.finalize(app, shutil.rmtree, folder, ignore_errors=True)
    runtime = Runtime(
        RuntimeConfig(
            script_path=str(app._resolve_script_path()),
            media_file_storage=files,
            uploaded_file_manager=DiskUploads("/_stcore/upload_file", folder),
            cache_storage_manager=create_default_cache_storage_manager(),
            is_hello=False,
            session_storage=MemorySessionStorage(
                ttl_seconds=config.get_option("server.disconnectedSessionTTL")
            ),
            on_script_error=app._on_script_error,
        )
    )
    runtime._media_file_mgr = OwnFiles(files)
    return runtime
