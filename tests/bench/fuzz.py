"""Every door with input that was spoilt at random: words or a result, in bounded time.

    python tests/bench/fuzz.py                        500 inputs at each door
    python tests/bench/fuzz.py photo table --count 20000 --seed 3 --out FOLDER

An input is a good one with one to eight changes (bits, bytes, blocks, numbers, lines; in JSON also
a value in its place). A door may answer or raise one of our own errors. Anything else is a fault:
another exception, more than `LONGEST_S` seconds, or memory beyond `MOST_MEMORY`. Each fault is
told with its last line of our code, and its input is written to --out, to become a test.
"""

from __future__ import annotations

import argparse
import copy
import hashlib
import io
import json
import random
import resource
import signal
import sys
import time
import traceback
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

TESTS = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(TESTS))

from knee_angle.errors import KneeAngleError  # noqa: E402

LONGEST_S = 10
MOST_MEMORY = 4 * 2**30
"""Address space of this process, bytes."""

ODD: list[Any] = [
    None, True, False, 0, -1, 2**31, 2**63, -(2**70), 1e308, -0.0, float("nan"), float("inf"),
    "", "\0", "\ud800", "x" * 300, "2026-03-02", "0001-01-01T00:00:00+14:00", "+93", "1,234",
    [], {}, [[]], [None] * 3, {"x": 1}, "=1+1", "deg", "left", "-5",
]  # fmt: skip
INTERESTING = (0, 1, 0x7F, 0x80, 0xFF)


# ------------------------------------------------------------------ spoiling


def spoilt(data: bytes, rng: random.Random) -> bytes:
    """A good input with one to eight changes."""
    out = bytearray(data)
    for _ in range(rng.choice((1, 1, 2, 3, 5, 8))):
        if not out:
            break
        at, size = rng.randrange(len(out)), rng.choice((1, 2, 4, 16, 64, 512))
        match rng.randrange(9):
            case 0:
                out[at] ^= 1 << rng.randrange(8)
            case 1:
                out[at] = rng.choice(INTERESTING)
            case 2:
                out[at : at + size] = rng.randbytes(size)
            case 3:
                del out[at : at + size]
            case 4:
                out[at:at] = out[rng.randrange(len(out)) :][:size]
            case 5:
                del out[at:]
            case 6:
                number = rng.choice((0, 1, 2**16 - 1, 2**31, 2**32 - 1))
                out[at : at + 4] = number.to_bytes(4, rng.choice(("big", "little")))
            case 7:
                lines = bytes(out).splitlines(keepends=True)
                rng.shuffle(lines)
                out = bytearray(b"".join(lines[: rng.randint(1, len(lines))]))
            case 8 if rng.random() < 0.1:
                out[at:at] = rng.choice((b"[", b'{"a":', b"9")) * 100_000
    return bytes(out)


