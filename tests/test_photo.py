"""Which photos are read, how they come out, and how the others are refused."""

from __future__ import annotations

import base64
import hashlib
import io
import pickle
import resource
import struct
import time
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from knee_angle.errors import InvalidInput, UnreadablePhoto
from knee_angle.photo.reading import Photo, read_photo

SIZE = (64, 48)
CORNERS = ((220, 30, 30), (30, 200, 30), (30, 30, 220), (230, 220, 30))
"""Colours of the test picture's quarters: top left, top right, bottom left, bottom right."""
GREYS = tuple(round(0.299 * r + 0.587 * g + 0.114 * b) for r, g, b in CORNERS)

STORED_AS = {
    1: None,
    2: Image.Transpose.FLIP_LEFT_RIGHT,
    3: Image.Transpose.ROTATE_180,
    4: Image.Transpose.FLIP_TOP_BOTTOM,
    5: Image.Transpose.TRANSPOSE,
    6: Image.Transpose.ROTATE_90,
    7: Image.Transpose.TRANSVERSE,
    8: Image.Transpose.ROTATE_270,
}
"""How an upright picture lies in a file with each EXIF orientation."""

SECRET = b"WARD-7"
SECRET_DATE = b"2031:01:02"

# The test picture as a phone writes it: stored lying, with a rotation for the decoder
# (irot) and the same rotation once more in EXIF, f35 = 26 mm. There is no HEIC encoder
# among the dependencies; made once with pillow-heif (quality 50).
HEIC = base64.b64decode(
    "AAAAHGZ0eXBoZWljAAAAAG1pZjFoZWljbWlhZgAAAchtZXRhAAAAAAAAACFoZGxyAAAAAAAAAABwaWN0AAAAAAAAAA"
    "AAAAAAAAAAADRpbG9jAAAAAERAAAIAAQAAAAAB7AABAAAAAAAAAEMAAgAAAAACLwABAAAAAAAAAIAAAAA4aWluZgAA"
    "AAAAAgAAABVpbmZlAgAAAAABAABodmMxAAAAABVpbmZlAgAAAQACAABFeGlmAAAAAA5waXRtAAAAAAABAAABB2lwcn"
    "AAAADmaXBjbwAAAHZodmNDAQNwAAAAkAAAAAAAHvAA/P34+AAADwNgAAEAGEABDAH//wNwAAADAJAAAAMAAAMAHroC"
    "QGEAAQAqQgEBA3AAAAMAkAAAAwAAAwAeoCCBBZbq5Ka5uAhoMCAAAAMDIAAAAwAhYgABAAZEAcFzwIkAAAATY29scm"
    "5jbHgAAQANAAaAAAAAFGlzcGUAAAAAAAAAQAAAAEAAAAAoY2xhcAAAADAAAAABAAAAQAAAAAH////wAAAAAgAAAAAA"
    "AAACAAAAEHBpeGkAAAAAAwgICAAAAAlpcm90AwAAABlpcG1hAAAAAAAAAAEAAQaBAgMFhIYAAAAaaXJlZgAAAAAAAA"
    "AOY2RzYwACAAEAAQAAAMttZGF0AAAAPygBrxOA5TH2vtP+4Tj+5ZLBKy+AB/vGy5IPvrrVTt1uvr+3ouoH/qfoGAXT"
    "2yQb9x/83Bq/x/zp43o6VN8QtgAAAAZFeGlmAABNTQAqAAAACAAEAQ4AAgAAAAcAAAA+ARIAAwAAAAEABgAAh2kABA"
    "AAAAEAAABGiCUABAAAAAEAAABYAAAAAFdBUkQtNwAAAAGkBQADAAAAAQAaAAAAAAAAAAEAHQACAAAACwAAAGoAAAAA"
    "MjAzMTowMTowMgAA"
)


def quarters(size: tuple[int, int] = SIZE) -> Image.Image:
    """Four quarters of different colours."""
    colours = np.array(CORNERS, dtype=np.uint8).reshape(2, 2, 3)
    return Image.fromarray(colours).resize(size, Image.Resampling.NEAREST)


def encoded(picture: Image.Image, kind: str, **options: Any) -> bytes:
    stream = io.BytesIO()
    picture.save(stream, kind, **options)
    return stream.getvalue()


