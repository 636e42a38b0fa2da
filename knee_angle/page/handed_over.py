"""What the page hands over (pictures, papers, tables) opens for the session it was made for.

Streamlit names such a file by a hash of its content and hands it to whoever asks for that name.
Here a file remembers for which sessions it was made: to any other, of another account or role,
there is no such file. Where nobody signs in, all is one session.
"""

from __future__ import annotations

import threading
from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from streamlit.runtime.media_file_manager import MediaFileManager
from streamlit.runtime.media_file_storage import MediaFileKind, MediaFileStorageError
from streamlit.runtime.memory_media_file_storage import MemoryFile, MemoryMediaFileStorage

from knee_angle.page.ward.here import asking

__all__ = ["OwnFiles", "OwnStorage"]


class OwnStorage(MemoryMediaFileStorage):
    """Streamlit's files, each with the sessions that it was made for."""

    def __init__(self, media_endpoint: str) -> None:
        super().__init__(media_endpoint)
        self._made_for: defaultdict[str, set[str]] = defaultdict(set)
        self._mutex = threading.Lock()

    def load_and_get_id(
        self,
        path_or_data: str | bytes,
        mimetype: str,
        kind: MediaFileKind,
        filename: str | None = None,
    ) -> str:
        """Take a file; whoever asks may open it."""
        file_id = super().load_and_get_id(path_or_data, mimetype, kind, filename)
        with self._mutex:
            self._made_for[file_id].add(asking())
        return file_id

    def get_file(self, filename: str) -> MemoryFile:
        """The file, for a session that it was made for.

        Raises
        ------
        MediaFileStorageError
            There is none for whoever asks.
        """
        file_id = filename.partition(".")[0]
        with self._mutex:
            allowed = asking() in self._made_for.get(file_id, ())
        if not allowed:
            raise MediaFileStorageError("no such file")
        return super().get_file(filename)

    def delete_file(self, file_id: str) -> None:
        """Let one go."""
        super().delete_file(file_id)
        with self._mutex:
            self._made_for.pop(file_id, None)


@dataclass(frozen=True, slots=True)
class _Made:
    """How a file is made once its button is tapped, and for which session the button is."""

    content: Callable[[], Any]
    made_for: str

    def __call__(self) -> Any:
        return self.content()


class OwnFiles(MediaFileManager):
    """Files that are made when a button is tapped: made for the session that saw the button."""

    def add_deferred(self, data_callable: Callable[[], Any], *given: Any, **named: Any) -> str:
        """Remember how a file is made, and for whom."""
        return super().add_deferred(_Made(data_callable, asking()), *given, **named)

    def execute_deferred(self, file_id: str) -> str:
        """The address of the file, made now; of another session's button there is none."""
        with self._lock:
            entry = self._deferred_callables.get(file_id)
        made = entry and entry["callable"]
        if isinstance(made, _Made) and made.made_for != asking():
            return ""  # an error would fill the log for whoever tries
        return super().execute_deferred(file_id)
