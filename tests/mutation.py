"""Whether the tests notice when a rule that keeps people safe is broken.

    python tests/mutation.py                      every function of the table
    python tests/mutation.py cause verdict_of     those whose name holds one of these words
    python tests/mutation.py --mutant "knee_angle.angle.verdict:verdict_of | > | >="
    python tests/mutation.py --mutant "..." --by test_bounds.py::test_past_says_what_is_past

Each mutant is one small change of one function: a comparison turned or made to include its
edge, a sign, and for or, a number doubled or one more, a `not` or a call left out, a branch
never or always taken. The tests that guard the function run on it, in a fork that swaps the
function's code, so the libraries are imported and the tests are collected once. A mutant that
no test notices has survived; none may, but for those that change nothing, which stand in
`CHANGES_NOTHING` with the reason. The exit status is 1 where one survived.

When a function is renamed or moved, its line in `GUARDS` moves with it; a name that is not
found is an error.
"""

from __future__ import annotations

import argparse
import ast
import copy
import gc
import importlib
import inspect
import json
import os
import signal
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from types import CodeType, FunctionType
from typing import Any

import pytest

HERE = Path(__file__).resolve().parent
PLAIN = (
    "-p", "no:terminal", "-p", "no:cov", "-p", "no:cacheprovider",
    "-W", "ignore::pytest.PytestAssertRewriteWarning",
)  # fmt: skip
"""Nothing that writes; what the mutants were made from is imported before pytest begins."""
LONGEST_S = 60
"""A mutant that runs longer hangs: noticed."""

from mutation_table import ASKED_FOR, CHANGES_NOTHING, GUARDS, LEFT_OUT, WARM  # noqa: E402


@dataclass(frozen=True)
class Mutant:
    """One change: where, what stood there, what stands there now, and how to make it."""

    target: str
    line: int
    before: str
    after: str
    code: CodeType | None
    value: Any = None

    @property
    def name(self) -> str:
        """As it is printed, and as `--mutant` and `CHANGES_NOTHING` take it."""
        return f"{self.target} | {self.before} | {self.after}"


# ------------------------------------------------------------------ making mutants

COMPARISONS: dict[type[ast.cmpop], tuple[type[ast.cmpop], ...]] = {
    ast.Lt: (ast.LtE, ast.GtE), ast.LtE: (ast.Lt, ast.Gt), ast.Gt: (ast.GtE, ast.LtE),
    ast.GtE: (ast.Gt, ast.Lt), ast.Eq: (ast.NotEq,), ast.NotEq: (ast.Eq,), ast.Is: (ast.IsNot,),
    ast.IsNot: (ast.Is,), ast.In: (ast.NotIn,), ast.NotIn: (ast.In,),
}  # fmt: skip
SIGNS: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.Pow: ast.Mult,
}  # fmt: skip
PLAIN_CALLS = ("abs", "max", "min", "sorted", "round", "sqrt", "hypot", "reversed", "phrase")
"""Calls that can be left out in favour of their first argument."""


def numbers(value: object) -> list[object]:
    """What stands for a constant: doubled and one more; the other truth value."""
    if isinstance(value, bool):
        return [not value]
    if isinstance(value, int | float):
        return [value * 2, value + 1] if value else [value + 1]
    return []


def replacements(node: ast.AST) -> Iterator[ast.AST | None]:  # noqa: PLR0912  a list of kinds
    """Every small change of this node alone; None leaves it out of its list."""
    match node:
        case ast.Compare(ops=ops):
            for place, op in enumerate(ops):
                for other in COMPARISONS[type(op)]:
                    yield with_field(node, "ops", [*ops[:place], other(), *ops[place + 1 :]])
        case ast.BinOp(op=op) if type(op) in SIGNS:
            yield with_field(node, "op", SIGNS[type(op)]())
        case ast.AugAssign(op=op) if type(op) in SIGNS:
            yield with_field(node, "op", SIGNS[type(op)]())
        case ast.UnaryOp(op=ast.USub() | ast.Not(), operand=operand):
            yield operand
        case ast.BoolOp(op=op, values=values):
            yield with_field(node, "op", ast.Or() if isinstance(op, ast.And) else ast.And())
            for place in range(len(values)):
                rest = [*values[:place], *values[place + 1 :]]
                yield rest[0] if len(rest) == 1 else with_field(node, "values", rest)
        case ast.Constant(value=value):
            for other in numbers(value):
                yield ast.Constant(other)
        case ast.Call(func=func, args=[first, *_]) if named(func) in PLAIN_CALLS:
            if not isinstance(first, ast.Starred):
                yield first
        case ast.Call(func=func, args=[first]) if named(func) in ("any", "all"):
            other = "all" if named(func) == "any" else "any"
            yield with_field(node, "func", ast.Name(other, ast.Load()))
        case ast.Expr(value=ast.Call()) | ast.Starred(value=ast.Call()):
            yield None
        case ast.If() | ast.IfExp():
            yield with_field(node, "test", ast.Constant(value=False))
            yield with_field(node, "test", ast.Constant(value=True))
        case ast.comprehension(ifs=[_, *_]):
            yield with_field(node, "ifs", [])
        case ast.match_case(body=body) if not isinstance(body[0], ast.Pass):
            yield with_field(node, "body", [ast.Pass()])


