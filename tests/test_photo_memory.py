"""A large photo takes bounded memory: no copy in another form is ever there as a whole."""

from __future__ import annotations

import gzip
import io
import platform
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from knee_angle.errors import UnreadablePhoto
from knee_angle.landmarks import standard
from knee_angle.photo import colours, memory
from knee_angle.photo import reading as photo
from knee_angle.photo.kinds import kind_of
from knee_angle.photo.reading import read_photo

HERE = Path(__file__).parent
LARGE = (8000, 3000)
READER = """
import os, sys
import pi_heif  # its library is no copy
from knee_angle.photo.reading import read_photo

def peak_kib():
    return next(int(line.split()[1]) for line in open("/proc/self/status") if "VmHWM" in line)

for line in sys.stdin:
    if os.fork() == 0:
        before = peak_kib()
        read_photo(line.strip()).full()
        print(peak_kib() - before, flush=True)
        os._exit(0)
    if os.wait()[1]:
        sys.exit("a photo could not be read")
"""
"""The peak is asked of the kernel for a process that reads one photo and nothing before it;
getrusage inherits its parent's. What it needs was imported by the one that it forked from."""


@pytest.fixture(scope="module")
def peak_bytes() -> Iterator[Callable[[Path], int]]:
    """What reading a photo takes at most, beyond what the program takes before."""
    command = [sys.executable, "-c", READER]
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, bufsize=1
    ) as reader:

        def peak(path: Path) -> int:
            reader.stdin.write(f"{path}\n")
            return int(reader.stdout.readline()) * 1024

        yield peak


def plain() -> Image.Image:
    return Image.new("RGB", LARGE, "teal")


def see_through() -> Image.Image:
    return Image.new("RGBA", LARGE, (9, 99, 9, 99))


def grey(kind: type = np.uint16) -> Image.Image:
    row = np.linspace(0, 65535, LARGE[0] * 50, dtype=np.uint16)
    return Image.fromarray(row.reshape(50, -1).repeat(60, axis=0).astype(kind))


def real() -> Image.Image:
    return grey(np.float32)


@pytest.mark.parametrize(
    ("name", "draw"),
    [
        pytest.param("a.png", plain, id="a PNG"),
        pytest.param("a.png", see_through, id="a PNG with alpha"),
        pytest.param("a.tif", plain, id="a TIFF"),
        pytest.param("a.tif", grey, id="a 16-bit TIFF"),
        pytest.param("a.tif", real, id="a float TIFF"),
    ],
)
def test_the_peak_is_the_file_the_decoded_and_the_rgb_pixels(
    tmp_path: Path, peak_bytes: Callable[[Path], int], name: str, draw: Callable[[], Image.Image]
) -> None:
    """And little more, whatever the photo's size: the parts that are converted at a time."""
    path, picture = tmp_path / name, draw()
    picture.save(path, **({"compress_level": 1} if name == "a.png" else {}))
    decoded = 2 if picture.mode == "I;16" else 4
    most = path.stat().st_size + LARGE[0] * LARGE[1] * (decoded + 3)
    assert peak_bytes(path) < most + 80e6


@pytest.mark.parametrize(
    ("name", "save", "bytes_per_pixel"),
    [
        pytest.param("a.webp", {"quality": 50}, 6.3, id="a WebP"),
        pytest.param("a.webp", {"lossless": True}, 8.3, id="a WebP without loss"),
        pytest.param("a.webp", {"alpha": 99}, 8.3, id="a WebP with alpha"),
        pytest.param("large_420.heic", None, 7.4, id="a HEIC as phones write it"),
        pytest.param("large_444.heic", None, 9.2, id="a HEIC with all its colours"),
        pytest.param("large_alpha.heic", None, 8.4, id="a HEIC with alpha"),
    ],
)
def test_decoders_that_make_copies_of_their_own_take_what_is_reckoned_with(
    tmp_path: Path,
    peak_bytes: Callable[[Path], int],
    name: str,
    save: dict | None,
    bytes_per_pixel: float,
) -> None:
    """At 120 megapixels the WebP took 1.9 GB once; now all stay below, or are refused."""
    path = tmp_path / name
    if save is None:
        path.write_bytes(gzip.decompress((HERE / f"{name}.gz").read_bytes()))
    else:
        picture = Image.new("RGB", LARGE, "teal")
        if "alpha" in save:
            picture.putalpha(save["alpha"])
        picture.save(path, method=0, **save)
    pixels = LARGE[0] * LARGE[1]
    reckoned = path.stat().st_size + bytes_per_pixel * pixels
    assert 0.7 * reckoned < peak_bytes(path) < reckoned + 15e6
    data = path.read_bytes()
    kind = kind_of(data)
    needed = memory.decoded_bytes_per_pixel(photo._opened(data, kind), kind, data)
    assert needed + 3 == pytest.approx(bytes_per_pixel)


