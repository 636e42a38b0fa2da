"""A HEIC of any small picture, made of boxes: one HEVC still picture, as a phone's but for tiles.

Boxes after ISO/IEC 14496-12 and 23008-12 (HEIF). The picture is encoded by PyAV's libx265.
"""

from __future__ import annotations

import io
import struct
from fractions import Fraction

import av
import numpy as np

__all__ = ["small_heic"]


def small_heic(rgb: np.ndarray, *, told: tuple[int, int] | None = None) -> bytes:
    """The picture (h, w, 3) as a HEIC; ``told`` is another width and height for its header."""
    config, picture = _hevc(rgb)
    width, height = told or (rgb.shape[1], rgb.shape[0])
    start = b"\0\0\0\0mdat"
    ftyp = _box(b"ftyp", b"heic\0\0\0\0mif1heic")
    meta = _meta(config, len(picture), at=0, size=(width, height))
    meta = _meta(config, len(picture), at=len(ftyp) + len(meta) + len(start), size=(width, height))
    return ftyp + meta + struct.pack(">I", len(start) + len(picture)) + b"mdat" + picture


def _hevc(rgb: np.ndarray) -> tuple[bytes, bytes]:
    """The decoder's configuration (hvcC), and the picture's units with their lengths."""
    film = io.BytesIO()
    with av.open(film, "w", format="mp4") as out:
        stream = out.add_stream("libx265", rate=1)
        stream.height, stream.width = rgb.shape[:2]
        stream.pix_fmt = "yuv420p"
        stream.codec_context.time_base = Fraction(1, 1)
        stream.options = {"x265-params": "log-level=none:keyint=1"}
        for packet in (*stream.encode(av.VideoFrame.from_ndarray(rgb)), *stream.encode()):
            out.mux(packet)
    film.seek(0)
    with av.open(film) as made:
        config = bytes(made.streams.video[0].codec_context.extradata)
        return config, b"".join(bytes(packet) for packet in made.demux(video=0))


def _box(kind: bytes, *parts: bytes) -> bytes:
    content = b"".join(parts)
    return struct.pack(">I", 8 + len(content)) + kind + content


def _full(kind: bytes, *parts: bytes, version: int = 0) -> bytes:
    return _box(kind, bytes((version, 0, 0, 0)), *parts)


def _meta(config: bytes, length: int, *, at: int, size: tuple[int, int]) -> bytes:
    item = _full(b"infe", struct.pack(">HH", 1, 0), b"hvc1\0", version=2)
    place = struct.pack(">BBHHHHII", 0x44, 0, 1, 1, 0, 1, at, length)
    shape = _full(b"ispe", struct.pack(">II", *size))
    properties = _box(b"ipco", _box(b"hvcC", config), shape)
    belong = _full(b"ipma", struct.pack(">IHBBB", 1, 1, 2, 0x81, 2))
    return _full(
        b"meta",
        _full(b"hdlr", bytes(4), b"pict", bytes(13)),
        _full(b"pitm", struct.pack(">H", 1)),
        _full(b"iloc", place),
        _full(b"iinf", struct.pack(">H", 1), item),
        _box(b"iprp", properties, belong),
    )
