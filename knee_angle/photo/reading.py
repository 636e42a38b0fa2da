"""A photo from a phone: read once, upright, without what it tells about people.

The only place that opens picture files. What kind of file it is, the content
decides, never the name. The size is read from the header and checked before any
pixel is decoded.

A JPEG of a phone's usual size is decoded at half size, or once where that would lose colours
(`full_size`). A larger one is decoded at a reduced size first. Full size follows when a window of
it is asked for. For that the compressed picture is kept, with every block of metadata (EXIF, GPS,
thumbnails, comments) cut out.

Colours are taken as sRGB. An embedded colour profile (Display P3 on many phones)
is not applied: it shifts strong colours slightly and moves no edge.
"""

from __future__ import annotations

import hashlib
import math
import stat
import threading
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from io import BytesIO
from pathlib import Path, PurePath

import cv2
import numpy as np
from PIL import (
    GifImagePlugin,
    Image,
    JpegImagePlugin,
    PngImagePlugin,
    TiffImagePlugin,
    WebPImagePlugin,
)

from knee_angle.errors import InvalidInput, UnreadablePhoto
from knee_angle.language import say
from knee_angle.photo.bare import bare_jpeg, damaged
from knee_angle.photo.colours import Rgb, on_white, parts, rgb8
from knee_angle.photo.full_size import FullSize, half_of, halves, upright
from knee_angle.photo.kinds import Kind, header_size, kind_of
from knee_angle.photo.memory import OUT_OF_MEMORY, check_memory, check_size
from knee_angle.photo.told import Told, told_by

__all__ = ["Photo", "check_file_size", "file_bytes", "photo_of_pixels", "read_photo"]


TIFF_DNG_VERSION = 50706
AT_ONCE_MEGAPIXELS = 26.0
"""A JPEG up to this size is decoded at full size at once (80 MB, as much as a phone's largest
usual photo takes) or, where that shows all colours, at half. Larger ones are read reduced first."""
LINEAR_MOST = 1.5
"""A picture this much smaller at most may take each pixel from its neighbours alone (our own)."""

FILE_BYTES_PER_PIXEL = 8
"""The largest plain file within the limit: 16 bits in four channels."""


_WARNING_FILTERS = threading.Lock()


@dataclass(frozen=True, eq=False)
class Photo:
    """An upright photo: a reduced copy at once, full size when asked for.

    Made by :func:`read_photo`. Arrays are read-only. No path, place, time or other
    EXIF entry is kept, only those of `Told`.

    Parameters
    ----------
    name : str
        The file's name without its folder.
    width, height : int
        Size of the upright photo at full size, px.
    f35_mm : float or None
        Focal length for a 36 mm x 24 mm picture, from EXIF, mm.
    sha256 : str
        Hash of the file's bytes (hex); the seed of everything drawn at random.
    small : ndarray of uint8, shape (h, w, 3)
        RGB, C-contiguous, its longer side at most ``small_px``; the full photo where
        that is no larger.
    told : Told
        What the file says of how its picture was made.
    """

    name: str
    width: int
    height: int
    f35_mm: float | None
    sha256: str
    small: Rgb = field(repr=False)
    _full: FullSize = field(repr=False)
    told: Told = field(default_factory=Told)

    @property
    def scale_x(self) -> float:
        """Full-size px per px of ``small``: ``x_full = x_small * scale_x`` (outer corners)."""
        return self.width / int(self.small.shape[1])

    @property
    def scale_y(self) -> float:
        """Full-size px per px of ``small``: ``y_full = y_small * scale_y`` (outer corners)."""
        return self.height / int(self.small.shape[0])

    def full(self) -> Rgb:
        """The upright photo at full size, decoded at the first call and then kept.

        Returns
        -------
        ndarray of uint8, shape (height, width, 3)
            RGB, read-only.

        Raises
        ------
        UnreadablePhoto
            Memory ran out, or damage that the reduced copy did not show.
        """
        return self._full.pixels()

    def window(self, x0: int, y0: int, x1: int, y1: int) -> tuple[Rgb, tuple[int, int]]:
        """A part of the full-size photo, clipped to it.

        Parameters
        ----------
        x0, y0, x1, y1 : int
            Outer corners, full-size px; x1 and y1 are the first column and row left out.

        Returns
        -------
        crop : ndarray of uint8, shape (h, w, 3)
            RGB, a read-only view; of size 0 where the window misses the photo.
        offset : (int, int)
            x and y of the crop's outer corner in the photo, px.
        """
        left, right = (min(max(int(x), 0), self.width) for x in (x0, x1))
        top, bottom = (min(max(int(y), 0), self.height) for y in (y0, y1))
        if left >= right or top >= bottom:
            return np.zeros((0, 0, 3), dtype=np.uint8), (left, top)
        return self._full.part(left, top, right, bottom), (left, top)