@pytest.mark.parametrize(
    ("mode", "name"),
    [
        pytest.param("RGB", "a.png", id="a PNG"),
        pytest.param("RGBA", "a.png", id="a PNG with alpha"),
        pytest.param("P", "a.png", id="a PNG with a palette"),
        pytest.param("I;16", "a.tif", id="a deep TIFF"),
        pytest.param("F", "a.tif", id="a TIFF of real numbers"),
        pytest.param("RGB", "a.webp", id="a WebP"),
        pytest.param("RGBA", "a.webp", id="a WebP with alpha"),
    ],
)
def test_parts_give_the_same_pixels_as_the_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, mode: str, name: str
) -> None:
    rng = np.random.default_rng(1)
    shape = {"RGB": (301, 407, 3), "RGBA": (301, 407, 4), "P": (301, 407, 3)}.get(mode, (301, 407))
    values = rng.integers(0, 256, shape)
    if mode == "P":
        picture = Image.fromarray(values.astype(np.uint8)).quantize(64)
    elif mode == "I;16":
        picture = Image.fromarray((values * 257).astype(np.uint16))
    else:
        picture = Image.fromarray(values.astype(np.float32 if mode == "F" else np.uint8))
    path = tmp_path / name
    picture.save(path, **({"lossless": True, "exact": True} if name == "a.webp" else {}))
    whole = read_photo(path, small_px=97)
    monkeypatch.setattr(colours, "PIXELS_AT_ONCE", 4000)
    parts = read_photo(path, small_px=97)
    np.testing.assert_array_equal(parts.full(), whole.full())
    np.testing.assert_array_equal(parts.small, whole.small)
    if mode == "RGB":
        np.testing.assert_array_equal(whole.full(), values)
        reference = picture.resize((97, 72), Image.Resampling.BILINEAR, reducing_gap=2.0)
        np.testing.assert_array_equal(whole.small, np.asarray(reference))


def test_what_takes_too_much_at_once_is_refused_before_it_is_decoded(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "a.tif"
    Image.new("RGB", (1200, 1000)).save(path)
    monkeypatch.setattr(memory, "MOST_BYTES", 11e6)  # file 3.6 MB, decoded 4.8 MB, RGB 3.6 MB
    monkeypatch.setattr(Image.Image, "load", lambda _: pytest.fail("decoded"))
    with pytest.raises(UnreadablePhoto) as refused:
        read_photo(path)
    assert refused.value.reason == (
        "the photo must need at most 11 MB of memory to be decoded, but its TIFF data "
        "(1200 x 1000) need about 12: save or export it as JPEG, make a smaller copy, or raise "
        "the megapixel limit."
    )


def test_who_allows_more_pixels_allows_more_memory(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "a.tif"
    Image.new("RGB", (1200, 1000)).save(path)
    monkeypatch.setattr(memory, "MOST_BYTES", 11e6)
    assert read_photo(path, limit_megapixels=150.0).width == 1200


def test_a_photo_decoded_in_one_go_is_reckoned_with_too(monkeypatch):
    data = io.BytesIO()
    Image.new("RGB", (3300, 2500)).save(data, "JPEG")
    monkeypatch.setattr(memory, "MOST_BYTES", 1e7)
    with pytest.raises(UnreadablePhoto, match="at most 10 MB of memory"):
        read_photo(data.getvalue(), limit_megapixels=20.0)


ONE_AFTER_ANOTHER = """
import resource, sys
from knee_angle.landmarks.standard import opened_detectors
from knee_angle.photo.reading import read_photo

with opened_detectors():
    for photo in range(8):
        if photo == 4:
            before = resource.getrusage(resource.RUSAGE_SELF).ru_minflt
        read_photo(sys.argv[1]).window(1900, 1400, 2100, 1600)
    print((resource.getrusage(resource.RUSAGE_SELF).ru_minflt - before) // 4)
"""


@pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="other C libraries are left alone")
def test_the_next_photo_uses_the_memory_of_the_one_before(tmp_path):
    path = tmp_path / "a.jpg"
    Image.new("RGB", (4000, 3000), "teal").save(path, subsampling="4:2:0")
    told = subprocess.run(
        [sys.executable, "-c", ONE_AFTER_ANOTHER, path], capture_output=True, text=True, check=True
    )
    assert int(told.stdout) < 500  # all of its 27 MB would be 6,600


def test_a_page_gives_the_memory_of_its_threads_back(monkeypatch: pytest.MonkeyPatch) -> None:
    kept = []
    monkeypatch.setattr(standard, "keep_freed_memory", lambda: kept.append(1))
    with standard.opened_detectors():
        assert kept == [1]
    standard.shared_detectors.__wrapped__()
    assert kept == [1]