def exif(orientation: int = 1, *, f35_mm: float | None = 26) -> Image.Exif:
    """EXIF as a phone writes it, with a place and a date that nobody else needs."""
    entries = Image.Exif()
    entries[0x0112] = orientation
    entries[0x010E] = SECRET.decode()
    if f35_mm is not None:
        entries.get_ifd(0x8769)[0xA405] = f35_mm
    entries.get_ifd(0x8825)[29] = SECRET_DATE.decode()
    return entries


def grey(values: NDArray[Any]) -> Image.Image:
    """The quarters as one channel of any type; ``values`` for the four of them."""
    return Image.fromarray(np.kron(values.reshape(2, 2), np.ones((24, 32), dtype=values.dtype)))


def cv2_encoded(suffix: str, picture: NDArray[Any]) -> bytes:
    return bytes(cv2.imencode(suffix, picture)[1])


def rgb16() -> NDArray[np.uint16]:
    return np.asarray(quarters(), dtype=np.uint16)[:, :, ::-1] * np.uint16(257)


def corners(pixels: NDArray[np.uint8]) -> NDArray[np.int64]:
    """Mean colour in the middle of each quarter, as CORNERS."""
    high, wide = pixels.shape[:2]
    parts = [
        pixels[int(y * high) - 2 : int(y * high) + 2, int(x * wide) - 2 : int(x * wide) + 2]
        for y in (0.25, 0.75)
        for x in (0.25, 0.75)
    ]
    return np.array([part.reshape(-1, 3).mean(axis=0).round() for part in parts], dtype=np.int64)


def assert_upright(photo: Photo, *, within: int = 4) -> None:
    np.testing.assert_allclose(corners(photo.small), CORNERS, atol=within)
    np.testing.assert_allclose(corners(photo.full()), CORNERS, atol=within)
    assert photo.full().shape == (photo.height, photo.width, 3)


G8 = np.array(GREYS)


def frames() -> dict[str, Any]:
    """Options for a second, black picture in the file; Pillow marks it, so never shared."""
    return {"save_all": True, "append_images": [Image.new("RGB", SIZE, "black")]}


