"""Small files that unpack to much: each is read or refused within 1 GB and 10 s.

    python tests/bench/bombs.py             all
    python tests/bench/bombs.py png tgz     those whose name holds one of these words

Each file goes through its door in a process of its own, which prints what was said, its seconds
of processor time and its peak of memory in all (the interpreter and its libraries take 60 to
250 MB of it). Exit status 1 where one took more, or ended in anything but an answer or words.
"""

from __future__ import annotations

import io
import json
import os
import resource
import struct
import subprocess
import sys
import time
import zipfile
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory

TESTS = Path(__file__).resolve().parents[1]
sys.path[:0] = [str(TESTS), str(Path(__file__).parent)]

MOST_MB, MOST_S = 1000, 10.0
CEILING = 6 * 2**30
"""Address space of a process that tries one: the machine is not brought down."""
SIDE = 10_900
"""Of a picture just within the usual 120 megapixels."""

DOORS = {
    "photo": (
        "from knee_angle.photo.reading import read_photo\n"
        "def enter(path):\n    photo = read_photo(path)\n    photo.small; photo.full()"
    ),
    "clip": (
        "from knee_angle.clip.film import opened_film\n"
        "def enter(path):\n"
        "    with opened_film(path) as film:\n        sum(1 for _ in film.frames())"
    ),
    "table": (
        "from knee_angle.files.tables import read_table\n"
        "def enter(path):\n    table = read_table(path)\n    table.others"
    ),
    "bundle": (
        "from pathlib import Path\nfrom knee_angle.landmarks.pose import bundles\n"
        "def enter(path):\n    print('known:', bundles._is_known(Path(path)))"
    ),
    "backup": (
        "from pathlib import Path\nfrom knee_angle.store import open_store\n"
        "def enter(path):\n"
        "    with open_store(path + '.db') as store:\n        store.restore(Path(path))"
    ),
}
"""How each is entered; `enter` gets the file's path."""

TRY = """
import sys, time
{door}
from knee_angle.errors import KneeAngleError
began = time.process_time()
try:
    enter(sys.argv[1])
    said = "read"
except KneeAngleError as error:
    said = str(error)
seconds = time.process_time() - began
status = open("/proc/self/status").read()
peak = int(next(line.split()[1] for line in status.splitlines() if "VmHWM" in line)) / 1024
print("\\n" + said.replace("\\n", " / "), seconds, peak, sep="\\t")
"""


@dataclass(frozen=True)
class Bomb:
    """A file: what is in it, what it is called, and the door it goes through."""

    name: str
    door: str
    made: Callable[[Path], None]
    suffix: str = ".bin"


# ------------------------------------------------------------------ pictures


def _chunk(kind: bytes, data: bytes) -> bytes:
    return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))