def places(value: Any, path: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Where something stands in a JSON value."""
    yield path
    inside: Any = ()
    if isinstance(value, dict):
        inside = value.items()
    elif isinstance(value, list):
        inside = enumerate(value)
    for key, one in inside:
        yield from places(one, (*path, key))


def either(data: bytes, rng: random.Random) -> bytes:
    """JSON whose values are spoilt, or its text."""
    return (spoilt_json if rng.random() < 0.7 else spoilt)(data, rng)


def line_spoilt(data: bytes, rng: random.Random) -> bytes:
    """Lines of JSON: one's values are spoilt, or the text of all."""
    if rng.random() < 0.3:
        return spoilt(data, rng)
    lines = data.split(b"\n")
    at = rng.randrange(len(lines))
    lines[at] = spoilt_json(lines[at], rng)
    return b"\n".join(lines)


def spoilt_json(data: bytes, rng: random.Random) -> bytes:
    """JSON in which one to three values are others, gone, or stand elsewhere as well."""
    value = json.loads(data)
    for _ in range(rng.randint(1, 3)):
        path = rng.choice(list(places(value)))
        if not path:
            continue
        parent = value
        for key in path[:-1]:
            parent = parent[key]
        match rng.randrange(4):
            case 0:
                del parent[path[-1]]
            case 1:
                other = rng.choice(list(places(value)))
                found = value
                for key in other:
                    found = found[key]
                parent[path[-1]] = copy.deepcopy(found)
            case _:
                parent[path[-1]] = copy.deepcopy(rng.choice(ODD))
    return json.dumps(value).encode()


@dataclass(frozen=True)
class Door:
    """A way in: good inputs, what is done with one, and how an input is spoilt."""

    seeds: Callable[[], list[bytes]]
    enter: Callable[[bytes, Path], object]
    spoil: Callable[[bytes, random.Random], bytes] = spoilt


# ------------------------------------------------------------------ the doors


def picture_seeds() -> list[bytes]:
    """A sample photo at 320 x 240 in every kind of file, with and without its EXIF."""
    import pi_heif
    from PIL import Image

    pi_heif.register_heif_opener()
    with Image.open(TESTS.parent / "sample_images" / "bed_01.jpg") as photo:
        exif, small = photo.info.get("exif", b""), photo.convert("RGB").resize((320, 240))
    made = []
    for kind, more in (
        ("JPEG", {"exif": exif}), ("JPEG", {"progressive": True}), ("PNG", {}), ("WEBP", {}),
        ("TIFF", {}), ("TIFF", {"compression": "tiff_lzw"}), ("GIF", {}),
    ):  # fmt: skip
        file = io.BytesIO()
        small.save(file, kind, **more)
        made.append(file.getvalue())
    deep = io.BytesIO()
    small.convert("I;16").save(deep, "PNG")
    return [*made, deep.getvalue()]


def enter_photo(data: bytes, _folder: Path) -> object:
    from knee_angle.photo.reading import read_photo

    photo = read_photo(data, name="photo.jpg", limit_megapixels=12.0)
    return photo.small, photo.full()


def enter_exif(data: bytes, folder: Path) -> object:
    """A good picture with a spoilt EXIF block."""
    from PIL import Image

    file = io.BytesIO()
    Image.new("RGB", (64, 48)).save(file, "JPEG", exif=b"Exif\0\0" + data[-60000:])
    return enter_photo(file.getvalue(), folder)


def exif_seeds() -> list[bytes]:
    from PIL import Image

    with Image.open(TESTS.parent / "sample_images" / "bed_01.jpg") as photo:
        return [photo.info["exif"][6:]]


POINTS = {
    "photo_sha256": "0" * 64,
    "side": "left",
    "landmarks": {
        name: {"x": x, "y": y, "u_px": 2.0, "source": "manual"}
        for name, x, y in (("hip", 1280.8, 871.6), ("knee", 874.2, 448.3), ("ankle", 586.8, 740.7))
    },
    "machine": {"points": {"hinge": {"x": 870.0, "y": 500.0}}},
}


def enter_points(data: bytes, folder: Path) -> object:
    from knee_angle.landmarks.manual import manual_landmarks, read_manual

    path = folder / "points.json"
    path.write_bytes(data)
    content = read_manual(path)
    return manual_landmarks(content, width_px=1600, height_px=1200, photo_sha256="0" * 64)


def enter_table(data: bytes, folder: Path) -> object:
    from knee_angle.files.tables import read_table

    path = folder / "table.csv"
    path.write_bytes(data)
    return read_table(path, needs=("photo",))


def enter_parquet(data: bytes, folder: Path) -> object:
    from knee_angle.files.tables import read_table

    path = folder / "table.parquet"
    path.write_bytes(data)
    return read_table(path, needs=("photo",))


def parquet_seeds() -> list[bytes]:
    import pyarrow as pa
    import pyarrow.parquet as pq

    table = pa.table({"photo": ["a.jpg", "b.jpg"], "displayed_deg": [93.0, 94.5], "person": [1, 2]})
    file = io.BytesIO()
    pq.write_table(table, file)
    return [file.getvalue()]


TABLES = [
    b"photo,displayed_deg,person\na.jpg,93,P-1\nb.jpg,94.5,P-2\n",
    b'photo;displayed_deg;person\n"a;1.jpg";93,5;P-1\nb.jpg;94,5;P-2\n',
    "photo\tdisplayed_deg\nü.jpg\t-5\n".encode("utf-8-sig"),
]


def enter_settings(data: bytes, _folder: Path) -> object:
    from knee_angle.settings import changed

    given = json.loads(data)
    return changed(None, given) if isinstance(given, dict) else None


def settings_seeds() -> list[bytes]:
    from dataclasses import asdict

    from knee_angle.settings import Settings

    return [json.dumps(asdict(Settings())).encode()]


def backup_seeds() -> list[bytes]:
    """The lines of a backup, without the hash that closes it."""
    from test_store_commands import BACKUP

    return [b"\n".join(BACKUP.splitlines()[:-1])]


def enter_backup(data: bytes, folder: Path) -> object:
    """A spoilt backup with the hash that belongs to it, as a hand could have written it."""
    from knee_angle.store import open_store
    from knee_angle.store.table import csv_of

    for old in folder.glob("restored.db*"):
        old.unlink()
    body, path = data + b"\n", folder / "backup.jsonl"
    path.write_bytes(body + json.dumps({"sha256": hashlib.sha256(body).hexdigest()}).encode())
    with open_store(folder / "restored.db") as store:
        store.restore(path)
        return "".join(csv_of(list(store.stored_measurements(all_rows=True))))


def fhir_seeds() -> list[bytes]:
    """A course as a bundle; needs the extra [fhir]."""
    from stores import NOON
    from test_exchange_fhir import filled

    from knee_angle.store import open_store
    from knee_angle.store.exchange.codes import Codes
    from knee_angle.store.exchange.fhir import bundle_of_course

    with TemporaryDirectory() as folder, open_store(Path(folder) / "store.db") as store:
        rows = list(filled(store).stored_measurements(person="P-017"))
        made = bundle_of_course(
            "P-017", rows, list(store.visits(person="P-017")), release="R4B", codes=Codes(), at=NOON
        )
    return [json.dumps(made).encode()]


def enter_fhir(data: bytes, folder: Path) -> object:
    from knee_angle.store.exchange.fhir import read_bundle

    path = folder / "bundle.json"
    path.write_bytes(data)
    return read_bundle(path)


def store_seeds() -> list[bytes]:
    """A store's file with a person, a machine and kept photos."""
    from stores import NOON, invented_ward

    from knee_angle.store import open_store

    with TemporaryDirectory() as folder:
        path = Path(folder) / "store.db"
        with open_store(path, create=True) as store:
            invented_ward(store, today=NOON)
        return [path.read_bytes()]


def enter_store(data: bytes, folder: Path) -> object:
    from knee_angle.store import open_store

    for old in folder.glob("store.db*"):
        old.unlink()
    path = folder / "store.db"
    path.write_bytes(data)
    with open_store(path) as store:
        return [store.measurement(row.id) for row in store.measurements()], store.checks()


def draft_seeds() -> list[bytes]:
    state = {"person": "P-1", "photos": [{"sha256": "0" * 64, "displayed": "93", "points": {}}]}
    return [json.dumps({"version": 3, "state": state}).encode()]


def enter_draft(data: bytes, folder: Path) -> object:
    from knee_angle.page.drafts.folder import DraftsFolder, new_token

    token = new_token()
    place = folder / "drafts" / token
    place.mkdir(parents=True)
    (place / "draft.json").write_bytes(data)
    drafts = DraftsFolder(folder / "drafts")
    found = drafts.find(token)
    drafts.end_old()
    drafts.end(token)
    return found


def enter_codes(data: bytes, folder: Path) -> object:
    from knee_angle.store.exchange.codes import read_codes

    path = folder / "codes.toml"
    path.write_bytes(data)
    return read_codes(path)


def codes_seeds() -> list[bytes]:
    coding = 'system = "urn:oid:2.25.17"\ncode = "K-17"\ndisplay = "Knee"\nscheme = "99WARD"\n'
    return [f"[passive-knee-flexion]\n{coding}[passive-knee-extension]\n{coding}".encode()]


DOORS: dict[str, Door] = {
    "photo": Door(picture_seeds, enter_photo),
    "exif": Door(exif_seeds, enter_exif),
    "points": Door(lambda: [json.dumps(POINTS).encode()], enter_points, either),
    "table": Door(lambda: TABLES, enter_table),
    "parquet": Door(parquet_seeds, enter_parquet),
    "settings": Door(settings_seeds, enter_settings, spoilt_json),
    "backup": Door(backup_seeds, enter_backup, line_spoilt),
    "fhir": Door(fhir_seeds, enter_fhir, either),
    "store": Door(store_seeds, enter_store),
    "draft": Door(draft_seeds, enter_draft, either),
    "codes": Door(codes_seeds, enter_codes),
}


# ------------------------------------------------------------------ running


class TooLong(BaseException):
    """The alarm clock; nobody's `except Exception` swallows it."""


def too_long(*_: object) -> None:
    raise TooLong


def one(door: Door, data: bytes, folder: Path) -> str | None:
    """What is wrong with the door's answer to this input, or None."""
    signal.alarm(LONGEST_S)
    try:
        door.enter(data, folder)
    except KneeAngleError:
        return None
    except TooLong:
        return f"more than {LONGEST_S} s"
    except (Exception, SystemExit) as error:  # noqa: BLE001  whatever a door lets out
        ours = [f for f in traceback.extract_tb(error.__traceback__) if "knee_angle" in f.filename]
        at = f"{Path(ours[-1].filename).name}:{ours[-1].lineno}" if ours else "outside"
        return f"{type(error).__name__} at {at}: {str(error)[:100]}"
    finally:
        signal.alarm(0)
    return None


def told(name: str, count: int, seed: int, out: Path | None) -> bool:
    """Try a door so many times and print what came; whether nothing was wrong."""
    door, wrong, slowest = DOORS[name], Counter[str](), 0.0
    rng = random.Random(seed)  # noqa: S311  input to try, no secret
    seeds = door.seeds()
    with TemporaryDirectory() as folder:
        for _ in range(count):
            good = rng.choice(seeds)
            data = door.spoil(good, rng)
            started = time.perf_counter()
            found = one(door, data, Path(folder))
            slowest = max(slowest, time.perf_counter() - started)
            if found is None:
                continue
            kind = found.split(": ")[0]
            if not wrong[kind] and out is not None:
                out.mkdir(parents=True, exist_ok=True)
                (out / f"{name}-{len(wrong)}-{seed}.bin").write_bytes(data)
                print(f"  {name}: {found}", flush=True)
            wrong[kind] += 1
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(
        f"{name:9s} {count:7d} inputs, {wrong.total()} faults in {len(wrong)} kinds, slowest "
        f"{slowest:.2f} s, peak {peak:.0f} MB",
        flush=True,
    )
    return not wrong


def main() -> None:
    about = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    about.add_argument("doors", nargs="*", help=f"of {', '.join(DOORS)}; all without")
    about.add_argument("--count", type=int, default=500)
    about.add_argument("--seed", type=int, default=1)
    about.add_argument("--out", type=Path)
    given = about.parse_args()
    resource.setrlimit(resource.RLIMIT_AS, (MOST_MEMORY, MOST_MEMORY))
    signal.signal(signal.SIGALRM, too_long)
    names = given.doors or list(DOORS)
    good = [told(name, given.count, given.seed, given.out) for name in names]
    sys.exit(0 if all(good) else 1)


if __name__ == "__main__":
    main()