class TestKinds:
    @pytest.mark.parametrize(
        "content",
        [
            pytest.param(encoded(quarters(), "JPEG", quality=95), id="a JPEG"),
            pytest.param(
                encoded(quarters(), "JPEG", quality=95, progressive=True),
                id="a progressive JPEG",
            ),
            pytest.param(
                encoded(quarters(), "JPEG", quality=95, keep_rgb=True), id="a JPEG kept as RGB"
            ),
            pytest.param(encoded(quarters().convert("CMYK"), "JPEG", quality=95), id="a CMYK JPEG"),
            pytest.param(
                encoded(quarters(), "MPO", quality=95, **frames()), id="a JPEG with a second view"
            ),
            pytest.param(
                encoded(quarters(), "JPEG", quality=95) + b"video" * 99,
                id="a JPEG with a video behind it",
            ),
            pytest.param(encoded(quarters(), "PNG"), id="a PNG"),
            pytest.param(encoded(quarters().quantize(8), "PNG"), id="a palette PNG"),
            pytest.param(encoded(quarters().convert("RGBA"), "PNG"), id="a PNG with alpha"),
            pytest.param(cv2_encoded(".png", rgb16()), id="a 16-bit PNG"),
            pytest.param(encoded(quarters(), "PNG", **frames()), id="an animated PNG"),
            pytest.param(encoded(quarters(), "WEBP", quality=95), id="a WebP"),
            pytest.param(encoded(quarters(), "WEBP", lossless=True), id="a lossless WebP"),
            pytest.param(
                encoded(quarters().convert("RGBA"), "WEBP", lossless=True, exact=True),
                id="a WebP with alpha",
            ),
            pytest.param(
                encoded(quarters(), "WEBP", lossless=True, **frames()), id="an animated WebP"
            ),
            pytest.param(encoded(quarters(), "TIFF"), id="a TIFF"),
            pytest.param(encoded(quarters(), "TIFF", compression="tiff_lzw"), id="a LZW TIFF"),
            pytest.param(encoded(quarters(), "TIFF", big_tiff=True), id="a BigTIFF"),
            pytest.param(encoded(quarters().convert("CMYK"), "TIFF"), id="a CMYK TIFF"),
            pytest.param(cv2_encoded(".tiff", rgb16()), id="a 16-bit TIFF"),
            pytest.param(encoded(quarters(), "TIFF", **frames()), id="a TIFF with two pages"),
            pytest.param(encoded(quarters(), "GIF", **frames()), id="an animated GIF"),
            pytest.param(HEIC, id="a HEIC"),
        ],
    )
    def test_reads(self, content: bytes) -> None:
        """Each kind gives the same upright colours; of several pictures the first."""
        photo = read_photo(content)
        assert (photo.width, photo.height) == SIZE
        assert_upright(photo, within=12 if content is HEIC else 5)

    @pytest.mark.parametrize(
        "content",
        [
            pytest.param(encoded(quarters().convert("L"), "JPEG", quality=95), id="a JPEG"),
            pytest.param(encoded(quarters().convert("L"), "PNG"), id="an 8-bit PNG"),
            pytest.param(encoded(quarters().convert("LA"), "PNG"), id="a PNG with alpha"),
            pytest.param(encoded(grey((G8 * 257).astype(np.uint16)), "PNG"), id="a 16-bit PNG"),
            pytest.param(encoded(grey((G8 * 257).astype(np.uint16)), "TIFF"), id="a 16-bit TIFF"),
            pytest.param(encoded(grey((G8 * 257).astype(np.int32)), "TIFF"), id="a 32-bit TIFF"),
            pytest.param(
                encoded(grey((G8 / 255).astype(np.float32)), "TIFF"), id="a float TIFF up to 1"
            ),
            pytest.param(encoded(grey(G8.astype(np.float32)), "TIFF"), id="a float TIFF up to 255"),
        ],
    )
    def test_reads_grey(self, content: bytes) -> None:
        """A grey picture comes as RGB of the same greys, whatever its depth."""
        expected = np.repeat(np.array(GREYS)[:, None], 3, axis=1)
        np.testing.assert_allclose(corners(read_photo(content).small), expected, atol=2)

    @pytest.mark.parametrize(
        ("content", "expected"),
        [
            pytest.param(
                encoded(Image.new("RGBA", SIZE, (255, 0, 0, 0)), "PNG"),
                (255, 255, 255),
                id="clear is white",
            ),
            pytest.param(
                encoded(Image.new("RGBA", SIZE, (0, 0, 0, 51)), "PNG"),
                (204, 204, 204),
                id="a fifth of black is light grey",
            ),
            pytest.param(
                encoded(Image.new("RGB", SIZE, (9, 9, 9)), "PNG", transparency=(9, 9, 9)),
                (255, 255, 255),
                id="a colour declared clear is white",
            ),
            pytest.param(
                encoded(Image.new("1", SIZE, 1), "PNG"), (255, 255, 255), id="1-bit white"
            ),
            pytest.param(encoded(Image.new("1", SIZE, 0), "TIFF"), (0, 0, 0), id="1-bit black"),
            pytest.param(
                encoded(grey(np.array([np.nan] * 4, dtype=np.float32)), "TIFF"),
                (0, 0, 0),
                id="no number is black",
            ),
            pytest.param(
                encoded(grey(np.array([-4, 6, 6, 6], dtype=np.float32)), "TIFF"),
                (255, 255, 255),
                id="unknown ranges are stretched",
            ),
        ],
    )
    def test_plain_rules(self, content: bytes, expected: tuple[int, int, int]) -> None:
        """Transparency lies on white; odd numbers have a stated meaning."""
        assert tuple(read_photo(content).small[-1, -1]) == expected

    @pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP", "TIFF"])
    def test_content_decides(self, tmp_path: Path, kind: str) -> None:
        """A wrong extension does no harm."""
        path = tmp_path / "photo.heic"
        path.write_bytes(encoded(quarters(), kind, quality=95))
        assert_upright(read_photo(path))