def _zeros(count: int, *, level: int = 1, wbits: int = 15) -> bytes:
    """So many zero bytes, packed."""
    packer = zlib.compressobj(level, wbits=wbits)
    block = bytes(2**20)
    parts = [packer.compress(block) for _ in range(count // 2**20)]
    return b"".join([*parts, packer.compress(bytes(count % 2**20)), packer.flush()])


def png(
    width: int, height: int, *, colour: int = 2, depth: int = 8, more: bytes = b"",
    woven: bool = False, full: bool = True,
) -> bytes:  # fmt: skip
    """A black PNG whose pixels are all there, or hardly any."""
    samples = {0: 1, 2: 3, 3: 1, 6: 4}[colour]
    row = 1 + (width * samples * depth + 7) // 8
    head = struct.pack(">IIBBBBB", width, height, depth, colour, 0, 0, int(woven))
    palette = _chunk(b"PLTE", bytes(768)) if colour == 3 else b""
    data = _zeros(row * height + (16 * height if woven else 0)) if full else _zeros(row)
    return (
        b"\x89PNG\r\n\x1a\n" + _chunk(b"IHDR", head) + palette + more
        + _chunk(b"IDAT", data) + _chunk(b"IEND", b"")
    )  # fmt: skip


def png_texts() -> bytes:
    """Packed comments that unpack to 60 MB each, and a colour profile of 500 MB."""
    text = _chunk(b"zTXt", b"Comment\0\0" + _zeros(60 * 2**20))
    profile = _chunk(b"iCCP", b"p\0\0" + _zeros(500 * 2**20))
    return png(64, 48, more=profile + 20 * text)


def jpeg(size: tuple[int, int], *, scans: int = 1, progressive: bool = False) -> bytes:
    """A small JPEG that says it has this size, its last scan so many times over."""
    from PIL import Image

    file = io.BytesIO()
    Image.effect_noise((64, 64), 80).convert("RGB").save(file, "JPEG", progressive=progressive)
    data = bytearray(file.getvalue())
    frame = data.index(b"\xff\xc2" if progressive else b"\xff\xc0")
    data[frame + 5 : frame + 9] = struct.pack(">HH", size[1], size[0])
    last = data.rindex(b"\xff\xda")
    return bytes(data[:last] + data[last:-2] * scans + data[-2:])


def by_pillow(kind: str, mode: str, size: tuple[int, int], **options: object) -> bytes:
    """A plain picture as Pillow writes it."""
    from PIL import Image

    file = io.BytesIO()
    Image.new(mode, size).save(file, kind, **options)
    return file.getvalue()


def tiff_of_loops() -> bytes:
    """A TIFF whose directory of EXIF is itself, with 60,000 entries that each say 4 GB."""
    entries = b"".join(struct.pack("<HHII", tag % 65000, 7, 2**32 - 1, 8) for tag in range(5000))
    loop = struct.pack("<HHII", 0x8769, 4, 1, 8)
    return b"II*\0" + struct.pack("<I", 8) + struct.pack("<H", 5001) + entries + loop + bytes(4)


def heic(told: tuple[int, int], inside: tuple[int, int] = (64, 48)) -> bytes:
    """A HEIC whose header tells another size than its picture has."""
    import numpy as np
    from small_heic import small_heic

    return small_heic(np.full((inside[1], inside[0], 3), 90, np.uint8), told=told)


def pictures() -> Iterator[Bomb]:
    """Files that a photo's door is given."""
    both = (SIDE, SIDE)
    made: dict[str, Callable[[], bytes]] = {
        "png of 4 gigapixels": lambda: png(65_000, 65_000, full=False),
        "png of 119 megapixels": lambda: png(*both),
        "png of 119 megapixels, 16 bits and alpha": lambda: png(*both, colour=6, depth=16),
        "png of 119 megapixels, woven": lambda: png(*both, colour=0, woven=True),
        "png of 119 megapixels, cut off": lambda: png(*both, full=False),
        "png with packed texts of 1.7 GB": png_texts,
        "jpeg of 4 gigapixels": lambda: jpeg((65_000, 65_000)),
        "jpeg of 119 megapixels": lambda: jpeg(both),
        "jpeg of 119 megapixels, progressive": lambda: jpeg(both, progressive=True),
        "jpeg of 119 megapixels in 1,000 scans": lambda: jpeg(both, scans=1000, progressive=True),
        "jpeg of 36 megapixels in 10,000 scans": (
            lambda: jpeg((6000, 6000), scans=10_000, progressive=True)
        ),
        "gif of 4 gigapixels": lambda: by_pillow("GIF", "L", (64, 64)).replace(
            struct.pack("<HH", 64, 64), struct.pack("<HH", 65_000, 65_000), 1
        ),
        "gif of 119 megapixels": lambda: by_pillow("GIF", "L", both),
        "webp of 119 megapixels": lambda: by_pillow(
            "WEBP", "RGB", (16_383, 7_200), lossless=True, method=0
        ),
        "tiff of 119 megapixels, packed": lambda: by_pillow(
            "TIFF", "RGB", both, compression="tiff_adobe_deflate"
        ),
        "tiff of 119 megapixels, one bit": lambda: by_pillow(
            "TIFF", "1", both, compression="group4"
        ),
        "tiff of directories without end": tiff_of_loops,
        "heic of 4 gigapixels": lambda: heic((65_000, 65_000)),
        "heic that says 119 megapixels": lambda: heic(both),
        "heic that says 3,072 pixels and holds 16 megapixels": lambda: heic((64, 48), (4096, 4096)),
    }
    for name, make in made.items():
        yield Bomb(name, "photo", lambda path, make=make: path.write_bytes(make()))  # type: ignore[misc]


# ------------------------------------------------------------------ films


def film(
    size: tuple[int, int] = (64, 48), *, codec: str = "libx264", kind: str = "mp4", frames: int = 3
) -> bytes:
    """A plain film of a few pictures."""
    import av
    import numpy as np

    file = io.BytesIO()
    with av.open(file, "w", format=kind) as out:
        stream = out.add_stream(codec, rate=5)
        stream.width, stream.height = size
        stream.pix_fmt = "yuv420p"
        if codec == "libx264":
            stream.options = {"preset": "ultrafast", "tune": "stillimage"}
        picture = np.zeros((size[1], size[0], 3), np.uint8)
        for _ in range(frames):
            out.mux(stream.encode(av.VideoFrame.from_ndarray(picture)))
        out.mux(stream.encode())
    return file.getvalue()


def patched(data: bytes, kind: bytes, at: int, value: bytes) -> bytes:
    """The film with these bytes so far behind the name of a box."""
    out = bytearray(data)
    begin = out.index(kind) + 4 + at
    out[begin : begin + len(value)] = value
    return bytes(out)


def films() -> Iterator[Bomb]:
    """Films whose headers promise much."""
    most = b"\x0f\xff\xff\xff"
    vast = struct.pack(">HH", 65_000, 65_000)
    made: dict[str, Callable[[], bytes]] = {
        "mp4 whose pictures are said to have 4 gigapixels": lambda: patched(
            film(codec="mpeg4"), b"mp4v", 24, vast
        ),
        "mp4 of 67 megapixels that says 3,072 pixels": lambda: patched(
            film((8192, 8192)), b"avc1", 24, struct.pack(">HH", 64, 48)
        ),
        "mp4 of 268 million pictures of one size": lambda: patched(
            patched(film(), b"stsz", 4, b"\0\0\0\x01" + most), b"stts", 8, most
        ),
        "mp4 of 268 million times": lambda: patched(film(), b"stts", 4, most),
        "mp4 of 268 million pieces": lambda: patched(film(), b"stsc", 4, most),
        "mp4 that says it lasts 200 years": lambda: patched(
            film(), b"mvhd", 16, b"\x7f\xff\xff\xff"
        ),
        "webm of 4 gigapixels": lambda: film(codec="libvpx", kind="webm").replace(
            b"\xb0\x81\x40\xba\x81\x30", b"\xb0\x82\xfd\xba\x82\xfd", 1
        ),
        "webm of 1 TB in one piece": lambda: film(codec="libvpx", kind="webm").replace(
            b"\x1f\x43\xb6\x75", b"\x1f\x43\xb6\x75\x01\x00\x01\x00", 1
        ),
    }
    for name, make in made.items():
        yield Bomb(name, "clip", lambda path, make=make: path.write_bytes(make()), ".mp4")  # type: ignore[misc]


# ------------------------------------------------------------------ tables, archives, backups


def parquet_of(path: Path, columns: int, rows: int, value: object, *, groups: int = 1) -> None:
    """A Parquet of one value over and over."""
    import numpy as np
    import pyarrow as pa
    from pyarrow import parquet

    once = pa.DictionaryArray.from_arrays(np.zeros(rows, np.int32), pa.array([value]))
    table = pa.table({"photo": once, **{f"c{n}": once for n in range(columns - 1)}})
    plain = pa.schema([(name, once.type.value_type) for name in table.column_names])
    with parquet.ParquetWriter(path, table.schema, store_schema=False) as out:
        for _ in range(groups):
            out.write_table(table, row_group_size=rows)
    assert parquet.read_schema(path).types == plain.types  # it is told as text or numbers


def parquet_page(path: Path) -> None:
    """A Parquet whose page says that it unpacks to 2 GB."""
    import pyarrow as pa
    from pyarrow import parquet

    size = 70_000
    table = pa.table({"photo": ["x" * size]})
    parquet.write_table(table, path, compression="gzip", use_dictionary=False)
    data = path.read_bytes()
    # A page's header is Thrift: zigzag numbers of seven bits a byte.
    told = next(t for t in (_zigzag(size + more) for more in range(4, 20)) if t in data)
    path.write_bytes(data.replace(told, _zigzag(2**31 - 1)[: len(told)], 1))


def _zigzag(value: int) -> bytes:
    value, out = value << 1, bytearray()
    while value > 0x7F:
        out.append(value & 0x7F | 0x80)
        value >>= 7
    return bytes([*out, value])


def sparse(path: Path, size: int) -> None:
    """A file of so many zero bytes that takes no room on the disk."""
    with path.open("wb") as file:
        file.truncate(size)


def zip_of_one(path: Path, size: int) -> None:
    """A bundle whose member unpacks to so many bytes."""
    with (
        zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as made,
        made.open("pose_detector.tflite", "w", force_zip64=True) as member,
    ):
        block = bytes(2**20)
        for _ in range(size // 2**20):
            member.write(block)


def backup_of_one_line(path: Path) -> None:
    """A backup of one line of 300 MB that nests without end."""
    from knee_angle.store.backup import FORMAT

    with path.open("wb") as file:
        file.write(json.dumps({"format": FORMAT, "tables": "0007", "rows": {}}).encode() + b"\n")
        for _ in range(300):
            file.write(b"[" * 2**20)
        file.write(b"\n")


def others() -> Iterator[Bomb]:
    """Tables, bundles, backups."""
    gigabytes = 1500 * 2**20
    yield Bomb(
        "parquet of 100 million rows", "table",
        lambda path: parquet_of(path, 2, 10_000_000, 7, groups=10), ".parquet",
    )  # fmt: skip
    yield Bomb(
        "parquet of a megabyte of text, 100,000 times", "table",
        lambda path: parquet_of(path, 1, 100_000, "x" * 2**20), ".parquet",
    )  # fmt: skip
    yield Bomb(
        "parquet of 2,000 columns", "table",
        lambda path: parquet_of(path, 2000, 100_000, 7.0), ".parquet",
    )  # fmt: skip
    yield Bomb("parquet of a page of 2 GB", "table", parquet_page, ".parquet")
    yield Bomb("csv of 4 GB", "table", lambda path: sparse(path, 4 * 2**30), ".csv")
    yield Bomb("zip of 1.5 GB", "bundle", lambda path: zip_of_one(path, gigabytes), ".task")
    yield Bomb("backup that nests 300 million deep", "backup", backup_of_one_line, ".jsonl")


# ------------------------------------------------------------------ running


def limited() -> None:
    """In the child: no more address space than this, and no core file."""
    resource.setrlimit(resource.RLIMIT_AS, (CEILING, CEILING))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))


def tried(bomb: Bomb, folder: Path) -> bool:
    """Send one through its door and print what came; whether it was bounded."""
    path = folder / f"bomb{bomb.suffix}"
    bomb.made(path)
    size = path.stat().st_blocks * 512 / 1e6
    began = time.perf_counter()
    try:
        done = subprocess.run(
            [sys.executable, "-W", "ignore", "-c", TRY.format(door=DOORS[bomb.door]), path],
            capture_output=True, text=True, check=False, timeout=60, preexec_fn=limited,
            env=os.environ | {"OMP_NUM_THREADS": "1"},
        )  # fmt: skip
        last = (done.stdout.splitlines() or [""])[-1].split("\t")
    except subprocess.TimeoutExpired:
        done, last = None, []
    path.unlink()
    if len(last) != 3:
        error = (
            "" if done is None else (done.stderr.splitlines() or [f"died: {done.returncode}"])[-1]
        )
        took = time.perf_counter() - began
        print(f"FAULT  {bomb.name} ({size:.1f} MB): {error or 'no end'} after {took:.1f} s")
        return False
    said, seconds, peak = last[0], float(last[1]), float(last[2])
    good = seconds <= MOST_S and peak <= MOST_MB
    mark = "      " if good else "FAULT "
    print(
        f"{mark} {bomb.name} ({size:.1f} MB): {seconds:.2f} s, {peak:.0f} MB, {said[:90]}",
        flush=True,
    )
    return good


def main() -> None:
    """Try all, or those that are named."""
    words = sys.argv[1:]
    bombs = [*pictures(), *films(), *others()]
    chosen = [one for one in bombs if not words or any(word in one.name for word in words)]
    with TemporaryDirectory() as folder:
        good = [tried(one, Path(folder)) for one in chosen]
    print(f"{sum(good)} of {len(good)} within {MOST_MB} MB and {MOST_S:g} s")
    sys.exit(not all(good))


if __name__ == "__main__":
    main()