def read_photo(
    source: str | Path | bytes,
    *,
    name: str | None = None,
    limit_megapixels: float = 120.0,
    small_px: int = 1600,
) -> Photo:
    """Read a JPEG, PNG, WebP, TIFF, HEIC or GIF photo and turn it upright.

    Every bit depth and colour kind becomes 8-bit RGB: transparency is laid on white,
    16-bit and floating-point greys are scaled, colours are taken as sRGB (an embedded
    profile such as Display P3 is not applied). Of an animation or a file with several
    pictures, the first (HEIC: the main) picture is read.

    Parameters
    ----------
    source : str, Path or bytes
        Path of the file, or its content.
    name : str, optional
        Name to show; the file's own where left out. Any folder in it is dropped.
    limit_megapixels : float
        Largest picture to decode, in millions of pixels.
    small_px : int
        Longest side of the reduced copy, px.

    Returns
    -------
    Photo

    Raises
    ------
    UnreadablePhoto
        Whatever is wrong with the file: missing, not allowed, empty, cut off, damaged,
        too large, too much for the memory, or no picture of these kinds.
    InvalidInput
        A limit that is not positive.
    """
    if not limit_megapixels > 0:
        raise InvalidInput(f"limit_megapixels must be above 0, but got {limit_megapixels:g}.")
    if small_px < 1:
        raise InvalidInput(f"small_px must be at least 1, but got {small_px}.")
    data = source if isinstance(source, bytes) else file_bytes(source, limit_megapixels)
    if name is None:
        name = "photo" if isinstance(source, bytes) else str(source)
    decoded = _decoded_or_told(data, limit_megapixels=limit_megapixels, small_px=small_px)
    return Photo(
        name=PurePath(str.__str__(name)).name,
        width=decoded.width,
        height=decoded.height,
        f35_mm=decoded.told.f35_mm,
        told=decoded.told,
        sha256=hashlib.sha256(data).hexdigest(),
        small=decoded.small,
        _full=decoded.full,
    )


def photo_of_pixels(rgb: Rgb, *, name: str, sha256: str, f35_mm: float | None) -> Photo:
    """A picture that is decoded already, upright, as a photo (a frame of a clip).

    Parameters
    ----------
    rgb : ndarray of uint8, shape (h, w, 3)
        Its pixels; they are not copied and become read-only.
    name, sha256, f35_mm
        As in `Photo`.
    """
    rgb = np.ascontiguousarray(rgb)
    rgb.setflags(write=False)
    return Photo(name, int(rgb.shape[1]), int(rgb.shape[0]), f35_mm, sha256, rgb, FullSize(rgb))


def _decoded_or_told(data: bytes, *, limit_megapixels: float, small_px: int) -> _Decoded:
    """The picture in a file; whatever is wrong with it is an `UnreadablePhoto`."""
    kind = kind_of(data)
    try:
        return _decoded(data, kind, limit_megapixels=limit_megapixels, small_px=small_px)
    except UnreadablePhoto:
        raise
    except MemoryError:
        raise UnreadablePhoto(OUT_OF_MEMORY) from None
    except Exception:  # noqa: BLE001
        # Decoders raise whatever comes to them (SyntaxError, struct.error, ValueError,
        # OSError, ...); to the reader of the message all of it means the same.
        raise damaged(kind) from None


# ---------------------------------------------------------------- the file


def check_file_size(size_bytes: int, limit_megapixels: float) -> None:
    """Refuse a file that is larger than any picture of that many megapixels.

    Raises
    ------
    UnreadablePhoto
        It is.
    """
    limit_bytes = int(limit_megapixels * 1e6 * FILE_BYTES_PER_PIXEL)
    if size_bytes > limit_bytes:
        raise UnreadablePhoto(
            say(
                "the photo's file must have at most {limit_mb:.0f} MB, but has "
                "{size_mb:.0f} MB: make a smaller copy, or raise the megapixel limit.",
                limit_mb=limit_bytes / 1e6,
                size_mb=size_bytes / 1e6,
            )
        )