class TestUpright:
    @pytest.mark.parametrize("orientation", range(1, 9))
    @pytest.mark.parametrize(
        ("kind", "options", "size"),
        [
            pytest.param("JPEG", {"quality": 95}, SIZE, id="JPEG"),
            pytest.param("JPEG", {"quality": 95}, (1001, 701), id="JPEG decoded at reduced size"),
            pytest.param("PNG", {}, SIZE, id="PNG"),
            pytest.param("WEBP", {"lossless": True}, SIZE, id="WebP"),
            pytest.param("TIFF", {}, SIZE, id="TIFF"),
            pytest.param("TIFF", {"compression": "tiff_lzw"}, SIZE, id="LZW TIFF"),
        ],
    )
    def test_turned_once(
        self, kind: str, options: dict[str, Any], size: tuple[int, int], orientation: int
    ) -> None:
        """All eight EXIF orientations give the same upright picture, small and full."""
        picture = quarters(size)
        stored = STORED_AS[orientation]
        lying = picture if stored is None else picture.transpose(stored)
        photo = read_photo(encoded(lying, kind, exif=exif(orientation), **options), small_px=400)
        assert (photo.width, photo.height) == size
        assert_upright(photo)

    def test_heic_is_not_turned_twice(self) -> None:
        """The decoder turns a HEIC; its EXIF orientation is left alone."""
        photo = read_photo(HEIC)
        assert (photo.width, photo.height) == SIZE
        np.testing.assert_allclose(corners(photo.small), CORNERS, atol=12)

    @pytest.mark.parametrize("orientation", [0, 9, 65535])
    def test_impossible_orientation_means_upright(self, orientation: int) -> None:
        """An orientation that does not exist is no reason to refuse."""
        assert_upright(read_photo(encoded(quarters(), "PNG", exif=exif(orientation))))


class TestScale:
    @pytest.mark.parametrize(
        "size",
        [
            pytest.param((4000, 3000), id="12 MP"),
            pytest.param((3999, 2999), id="odd, halved by the decoder"),
            pytest.param((3201, 2403), id="odd, just above twice the small copy"),
            pytest.param((3199, 2399), id="odd, halved to just the small copy"),
            pytest.param((6413, 4807), id="odd, quartered"),
            pytest.param((1999, 1501), id="odd, not reduced by the decoder"),
        ],
    )
    def test_dots_stay_where_they_are(self, size: tuple[int, int]) -> None:
        """A dot found in the small copy lies within 0.1 px in the photo, to the far edge."""
        width, height = size
        dots = [(40.3, 41.8), (width - 37.4, 52.2), (width - 41.1, height - 39.7)]
        sampling = 2 if size == (4000, 3000) else 0  # as phones keep colours, and in full
        photo = read_photo(encoded(with_dots(size, dots), "JPEG", quality=95, subsampling=sampling))
        for x, y in dots:
            found = centroid(photo.small, x / photo.scale_x, y / photo.scale_y)
            assert found[0] * photo.scale_x == pytest.approx(x, abs=0.1)
            assert found[1] * photo.scale_y == pytest.approx(y, abs=0.1)

    def test_small_copy_and_windows_agree(self) -> None:
        """12 MP: sizes, the small copy and a window show the same picture."""
        photo = read_photo(encoded(quarters((4000, 3000)), "JPEG", exif=exif(), quality=90))
        assert (photo.width, photo.height) == (4000, 3000)
        assert photo.small.shape == (1200, 1600, 3)
        assert (photo.scale_x, photo.scale_y) == (2.5, 2.5)
        crop, offset = photo.window(1990, 1490, 2010, 1510)
        assert offset == (1990, 1490)
        np.testing.assert_allclose(crop.astype(int), photo.full()[1490:1510, 1990:2010], atol=2)
        np.testing.assert_allclose(
            crop[:, :9].mean(axis=1)[[2, -3]], [CORNERS[0], CORNERS[2]], atol=9
        )

    @pytest.mark.parametrize(
        ("size", "options", "rounding"),
        [
            pytest.param((240, 160), {}, 2, id="colours at half its size, as phones do"),
            pytest.param((240, 160), {"exif": exif(6)}, 2, id="the same, turned"),
            pytest.param((240, 160), {"subsampling": 1}, 0, id="colours at half its width alone"),
            pytest.param((240, 160), {"subsampling": 0}, 0, id="colours at its own size"),
            pytest.param((240, 160), {"keep_rgb": True}, 0, id="stored as RGB"),
            pytest.param((240, 160), {"progressive": True}, 0, id="in many passes"),
            pytest.param((241, 160), {}, 0, id="odd"),
        ],
    )
    def test_a_part_is_that_of_the_whole_picture(
        self, size: tuple[int, int], options: dict[str, Any], rounding: int
    ) -> None:
        """However its JPEG keeps colours: in the middle, at edges and corners, at odd pixels."""
        ramp = np.linspace(0, 60, size[0])[None, :, None]
        picture = Image.fromarray((np.asarray(quarters(size)) * 0.7 + ramp).astype(np.uint8))
        data = encoded(picture, "JPEG", quality=90, **options)
        whole = read_photo(data, small_px=80).full().astype(int)
        high, wide = whole.shape[:2]
        photo = read_photo(data, small_px=80)
        for x, y in [(0, 0), (101, 63), (wide - 7, high - 5), (wide - 8, 0), (51, high - 6)]:
            part, _ = photo.window(x, y, x + 13, y + 11)
            expected = whole[y : y + 11, x : x + 13]
            np.testing.assert_allclose(part.astype(int), expected, atol=rounding)
            assert not part.flags.writeable

    def test_no_photo_is_enlarged(self) -> None:
        """A photo that is small already is its own small copy and is decoded once."""
        photo = read_photo(encoded(quarters(), "JPEG", exif=exif(6)), small_px=64)
        assert (photo.scale_x, photo.scale_y) == (1.0, 1.0)
        assert photo.full() is photo.small
        assert np.shares_memory(photo.window(0, 0, 9, 9)[0], photo.small)

    @pytest.mark.parametrize(
        ("window", "shape", "offset"),
        [
            pytest.param((10, 12, 20, 18), (6, 10), (10, 12), id="inside"),
            pytest.param((-5, -7, 4, 3), (3, 4), (0, 0), id="over the top left corner"),
            pytest.param((60, 40, 99, 99), (8, 4), (60, 40), id="over the bottom right corner"),
            pytest.param((70, 5, 90, 9), (0, 0), (64, 5), id="outside"),
            pytest.param((9, 9, 9, 20), (0, 0), (9, 9), id="empty"),
        ],
    )
    def test_windows_are_clipped(
        self, window: tuple[int, int, int, int], shape: tuple[int, int], offset: tuple[int, int]
    ) -> None:
        """A window gives the part that the photo has, and where that part starts."""
        crop, start = read_photo(encoded(quarters(), "PNG")).window(*window)
        assert crop.shape == (*shape, 3)
        assert start == offset

    def test_very_long_photo(self) -> None:
        """The shorter side of the small copy keeps at least one pixel."""
        photo = read_photo(encoded(Image.new("RGB", (5000, 1)), "PNG"), small_px=100)
        assert photo.small.shape == (1, 100, 3)
        assert (photo.scale_x, photo.scale_y) == (50.0, 1.0)

    def test_nobody_draws_into_it(self) -> None:
        """The arrays are contiguous 8-bit RGB and read-only."""
        photo = read_photo(encoded(quarters((900, 700)), "JPEG", exif=exif(5)), small_px=300)
        for pixels in (photo.small, photo.full()):
            assert pixels.dtype == np.uint8
            assert pixels.flags.c_contiguous
            assert not pixels.flags.writeable