def with_field(node: ast.AST, field: str, value: object) -> ast.AST:
    other = copy.copy(node)
    setattr(other, field, value)
    return other


def named(func: ast.expr) -> str | None:
    return func.attr if isinstance(func, ast.Attribute) else getattr(func, "id", None)


def places(node: ast.AST) -> Iterator[tuple[ast.AST, str, int | None, ast.AST]]:
    """Every node below, with where it hangs; what only makes words or types is left out."""
    for field, value in ast.iter_fields(node):
        if field in ("annotation", "returns", "decorator_list", "type_params"):
            continue
        for place, child in enumerate(value) if isinstance(value, list) else [(None, value)]:
            if isinstance(child, ast.AST) and not isinstance(child, ast.JoinedStr):
                yield node, field, place, child
                yield from places(child)


def put(node: ast.AST, field: str, place: int | None, new: ast.AST | None) -> None:
    if place is None:
        setattr(node, field, new)
        return
    value = list(getattr(node, field))
    filler = [ast.Pass()] if field in ("body", "orelse") else []
    value[place : place + 1] = filler if new is None else [new]
    setattr(node, field, value)


def found(target: str) -> tuple[FunctionType | None, Any]:
    """The function of a target, or else the value of the constant."""
    module, _, path = target.partition(":")
    value: Any = importlib.import_module(module)
    for part in path.split("."):
        value = inspect.getattr_static(value, part)
    value = getattr(value, "fget", value)
    value = inspect.unwrap(getattr(value, "__func__", value))
    return (value, None) if isinstance(value, FunctionType) else (None, value)


def alone_of(function: FunctionType) -> tuple[ast.FunctionDef, ast.stmt]:
    """The tree of a function as it stands in its file, and that tree inside its bare classes."""
    body: Any = ast.parse(Path(function.__code__.co_filename).read_text())
    *classes, last = function.__qualname__.split(".")
    for name in classes:
        body = next(n for n in body.body if isinstance(n, ast.ClassDef) and n.name == name)
    node = next(n for n in body.body if isinstance(n, ast.FunctionDef) and n.name == last)
    node.decorator_list = []
    alone: ast.stmt = node
    for name in reversed(classes):
        alone = ast.ClassDef(name, [], [], [alone], [])
    return node, alone


def code_of(function: FunctionType, alone: ast.stmt) -> CodeType:
    """Its code, of the tree as it is now."""
    module = ast.fix_missing_locations(ast.Module([_FUTURE, alone], []))
    code = compile(module, function.__code__.co_filename, "exec")
    return _inside(code, function.__qualname__)


CALLED: set[str] = set()
"""Functions that were called, where `noting` was put in their place."""


def noting(target: str, function: FunctionType) -> CodeType:
    """The function's code, which notes first that it was called."""
    node, alone = alone_of(function)
    note = f"__import__('sys').modules[{__name__!r}].CALLED.add({target!r})"
    begin = _documented(node)
    node.body[begin:begin] = ast.parse(note).body
    return code_of(function, alone)


def mutants_of(target: str) -> Iterator[Mutant]:
    function, value = found(target)
    if function is None:
        yield from (
            Mutant(target, 0, repr(value), repr(other), None, other)
            for other in (*constants_beside(value), *ASKED_FOR.get(target, ()))
        )
        return
    node, alone = alone_of(function)
    inner = ast.FunctionDef("x", _NO_ARGUMENTS, node.body[_documented(node) :], [])
    seen: set[str] = set()
    for parent, field, place, child in list(places(inner)):
        owner = node if parent is inner else parent
        at = place if parent is not inner or place is None else place + _documented(node)
        if owner is node and field != "body":
            continue
        old = getattr(owner, field)
        for new in replacements(child):
            put(owner, field, at, new)
            code = code_of(function, alone)
            setattr(owner, field, old)
            before, after = _said(child), "-" if new is None else _said(new)
            made = Mutant(target, getattr(child, "lineno", 0), before, after, code)
            while made.name in seen:  # the same words twice in one function
                made = Mutant(target, made.line, made.before + " (again)", made.after, made.code)
            seen.add(made.name)
            yield made