def file_bytes(path: str | Path, limit_megapixels: float) -> bytes:
    """The file's content; a device or a huge file is refused before reading.

    Raises
    ------
    UnreadablePhoto
        Whatever keeps the file from being read.
    """
    try:
        status = Path(path).stat()
        if stat.S_ISDIR(status.st_mode):
            raise UnreadablePhoto(
                say("the photo must be a file, but got a folder: name the photos inside it.")
            )
        if not stat.S_ISREG(status.st_mode):
            raise UnreadablePhoto(
                say("the photo must be a plain file, but got a device or pipe: copy it to a file.")
            )
        check_file_size(status.st_size, limit_megapixels)
        return Path(path).read_bytes()
    except FileNotFoundError:
        reason = say("the photo is missing: there is no such file; check its name and folder.")
    except PermissionError:
        reason = say("the photo may not be opened: give this user the right to read the file.")
    except MemoryError:
        reason = OUT_OF_MEMORY
    except OSError as error:
        reason = say(
            "the photo cannot be opened: {why}.", why=error.strerror or "input/output error"
        )
    except ValueError:
        reason = say("the photo's path cannot be used: it holds a character no file name can have.")
    raise UnreadablePhoto(reason) from None


# ---------------------------------------------------------------- decoding


@dataclass(frozen=True, eq=False)
class _Decoded:
    """What decoding gives: upright."""

    width: int
    height: int
    told: Told
    small: Rgb
    full: FullSize


def _decoded(data: bytes, kind: Kind, *, limit_megapixels: float, small_px: int) -> _Decoded:
    """Decode, at reduced size where the format can; full size comes along where it cannot."""
    check_size(header_size(data, kind), limit_megapixels)
    bare = bare_jpeg(data) if kind == "JPEG" else b""
    if kind == "PNG" and b"IEND" not in data:
        raise damaged(kind)
    with _without_warnings():
        image = _opened(data, kind)
        check_size(image.size, limit_megapixels)
        width, height = image.size
        small_size = _small_size(width, height, small_px)
        if kind == "JPEG" and image.mode in ("RGB", "L"):
            if _at_once(image.size, small_size):
                check_memory(image, kind, data, limit_megapixels=limit_megapixels)
                return _decoded_at_once(bare, image, small_size)
            # Decodes only as many frequencies as the smaller picture needs.
            image.draft(None, small_size)
        reduced = image.size != (width, height)
        check_memory(image, kind, data, limit_megapixels=limit_megapixels)
        if kind != "WebP":
            image.load()
        if not reduced and image.size != (width, height):
            raise damaged(kind)
        orientation, told = told_by(image)
        if kind == "HEIC":
            # Turned by its decoder already: in HEIC the EXIF entry is for information.
            orientation = 1
    flat = _webp(data) if kind == "WebP" else rgb8(image)
    del image  # as large as `flat` or larger; turning needs the room
    small = _shrunk(flat, small_size, width=width, height=height)
    small = upright(small, orientation)
    if reduced:
        full = FullSize(None, bare, orientation)
    else:
        full = FullSize(small if small_size == (width, height) else upright(flat, orientation))
    if orientation in (5, 6, 7, 8):
        width, height = height, width
    return _Decoded(width, height, told, small, full)


def _at_once(size: tuple[int, int], small_size: tuple[int, int]) -> bool:
    """Whether full size is decoded at once: nearly every photo needs a window of it later."""
    twice = min(whole / small for whole, small in zip(size, small_size, strict=True)) >= 2.0
    return twice and size[0] * size[1] <= AT_ONCE_MEGAPIXELS * 1e6


