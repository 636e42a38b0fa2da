"""Two tabs of one visit: what each changed since both last agreed is put together."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

__all__ = ["merged"]

Json = Mapping[str, Any]


def merged(before: Json, mine: Json, theirs: Json) -> dict[str, Any]:
    """`theirs` with everything that `mine` changed since `before`.

    Objects are merged name by name; of two changes to the same name mine counts, as it is the
    later one.

    Examples
    --------
    >>> merged({"a": 1, "b": 1}, {"a": 2, "b": 1}, {"a": 1, "b": 3})
    {'a': 2, 'b': 3}
    >>> merged({"in": {"a": 1}}, {"in": {}}, {"in": {"a": 1, "b": 2}})
    {'in': {'b': 2}}
    """
    found = dict(theirs)
    for name in [*before, *(name for name in mine if name not in before)]:
        if name not in mine:
            found.pop(name, None)
        elif name not in before:
            found[name] = _both({}, mine[name], theirs.get(name))
        elif mine[name] != before[name]:
            found[name] = _both(before[name], mine[name], theirs.get(name))
    return found


def _both(before: Any, mine: Any, theirs: Any) -> Any:
    if isinstance(mine, Mapping) and isinstance(theirs, Mapping):
        return merged(before if isinstance(before, Mapping) else {}, mine, theirs)
    return mine
