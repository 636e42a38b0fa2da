"""Good inputs spoilt at random: bits, bytes, blocks, numbers, lines; in JSON values in place."""

from __future__ import annotations

import copy
import json
import random
from collections.abc import Iterator
from typing import Any

__all__ = ["ODD", "either", "end_spoilt", "line_spoilt", "spoilt", "spoilt_json"]

ODD: list[Any] = [
    None, True, False, 0, -1, 2**31, 2**63, -(2**70), 1e308, -0.0, float("nan"), float("inf"),
    "", "\0", "\ud800", "x" * 300, "2026-03-02", "0001-01-01T00:00:00+14:00", "+93", "1,234",
    [], {}, [[]], [None] * 3, {"x": 1}, "=1+1", "deg", "left", "-5",
]  # fmt: skip
INTERESTING = (0, 1, 0x7F, 0x80, 0xFF)


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


def end_spoilt(data: bytes, rng: random.Random) -> bytes:
    """Changes where a Parquet file tells its columns: before the last eight bytes."""
    told = int.from_bytes(data[-8:-4], "little")
    begin = max(0, len(data) - 8 - told)
    return data[:begin] + spoilt(data[begin:], rng)


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
    at = rng.choice([place for place, line in enumerate(lines) if line])
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