_NO_ARGUMENTS = ast.parse("def x(): ...").body[0].args  # type: ignore[attr-defined]
_FUTURE = ast.parse("from __future__ import annotations").body[0]


def constants_beside(value: object) -> list[object]:
    if isinstance(value, tuple):
        return [
            (*value[:i], other, *value[i + 1 :])
            for i, one in enumerate(value)
            for other in numbers(one)
        ]
    return numbers(value)


def _documented(node: ast.FunctionDef) -> int:
    return int(ast.get_docstring(node) is not None)


def _said(node: ast.AST) -> str:
    """The changed place in a line."""
    if isinstance(node, ast.If):
        return f"if {ast.unparse(node.test)}"
    if isinstance(node, ast.match_case):
        return f"case {ast.unparse(node.pattern)}: {ast.unparse(node.body[0])}"
    return " ".join(ast.unparse(node).split())


def _inside(code: CodeType, name: str) -> CodeType:
    """The code object of that qualified name."""
    waiting = [code]
    while waiting:
        one = waiting.pop()
        if one.co_qualname == name:
            return one
        waiting += [c for c in one.co_consts if isinstance(c, CodeType)]
    raise LookupError(name)


def apply(mutant: Mutant) -> None:
    """Swap the code in this process; a constant, in every module that took it."""
    function, value = found(mutant.target)
    if function is not None and mutant.code is not None:
        function.__code__ = mutant.code
        return
    name = mutant.target.partition(":")[2]
    for module in list(sys.modules.values()):
        if module.__name__.startswith("knee_angle") and vars(module).get(name) is value:
            setattr(module, name, mutant.value)


# ------------------------------------------------------------------ running the tests


class Runner:
    """Takes the place of pytest's loop: forks once for each mutant."""

    def __init__(
        self,
        mutants: list[Mutant],
        guards: dict[str, tuple[str, ...]],
        *,
        at_once: int,
        listed: bool,
    ) -> None:
        self.mutants = mutants
        self.guards = guards
        self.at_once = at_once
        self.listed = listed
        self.survived: list[Mutant] = []
        self.killed: list[Mutant] = []
        self.broken: list[str] = []

    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        """Every guarded function unchanged, then each mutant."""
        if session.testsfailed:
            raise session.Failed("the tests cannot be collected")
        modules = {item.module.__name__: item.module for item in session.items}  # type: ignore[attr-defined]
        for module, function, argument in WARM:
            if module in modules:
                getattr(modules[module], function)(argument)
        gc.collect()
        gc.freeze()  # else each child's first collection copies the whole memory
        gc.disable()
        targets = list(dict.fromkeys(one.target for one in self.mutants))
        guards = {target: guarding(session.items, self.guards[target]) for target in targets}
        reached = self._reached(session, guards)
        self.broken = [target for target in targets if not reached[target]]
        waiting: dict[int, Mutant] = {}
        for mutant in self.mutants:
            if mutant.target in self.broken:
                continue
            if len(waiting) == self.at_once:
                self._reap(waiting)
            waiting[self._fork(session, reached[mutant.target], mutant)] = mutant
        while waiting:
            self._reap(waiting)
        return True

    def _reached(
        self, session: pytest.Session, guards: dict[str, list[pytest.Item]]
    ) -> dict[str, list[pytest.Item]]:
        """The tests of each target that call it (of a number: all), unchanged and passing.

        One fork runs them all; a test that fails there is told and guards nothing.
        """
        functions = {t: f for t in guards if (f := found(t)[0]) is not None}
        ran = [item for item in session.items if any(item in items for items in guards.values())]
        reading, writing = os.pipe()
        if not (child := os.fork()):
            os.close(reading)
            for target, function in functions.items():
                function.__code__ = noting(target, function)
            with os.fdopen(writing, "w") as told:
                for item, following in zip(ran, [*ran[1:], None], strict=True):
                    CALLED.clear()
                    failed, begun = session.testsfailed, time.monotonic()
                    item.config.hook.pytest_runtest_protocol(item=item, nextitem=following)
                    if session.testsfailed > failed:
                        print(f"fails unchanged: {item.nodeid}", file=sys.__stderr__)
                    else:
                        took_s = time.monotonic() - begun
                        told.write(json.dumps([item.nodeid, [sorted(CALLED), took_s]]) + "\n")
            os._exit(0)
        os.close(writing)
        with os.fdopen(reading) as told:
            calls = dict(json.loads(line) for line in told)
        os.waitpid(child, 0)
        took_s = {nodeid: seconds for nodeid, (_, seconds) in calls.items()}
        return {
            target: quickest_first(
                [
                    item
                    for item in items
                    if item.nodeid in calls
                    and (target in calls[item.nodeid][0] or target not in functions)
                ],
                took_s,
            )
            for target, items in guards.items()
        }

    def _fork(self, session: pytest.Session, items: list[pytest.Item], mutant: Mutant) -> int:
        if child := os.fork():
            return child
        status = 1
        try:
            signal.alarm(LONGEST_S)
            apply(mutant)
            for item, following in zip(items, [*items[1:], None], strict=True):
                item.config.hook.pytest_runtest_protocol(item=item, nextitem=following)
                if session.testsfailed:
                    break
            status = int(session.testsfailed > 0)
        finally:
            os._exit(status)

    def _reap(self, waiting: dict[int, Mutant]) -> None:
        child, status = os.wait()
        mutant = waiting.pop(child)
        (self.killed if status else self.survived).append(mutant)
        if not status:
            print(f"SURVIVED  {mutant.line:4d} {mutant.name}", flush=True)
        elif self.listed:
            print(f"killed    {mutant.line:4d} {mutant.name}", flush=True)