def _decoded_at_once(bare: bytes, image: Image.Image, small_size: tuple[int, int]) -> _Decoded:
    """A JPEG decoded once, at full size, or at half of it where all colours are there.

    The reduced copy is the mean over its areas.
    """
    orientation, told = told_by(image)
    wide, high = image.size
    full = FullSize(None, bare, orientation)
    if halves(image):
        full.half = half_of(bare, orientation)
    pixels = full.pixels() if full.half is None else full.half
    if orientation in (5, 6, 7, 8):
        wide, high, small_size = high, wide, small_size[::-1]
    if pixels.shape[:2] not in ((high, wide), (high // 2, wide // 2)):
        raise damaged("JPEG")
    small = _mean(pixels, small_size)
    small.setflags(write=False)
    return _Decoded(wide, high, told, small, full)


def _mean(pixels: Rgb, size: tuple[int, int]) -> Rgb:
    """A smaller picture by means over areas."""
    high, wide = pixels.shape[:2]
    # Whole blocks first: OpenCV is ten times as fast there as at any other ratio.
    block = min(wide // size[0], high // size[1])
    if wide % block or high % block or min(wide / size[0], high / size[1]) / block > LINEAR_MOST:
        return _resized(pixels, size, area=True)
    mean = pixels if block == 1 else _resized(pixels, (wide // block, high // block), area=True)
    return mean if (wide, high) == size else _resized(mean, size, area=False)


def _resized(pixels: Rgb, size: tuple[int, int], *, area: bool) -> Rgb:
    """A smaller picture, by means over areas, or between neighbours where it is hardly smaller."""
    how = cv2.INTER_AREA if area else cv2.INTER_LINEAR
    return np.asarray(cv2.resize(pixels, size, interpolation=how), dtype=np.uint8)


@contextmanager
def _without_warnings() -> Iterator[None]:
    """Silence the decoders' warnings about odd metadata; the filters are the process's."""
    with _WARNING_FILTERS, warnings.catch_warnings():
        warnings.simplefilter("ignore")
        yield


def _opened(data: bytes, kind: Kind) -> Image.Image:
    """The picture with its header read, by the plugin itself.

    ``Image.open`` would apply the process-wide pixel limit instead of the call's.
    """
    stream = BytesIO(data)
    if kind == "JPEG":
        return JpegImagePlugin.JpegImageFile(stream)
    if kind == "PNG":
        return PngImagePlugin.PngImageFile(stream)
    if kind == "WebP":
        return WebPImagePlugin.WebPImageFile(stream)
    if kind == "GIF":
        return GifImagePlugin.GifImageFile(stream)
    if kind == "TIFF":
        tiff = TiffImagePlugin.TiffImageFile(stream)
        if TIFF_DNG_VERSION in tiff.tag_v2:
            raise UnreadablePhoto(
                say(
                    "the photo must be a finished picture, but it is camera raw data (DNG): "
                    "export it as JPEG."
                )
            )
        return tiff
    # Not needed for most photos, and its library is large.
    from pi_heif import HeifImageFile

    heic: Image.Image = HeifImageFile(stream)
    return heic


def _webp(data: bytes) -> Rgb:
    """8-bit RGB of a WebP's first picture; OpenCV takes less than half of Pillow's memory."""
    flat = cv2.imdecode(np.frombuffer(data, dtype=np.uint8), cv2.IMREAD_UNCHANGED)
    if flat is None:
        raise damaged("WebP")
    return on_white(np.asarray(flat, dtype=np.uint8))


def _small_size(width: int, height: int, small_px: int) -> tuple[int, int]:
    """Size of the reduced copy; never larger than the photo."""
    share = min(1.0, small_px / max(width, height))
    return max(1, round(width * share)), max(1, round(height * share))


def _shrunk(flat: Rgb, size: tuple[int, int], *, width: int, height: int) -> Rgb:
    """``flat`` (full size, or reduced by the decoder) at ``size`` (width, height)."""
    high, wide = flat.shape[:2]
    if (wide, high) == size and (width % wide, height % high) == (0, 0):
        return flat
    # A decoder that divides by n rounds the size up: its last pixel may reach beyond
    # the photo. Only the part that the photo covers is mapped on to the small copy,
    # so that the scale is the ratio of the sizes, up to the far edge.
    divisor_x, divisor_y = math.ceil(width / wide), math.ceil(height / high)
    box = (0.0, 0.0, width / divisor_x, height / divisor_y)
    # Of the quick filters only the triangle leaves every edge where it is: box and
    # Hamming move it by up to 0.2 px of the small copy where the ratio is near 1.
    # Whole blocks are averaged first, down to twice the wanted size; a part of the rows
    # at a time, because the picture as Pillow holds it takes more memory than `flat`.
    across, down = (max(1, int(box[n + 2] / size[n] / 2.0)) for n in (0, 1))
    if across > 1 or down > 1:
        reduced = [
            np.asarray(Image.fromarray(flat[rows]).reduce((across, down)))
            for rows in parts(wide, high, multiple_of=down)
        ]
        flat, box = np.concatenate(reduced), (0.0, 0.0, box[2] / across, box[3] / down)
    return np.array(Image.fromarray(flat).resize(size, Image.Resampling.BILINEAR, box=box))