def with_dots(size: tuple[int, int], dots: list[tuple[float, float]]) -> Image.Image:
    """White with smooth black dots of radius 14 px at exact places."""
    pixels = np.full((size[1], size[0]), 255, dtype=np.uint8)
    for x, y in dots:
        left, top = int(x) - 20, int(y) - 20
        ys, xs = np.mgrid[top : top + 41, left : left + 41] + 0.5
        edge = np.clip((14.0 - np.hypot(xs - x, ys - y)) / 6 + 0.5, 0.0, 1.0)
        pixels[top : top + 41, left : left + 41] = np.rint(255 * (1 - edge))
    return Image.fromarray(pixels).convert("RGB")


def centroid(pixels: NDArray[np.uint8], x: float, y: float) -> tuple[float, float]:
    """Centre of the darkness within 18 px of (x, y), continuous px."""
    left, top = max(0, int(x) - 18), max(0, int(y) - 18)
    part = 255.0 - pixels[top : top + 37, left : left + 37].mean(axis=2)
    part[part < 12] = 0.0
    ys, xs = np.mgrid[: part.shape[0], : part.shape[1]] + 0.5
    return left + float((xs * part).sum() / part.sum()), top + float((ys * part).sum() / part.sum())


class TestWhatIsKept:
    @pytest.mark.parametrize(
        "content",
        [
            pytest.param(
                encoded(quarters((900, 700)), "JPEG", exif=exif(6), comment=SECRET), id="JPEG"
            ),
            pytest.param(
                encoded(quarters((900, 700)), "JPEG", exif=exif()) + SECRET_DATE,
                id="JPEG with a trailer",
            ),
            pytest.param(encoded(quarters(), "PNG", exif=exif()), id="PNG"),
            pytest.param(encoded(quarters(), "WEBP", exif=exif()), id="WebP"),
            pytest.param(encoded(quarters(), "TIFF", exif=exif().tobytes()), id="TIFF"),
            pytest.param(HEIC, id="HEIC"),
        ],
    )
    def test_no_place_no_date(self, tmp_path: Path, content: bytes) -> None:
        """Nothing of EXIF but the focal length, and no folder, is in any field."""
        assert SECRET in content
        path = tmp_path / "bed-03.jpg"
        path.write_bytes(content)
        photo = read_photo(path, small_px=300)
        kept = pickle.dumps(photo)
        photo.full()
        for everything in (kept, pickle.dumps(photo)):
            assert SECRET not in everything
            assert SECRET_DATE not in everything
            assert str(tmp_path).encode() not in everything
        assert photo.f35_mm == 26.0

    @pytest.mark.parametrize(
        ("f35_mm", "expected"),
        [
            pytest.param(26, 26.0, id="a phone"),
            pytest.param(None, None, id="no entry"),
            pytest.param(0, None, id="0 means unknown"),
            pytest.param(4, None, id="too short"),
            pytest.param(5000, None, id="too long"),
        ],
    )
    def test_focal_length(self, f35_mm: float | None, expected: float | None) -> None:
        """Only a focal length that a camera can have is believed."""
        content = encoded(quarters(), "JPEG", exif=exif(f35_mm=f35_mm))
        assert read_photo(content).f35_mm == expected

    def test_broken_exif_is_no_reason_to_refuse(self) -> None:
        """The picture counts; EXIF that cannot be read says nothing."""
        content = encoded(quarters(), "JPEG", quality=95, exif=b"Exif\0\0MM\0*\xff\xff\xff\xf0bad")
        photo = read_photo(content)
        assert photo.f35_mm is None
        assert_upright(photo)

    def test_names(self, tmp_path: Path) -> None:
        """The name is the file's, or the one given, always without a folder."""
        path = tmp_path / "bed 3 – left.png"
        path.write_bytes(encoded(quarters(), "PNG"))
        assert read_photo(str(path)).name == "bed 3 – left.png"
        assert read_photo(path, name="ward/7.png").name == "7.png"
        assert read_photo(path.read_bytes()).name == "photo"

    def test_hash_is_of_the_file(self) -> None:
        """The same file gives the same hash (sha256), path or bytes."""
        content = encoded(Image.new("RGB", (1, 1)), "PNG")
        assert read_photo(content).sha256 == hashlib.sha256(content).hexdigest()


