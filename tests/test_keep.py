"""Photos to keep: cropped to leg and machine, without any metadata."""

from __future__ import annotations

from io import BytesIO

import pytest
from conftest import scenes
from PIL import Image

from knee_angle.photo.crop import crop_jpeg
from knee_angle.photo.reading import read_photo
from knee_angle.pipeline import measure
from knee_angle.store.jpeg import refuse_metadata

SCENE = scenes(image="bed_01.jpg")[0]


def with_exif() -> bytes:
    """The sample photo as a phone writes it: with a place, a time and a comment."""
    with Image.open(SCENE.photo) as picture:
        exif = picture.getexif()
        exif[0x010E] = "Ada Lovelace"
        exif.get_ifd(0x8825)[1] = "N"
        out = BytesIO()
        picture.save(out, "JPEG", exif=exif, comment=b"Ada", quality=90)
    return out.getvalue()


def kept():
    photo = read_photo(with_exif(), name="a.jpg")
    result = measure(SCENE.photo, detectors=(), manual=SCENE.manual())
    return photo, result, crop_jpeg(photo, result)


def test_nothing_but_the_picture_is_kept():
    photo, _, crop = kept()
    refuse_metadata(crop.jpeg)
    with Image.open(BytesIO(crop.jpeg)) as picture:
        assert not picture.getexif()
        assert set(picture.info) == {"jfif", "jfif_version", "jfif_unit", "jfif_density"}
        assert max(picture.size) <= 1600
        assert picture.width * picture.height < photo.width * photo.height
    assert b"Ada" not in crop.jpeg


def test_every_point_lies_inside_at_its_place():
    photo, result, crop = kept()
    with Image.open(BytesIO(crop.jpeg)) as picture:
        for point in result.landmarks.points.values():
            x = (point.x_px - crop.left_px) / crop.px_per_px
            y = (point.y_px - crop.top_px) / crop.px_per_px
            assert 0 < x < picture.width
            assert 0 < y < picture.height
            # The same colour at the same place, but for the two encodings.
            here = picture.getpixel((int(x), int(y)))
            there = photo.full()[int(point.y_px), int(point.x_px)]
            assert here == pytest.approx(tuple(int(v) for v in there), abs=40)