def quickest_first(items: list[pytest.Item], took_s: dict[str, float]) -> list[pytest.Item]:
    """A mutant's tests end with the first that notices it; those of a file stay together."""
    files: dict[Path, float] = {}
    for item in items:
        files[item.path] = files.get(item.path, 0.0) + took_s[item.nodeid]
    return sorted(items, key=lambda one: (files[one.path], one.path, took_s[one.nodeid]))


def guarding(items: list[pytest.Item], names: tuple[str, ...]) -> list[pytest.Item]:
    """The tests of some files, or by name, without the slow ones."""
    return [
        item
        for name in names
        for item in items
        if name in (item.path.name, f"{item.path.name}::{item.name.split('[')[0]}")
        and not any(slow in item.nodeid for slow in LEFT_OUT)
    ]


def wanted(words: list[str], names: list[str]) -> list[Mutant]:
    """The mutants asked for: by words in the target's name, or by their whole name."""
    targets = [t for t in GUARDS if not words or any(word in t for word in words)]
    if names:
        targets = list(dict.fromkeys(name.split(" | ")[0] for name in names))
    made = [mutant for target in targets for mutant in mutants_of(target)]
    if names:
        unknown = set(names) - {m.name for m in made}
        if unknown:
            raise SystemExit("no such mutant:\n" + "\n".join(sorted(unknown)))
        made = [m for m in made if m.name in names]
    return made


def run(words: list[str], names: list[str], by: list[str], *, at_once: int, listed: bool) -> int:
    """Make the mutants, run their tests and print what became of each."""
    begun = time.monotonic()
    sys.path.insert(0, str(HERE))
    mutants = wanted(words, names)
    guards = {m.target: tuple(by) or GUARDS[m.target] for m in mutants}
    files = dict.fromkeys(str(HERE / f.split("::")[0]) for some in guards.values() for f in some)
    tried = [m for m in mutants if m.name not in CHANGES_NOTHING or names]
    runner = Runner(tried, guards, at_once=at_once, listed=listed)
    status = pytest.main(
        ["-o", "addopts=", *PLAIN, *files],
        plugins=[runner],
    )
    if status not in (pytest.ExitCode.OK, pytest.ExitCode.NO_TESTS_COLLECTED):
        print(f"pytest ended with {status!r}")
        return 2
    for mutant in mutants:
        if mutant.name in CHANGES_NOTHING and not names:
            print(f"no change {mutant.line:4d} {mutant.name}: {CHANGES_NOTHING[mutant.name]}")
    for target in runner.broken:
        print(f"NO GUARD  {target}: no passing test of its files calls it")
    stale = set(CHANGES_NOTHING) - {m.name for m in mutants} if not words and not names else set()
    for name in sorted(stale):
        print(f"STALE     {name}: the table names a mutant that is not made any more")
    nothing = len(mutants) - len(runner.mutants)
    print(
        f"{len(mutants)} mutants of {len({m.target for m in mutants})} functions and numbers: "
        f"{len(runner.killed)} killed, {len(runner.survived)} survived, {nothing} change nothing; "
        f"{time.monotonic() - begun:.0f} s"
    )
    return int(bool(runner.survived or runner.broken or stale))


if __name__ == "__main__":
    asked = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    asked.add_argument("words", nargs="*", help="only targets whose name holds one of these")
    asked.add_argument("--mutant", action="append", default=[], help="only this one, by its name")
    asked.add_argument("--by", action="append", default=[], help="ask only this test, FILE::NAME")
    asked.add_argument("--at-once", type=int, default=2, help="processes at once")
    asked.add_argument("--list", action="store_true", help="print the killed ones too")
    given = asked.parse_args()
    sys.exit(run(given.words, given.mutant, given.by, at_once=given.at_once, listed=given.list))