def png_header(width: int, height: int) -> bytes:
    header = b"IHDR" + struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n"
        + struct.pack(">I", 13)
        + header
        + struct.pack(">I", zlib.crc32(header))
    )


def with_jpeg_size(width: int, height: int) -> bytes:
    content = bytearray(encoded(quarters(), "JPEG"))
    at = content.index(b"\xff\xc0") + 5
    content[at : at + 4] = struct.pack(">HH", height, width)
    return bytes(content)


def tiff_header(width: int, height: int) -> bytes:
    entries = [(256, 4, width), (257, 4, height), (258, 3, 8), (259, 3, 1), (262, 3, 1)]
    entries += [(273, 4, 8), (277, 3, 1), (278, 4, height), (279, 4, 8)]
    rows = [struct.pack("<HHII", tag, kind, 1, value) for tag, kind, value in entries]
    return b"II*\0\x08\0\0\0" + struct.pack("<H", len(rows)) + b"".join(rows) + bytes(4)


def webp_header(width: int, height: int) -> bytes:
    canvas = struct.pack("<I", width - 1)[:3] + struct.pack("<I", height - 1)[:3]
    return b"RIFF" + struct.pack("<I", 22) + b"WEBPVP8X" + struct.pack("<II", 10, 2) + canvas


class TestRefused:
    @pytest.mark.parametrize(
        ("content", "words"),
        [
            pytest.param(b"", "the file is empty", id="empty"),
            pytest.param(b"Dear colleague,\nplease", "its content is plain text", id="text"),
            pytest.param("Ärzte".encode(), "its content is plain text", id="text with umlauts"),
            pytest.param(b"\0\1\2\xff" * 50, "its content is something else", id="noise"),
            pytest.param(b"%PDF-1.7 ...", "its content is a PDF", id="a PDF"),
            pytest.param(encoded(quarters(), "BMP"), "a BMP picture", id="a BMP"),
            pytest.param(b"\0\0\0\x1cftypavif" + bytes(99), "an AVIF picture", id="an AVIF"),
            pytest.param(b"\0\0\0\x18ftypmp42" + bytes(99), "its content is a video", id="a video"),
            pytest.param(
                encoded(quarters(), "TIFF", tiffinfo={50706: b"\1\4\0\0"}),
                "camera raw data (DNG)",
                id="a DNG",
            ),
            pytest.param(png_header(0, 9), "must have pixels", id="a PNG of zero width"),
            pytest.param(b"GIF89a" + bytes(30), "must have pixels", id="a GIF of zero size"),
            pytest.param(b"\xff\xd8", "JPEG data are cut off or damaged", id="two bytes of JPEG"),
        ],
    )
    def test_content(self, content: bytes, words: str) -> None:
        """What is no picture of these kinds is refused by name."""
        with pytest.raises(UnreadablePhoto) as refused:
            read_photo(content)
        assert words in refused.value.reason
        assert_plain(refused.value.reason)

    @pytest.mark.parametrize("share", [0.05, 0.5, 0.9])
    @pytest.mark.parametrize(
        "content",
        [
            pytest.param(encoded(with_dots((900, 700), [(99, 99)]), "JPEG"), id="JPEG"),
            pytest.param(
                encoded(with_dots((900, 700), [(99, 99)]), "JPEG", progressive=True),
                id="progressive JPEG",
            ),
            pytest.param(encoded(quarters(), "PNG"), id="PNG"),
            pytest.param(encoded(quarters(), "WEBP"), id="WebP"),
            pytest.param(encoded(quarters(), "TIFF"), id="TIFF"),
            pytest.param(encoded(quarters(), "TIFF", compression="tiff_lzw"), id="LZW TIFF"),
            pytest.param(encoded(quarters(), "GIF"), id="GIF"),
            pytest.param(HEIC, id="HEIC"),
        ],
    )
    def test_cut_off(self, content: bytes, share: float) -> None:
        """A file that stops early is refused, although only a small copy is decoded."""
        with pytest.raises(UnreadablePhoto, match=r"cut off or damaged") as refused:
            read_photo(content[: max(16, int(share * len(content)))], small_px=200)
        assert_plain(refused.value.reason)

    def test_copy_that_ends_in_zeros(self) -> None:
        """Half a JPEG in a file of full size (a copy that was broken off) is refused."""
        content = encoded(with_dots((900, 700), [(99, 99)]), "JPEG")
        half = len(content) // 2
        with pytest.raises(UnreadablePhoto, match="cut off or damaged"):
            read_photo(content[:half] + bytes(len(content) - half), small_px=200)

    @pytest.mark.parametrize(
        ("content", "count"),
        [
            pytest.param(png_header(60_000, 50_000), "3000.0 (60000 x 50000)", id="PNG"),
            pytest.param(with_jpeg_size(65_000, 60_000), "3900.0 (65000 x 60000)", id="JPEG"),
            pytest.param(tiff_header(60_000, 50_000), "3000.0 (60000 x 50000)", id="TIFF"),
            pytest.param(webp_header(16_000, 16_000), "256.0 (16000 x 16000)", id="WebP"),
            pytest.param(
                b"GIF89a" + struct.pack("<HH", 60_000, 50_000) + bytes(30),
                "3000.0 (60000 x 50000)",
                id="GIF",
            ),
        ],
    )
    def test_bomb(self, content: bytes, count: str) -> None:
        """Too many pixels are refused by the header: at once and without the memory."""
        before_kib = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        start = time.perf_counter()
        with pytest.raises(UnreadablePhoto) as refused:
            read_photo(content)
        assert time.perf_counter() - start < 0.5
        assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before_kib < 50_000
        assert "at most 120 megapixels" in refused.value.reason
        assert count in refused.value.reason
        assert "raise the megapixel limit" in refused.value.reason

    def test_limit_is_the_callers(self) -> None:
        """The limit can be lowered and raised."""
        content = encoded(quarters((200, 100)), "PNG")
        with pytest.raises(UnreadablePhoto, match=r"at most 0\.01 megapixels"):
            read_photo(content, limit_megapixels=0.01)
        assert read_photo(content, limit_megapixels=0.02).width == 200

    def test_huge_file(self, tmp_path: Path) -> None:
        """A file larger than any picture within the limit is not even read."""
        path = tmp_path / "huge.jpg"
        with path.open("wb") as file:
            file.truncate(10**12)
        with pytest.raises(UnreadablePhoto, match="at most 960 MB, but has 1000000 MB"):
            read_photo(path)

    def test_missing(self, tmp_path: Path) -> None:
        """A file that is not there is said to be missing."""
        self.refused(tmp_path / "none.jpg", "there is no such file")

    def test_folder(self, tmp_path: Path) -> None:
        """A folder is no photo."""
        self.refused(tmp_path, "got a folder")

    def test_device(self) -> None:
        """An endless file is never read."""
        self.refused(Path("/dev/zero"), "got a device or pipe")

    def test_impossible_names(self, tmp_path: Path) -> None:
        """A path that no file can have is refused like any other."""
        self.refused("bed\0.jpg", "no file name can have")
        self.refused(tmp_path / ("x" * 5000), "cannot be opened")

    def test_not_allowed(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        """A file without the right to read it is said to be so (also where root may all)."""
        path = tmp_path / "bed.jpg"
        path.write_bytes(b"x")
        monkeypatch.setattr(Path, "read_bytes", raising(PermissionError(13, "Permission denied")))
        self.refused(path, "may not be opened")

    def test_failing_disk(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        """Any other failure says what the system said."""
        path = tmp_path / "bed.jpg"
        path.write_bytes(b"x")
        monkeypatch.setattr(Path, "read_bytes", raising(OSError(5, "Input/output error")))
        self.refused(path, "Input/output error")

    @staticmethod
    def refused(source: str | Path, words: str) -> None:
        with pytest.raises(UnreadablePhoto) as refused:
            read_photo(source)
        assert words in refused.value.reason
        assert str(source) not in refused.value.reason
        assert_plain(refused.value.reason)

    def test_impossible_options(self) -> None:
        """A limit without meaning is the caller's mistake, not the photo's."""
        with pytest.raises(InvalidInput, match="limit_megapixels must be above 0"):
            read_photo(b"x", limit_megapixels=float("nan"))
        with pytest.raises(InvalidInput, match="small_px must be at least 1"):
            read_photo(b"x", small_px=0)


def raising(error: Exception) -> Callable[..., bytes]:
    def fails(*_: object) -> bytes:
        raise error

    return fails


def assert_plain(reason: str) -> None:
    """One line that ends as a sentence and names no library."""
    assert "\n" not in reason
    assert reason.startswith("the photo")
    assert reason.endswith(".")
    assert "Error" not in reason


@pytest.mark.parametrize(
    "content",
    [
        pytest.param(encoded(quarters(), "JPEG", exif=exif(6)), id="JPEG"),
        pytest.param(
            encoded(quarters(), "JPEG", exif=exif(6), progressive=True), id="progressive JPEG"
        ),
        pytest.param(encoded(quarters(), "PNG", exif=exif()), id="PNG"),
        pytest.param(encoded(quarters(), "WEBP", exif=exif()), id="WebP"),
        pytest.param(encoded(quarters(), "TIFF", exif=exif().tobytes()), id="TIFF"),
        pytest.param(
            encoded(quarters(), "TIFF", exif=exif(), compression="tiff_lzw"), id="LZW TIFF"
        ),
        pytest.param(encoded(quarters(), "GIF", **frames()), id="GIF"),
        pytest.param(HEIC, id="HEIC"),
    ],
)
def test_damage_never_escapes(content: bytes) -> None:
    """300 seeded corruptions of each kind: read, or refused; nothing else."""
    rng = np.random.default_rng(20_240_607)
    for _ in range(300):
        damaged = bytearray(content)
        if rng.random() < 0.3:
            del damaged[int(rng.integers(len(damaged))) :]
        reach = len(damaged) if rng.random() < 0.5 else min(len(damaged), 64)
        for _ in range(int(rng.integers(1, 9)) if reach else 0):
            damaged[int(rng.integers(reach))] = int(rng.integers(256))
        try:
            photo = read_photo(bytes(damaged), limit_megapixels=1.0, small_px=16)
            assert photo.full().shape == (photo.height, photo.width, 3)
        except UnreadablePhoto as refused:
            assert_plain(refused.reason)
