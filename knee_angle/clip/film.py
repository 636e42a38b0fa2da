"""A clip from a phone: its pictures one by one, upright, each with its time.

The only place that opens films (PyAV, extra ``clip``). What kind of file it is, the content
decides, never the name, and only the reader of that kind is used: a text file that names other
files or addresses is no film. Sound is never read.

Phones write pictures at uneven times and lying on their side, with a matrix that says how to
turn them: times are those in the file, and every picture comes out upright. Large pictures are
made smaller while they are decoded; one picture is in memory at a time.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO

import numpy as np
from numpy.typing import NDArray

from knee_angle.assumptions import CLIP_FOCAL, PHONE_F35_MM, U_CLIP_F35
from knee_angle.errors import InvalidInput, UnreadableClip
from knee_angle.language import say
from knee_angle.photo.camera import FULL_FRAME_DIAGONAL_MM
from knee_angle.records import Lens

if TYPE_CHECKING:
    import av

__all__ = ["MOST_MB", "MOST_SECONDS", "Film", "FilmFrame", "opened_film"]

Rgb = NDArray[np.uint8]

MOST_SECONDS = 300.0
"""Longer clips are refused: a few cycles are enough, and one takes a minute or two (our own)."""
MOST_MB = 2000.0
"""Larger files are refused: five minutes as phones write them at most (our own)."""
MOST_MEGAPIXELS = 40.0
"""A picture of the clip; the largest that phones write has 33 (8K)."""
WORK_PX = 1280
"""Longest side at which pictures are looked at."""
F35_KEYS = ("focal_length.35mm_equivalent", "focallengthin35mm")
"""How the metadata of phones end that name the focal length (from memory)."""
F35_RANGE_MM = (10.0, 200.0)
KINDS = {"MP4 or MOV": "mov,mp4,m4a,3gp,3g2,mj2", "WebM": "matroska,webm"}
"""What is read, and what FFmpeg calls its reader."""
WANTED = say("film with the phone's camera and use that file (MP4, MOV or WebM)")


@dataclass(frozen=True, slots=True, eq=False)
class FilmFrame:
    """One picture of a film.

    Parameters
    ----------
    number : int
        Counted from 0.
    seconds : float
        After the first picture.
    rgb : ndarray of uint8, shape (h, w, 3)
        Upright.
    """

    number: int
    seconds: float
    rgb: Rgb


@dataclass(eq=False)
class Film:
    """An open film; its pictures come once, in their order.

    Parameters
    ----------
    name : str
        The file's name.
    sha256 : str
        Hash of the file (hex).
    seconds : float or None
        How long it says it is.
    f35_mm : float or None
        Focal length for a 36 mm x 24 mm picture, where the file tells it.
    torn : str or None
        Why it ended early, once all pictures that can be read have come.
    """

    name: str
    sha256: str
    seconds: float | None
    f35_mm: float | None
    _container: Any
    torn: str | None = None
    frames_read: int = 0

    def frames(self, *, every_s: float = 0.0) -> Iterator[FilmFrame]:
        """Pictures at least so far apart; those between are decoded and left.

        Raises
        ------
        UnreadableClip
            The film is too long, its pictures too large, or it holds none that can be read.
        """
        start, due, seconds = None, -math.inf, 0.0
        for frame in self._decoded():
            if frame.time is None:
                continue
            start = frame.time if start is None else start
            seconds = frame.time - start
            if seconds > MOST_SECONDS:
                raise UnreadableClip(_too_long(seconds))
            number, self.frames_read = self.frames_read, self.frames_read + 1
            if seconds >= due - 1e-6:
                # Kept to the beat, so that uneven times do not make the steps longer.
                due = max(due + every_s, seconds + 0.5 * every_s) if number else every_s
                yield FilmFrame(number, seconds, _upright(frame))
        if self.frames_read == 0:
            raise UnreadableClip(_torn(say("it holds no picture that can be read")))
        if self.seconds is not None and seconds < self.seconds - max(1.0, 0.05 * self.seconds):
            self.torn = say(
                "{filmed:.0f} s were filmed, but the file ends after {seconds:.0f} s",
                filmed=self.seconds,
                seconds=seconds,
            )

    def _decoded(self) -> Iterator[Any]:
        import av

        try:
            yield from self._container.decode(video=0)
        except (av.FFmpegError, ValueError) as error:
            if self.frames_read == 0:
                raise UnreadableClip(_torn(say("its first picture cannot be read"))) from error
            self.torn = say("the file is damaged after that")
            return


@contextmanager
def opened_film(path: str | Path, *, name: str | None = None) -> Iterator[Film]:
    """Open a clip; it is closed at the end.

    Parameters
    ----------
    path : path
        The file.
    name : str, optional
        What to call it; its own name by default.

    Raises
    ------
    UnreadableClip
        Whatever keeps it from being read.
    InvalidInput
        The package that decodes films is not installed.
    """
    try:
        import av
    except ImportError:
        raise InvalidInput(
            say(
                "clips need the package av, which is not installed: pip install "
                "'knee-angle[clip]', or measure photos"
            )
        ) from None
    with _opened_file(Path(path)) as file:
        kind = _kind_of(file.read(64))
        digest = hashlib.file_digest(_rewound(file), "sha256").hexdigest()
        try:
            # A Python file: no other file and no address can be reached from inside.
            container = av.open(_rewound(file), format=KINDS[kind], mode="r")
        except (av.FFmpegError, ValueError):
            raise UnreadableClip(_torn(say("its table of contents cannot be read"))) from None
        with container:
            yield _film(container, name or Path(path).name, digest)


def _film(container: Any, name: str, sha256: str) -> Film:
    import av

    if not container.streams.video:
        raise UnreadableClip(say("the file holds sound and no pictures: {wanted}", wanted=WANTED))
    stream = container.streams.video[0]
    seconds = None if not container.duration else container.duration / av.time_base
    if seconds is not None and seconds > MOST_SECONDS:
        raise UnreadableClip(_too_long(seconds))
    if stream.codec_context is None:
        raise UnreadableClip(_torn(say("how its pictures are coded cannot be read")))
    size = stream.codec_context.width * stream.codec_context.height
    if size > MOST_MEGAPIXELS * 1e6:
        raise UnreadableClip(
            say(
                "a picture of the clip must have at most {most:g} megapixels, but has {size:.0f}: "
                "film at 1080p",
                most=MOST_MEGAPIXELS,
                size=size / 1e6,
            )
        )
    # What its header does not say, such as larger pictures later on, is refused by the decoder.
    stream.codec_context.options = {"max_pixels": str(int(MOST_MEGAPIXELS * 1e6))}
    stream.thread_type = "AUTO"
    return Film(name, sha256, seconds, _f35_of(container, stream), container)


@contextmanager
def _opened_file(path: Path) -> Iterator[BinaryIO]:
    """The file, where it is a plain one of a size that is read."""
    try:
        if path.is_dir():
            raise UnreadableClip(
                say("the clip must be a file, but got a folder: name the clip in it")
            )
        if path.exists() and not path.is_file():
            raise UnreadableClip(
                say(
                    "the clip must be a plain file, but got a device or pipe: save it as a file "
                    "first"
                )
            )
        size_mb = path.stat().st_size / 1e6
        if size_mb > MOST_MB:
            raise UnreadableClip(
                say(
                    "the clip's file must have at most {most:.0f} MB, but has {size:.0f}: film at "
                    "1080p, one or two cycles",
                    most=MOST_MB,
                    size=size_mb,
                )
            )
        with path.open("rb") as file:
            yield file
    except FileNotFoundError:
        raise UnreadableClip(
            say("the clip is missing: there is no such file; check its name and folder")
        ) from None
    except PermissionError:
        raise UnreadableClip(
            say("the clip may not be opened: give this user the right to read the file")
        ) from None
    except OSError as error:
        raise UnreadableClip(
            say(
                "the clip cannot be read: {why}; copy it to another disk",
                why=error.strerror or "input/output error",
            )
        ) from None


def _rewound(file: BinaryIO) -> Any:
    file.seek(0)
    return file


def _kind_of(head: bytes) -> str:
    """What kind of film begins like this."""
    if not head:
        raise UnreadableClip(say("the clip is empty (0 bytes): {wanted}", wanted=WANTED))
    if head[4:8] in (b"ftyp", b"moov", b"mdat", b"wide", b"free", b"skip"):
        return "MP4 or MOV"
    if head[:4] == b"\x1aE\xdf\xa3":
        return "WebM"
    raise UnreadableClip(say("the file is no film of a kind that is read: {wanted}", wanted=WANTED))


def _torn(why: str) -> str:
    return say(
        "the clip is torn: {why}; copy it from the phone again, or film anew and let the phone "
        "finish saving",
        why=why,
    )


def _too_long(seconds: float) -> str:
    return say(
        "a clip may last at most {most:.0f} s, but this one lasts {seconds:.0f} s or more: film "
        "one or two cycles, or cut it on the phone",
        most=MOST_SECONDS,
        seconds=seconds,
    )


def _f35_of(container: Any, stream: Any) -> float | None:
    """The focal length that the file tells, where it can be one."""
    for told in (stream.metadata, container.metadata):
        for key, value in told.items():
            if str(key).lower().endswith(F35_KEYS):
                try:
                    f35_mm = float(value)
                except ValueError:
                    continue
                if F35_RANGE_MM[0] <= f35_mm <= F35_RANGE_MM[1]:
                    return f35_mm
    return None


def _upright(frame: av.VideoFrame) -> Rgb:
    """A picture as it is to be seen: smaller where it is large, square pixels, turned."""
    wide, high = frame.width, frame.height
    share = min(1.0, WORK_PX / max(wide, high))
    # swscale takes sizes in pairs of pixels quickest.
    size = {"width": 2 * round(wide * share / 2), "height": 2 * round(high * share / 2)}
    flat = frame.reformat(**size, format="rgb24").to_ndarray()
    quarter = round(frame.rotation / 90.0) % 4
    return np.asarray(np.ascontiguousarray(np.rot90(flat, quarter)), dtype=np.uint8)


def lens_of_film(film: Film, *, width_px: int, height_px: int, f35_mm: float | None = None) -> Lens:
    """The camera of a film: typed, told by the file, or a phone's as phones film.

    Films are the middle of the photo's 4:3 picture over its whole width, less what steadying
    the picture cuts off: the focal length is taken over that picture's diagonal.
    """
    given = f35_mm if f35_mm is not None else film.f35_mm
    if given is not None and not F35_RANGE_MM[0] <= given <= F35_RANGE_MM[1]:
        raise InvalidInput(
            say(
                "--focal-35mm must be between {least:g} and {most:g} mm, but got {given:g}: it is "
                "the focal length for a 36 mm x 24 mm picture, 24 to 30 for phones",
                least=F35_RANGE_MM[0],
                most=F35_RANGE_MM[1],
                given=given,
            )
        )
    diagonal_px = 1.25 * max(width_px, height_px)
    cut, u_cut = CLIP_FOCAL
    known = given is not None
    return Lens(
        width_px=width_px,
        height_px=height_px,
        focal_px=(given or PHONE_F35_MM * cut) / FULL_FRAME_DIAGONAL_MM * diagonal_px,
        u_relative=U_CLIP_F35 if known else u_cut,
        source="exif" if known else "prior",
    )
