"""The catalogue of sentences: takes new ones in, drops old ones, compiles it.

``python tests/catalogue.py`` writes knee_angle.po and .mo anew and says what lacks its text;
``--outside`` lists what looks like a sentence and goes through no catalogue.

Texts hang on the English sentence: change that, and the other languages are asked for anew.
"""

from __future__ import annotations

import ast
import io
import re
import string
import sys
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

from babel.messages.catalog import Catalog
from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po, write_po
from jinja2.ext import babel_extract
from typer.main import get_command

from knee_angle.cli import app
from knee_angle.cli.helping import help_texts
from knee_angle.language.catalogue import DOMAIN, LANGUAGES, LOCALE
from knee_angle.language.components import texts_of

PACKAGE = Path(__file__).resolve().parents[1] / "knee_angle"
NOT_SHOWN = ("training/", "store/migrations/")
TEMPLATES = ("page/ward/*.html", "report/*.html")
COMPONENTS = ("page/editor", "page/shots", "page/drawings")
WHEN = datetime(2026, 1, 1, tzinfo=UTC)
"""No real date: the file changes with its sentences alone."""

Message = str | tuple[str, str]


def sentences_of(source: str) -> Iterator[tuple[str | None, Message]]:
    """Context and English text of every call of `say` and its kin, in f-strings too."""
    for node in ast.walk(ast.parse(source)):
        if not isinstance(node, ast.Call):
            continue
        name = getattr(node.func, "attr", getattr(node.func, "id", ""))
        texts = [one.value for one in node.args if isinstance(one, ast.Constant)]
        if name in ("say", "tell") and texts:
            yield None, texts[0]
        elif name == "say_many" and len(texts) > 1:
            yield None, (texts[0], texts[1])
        elif name == "say_as" and len(texts) > 1:
            yield texts[0], texts[1]


def package_sources() -> Iterator[tuple[str, Path]]:
    for path in sorted(PACKAGE.rglob("*.py")):
        name = path.relative_to(PACKAGE).as_posix()
        if not name.startswith(NOT_SHOWN):
            yield name, path


def sentences() -> dict[tuple[str | None, Message], None]:
    """Context and English text of every sentence of the package."""
    found = {}
    for _, path in package_sources():
        found |= dict.fromkeys(sentences_of(path.read_text(encoding="utf-8")))
    for template in [path for one in TEMPLATES for path in sorted(PACKAGE.glob(one))]:
        with template.open("rb") as file:
            for _, _, message, _ in babel_extract(file, ["tell"], [], {}):
                found[None, message if isinstance(message, str) else message[0]] = None
    for folder in COMPONENTS:
        found |= {(None, text): None for text in texts_of(PACKAGE / folder)}
    found |= {(None, text): None for text in help_texts(get_command(app)) if text}
    return found


def po(code: str) -> Path:
    return LOCALE / code / "LC_MESSAGES" / f"{DOMAIN}.po"


def kept(code: str) -> Catalog:
    """The catalogue as it stands."""
    with po(code).open("rb") as file:
        return read_po(file, locale=code, domain=DOMAIN)


def renewed(code: str) -> Catalog:
    """The catalogue of the sentences that there are now."""
    before = kept(code) if po(code).exists() else Catalog(locale=code)
    new = Catalog(
        locale=code, domain=DOMAIN, project="knee-angle", version="1", fuzzy=False,
        header_comment="# What people read: English sentences and their texts in this language.",
        creation_date=WHEN, revision_date=WHEN, last_translator="", language_team="",
    )  # fmt: skip
    for context, message in sentences():
        one = message if isinstance(message, str) else message[0]
        old = before.get(one, context)
        new.add(message, old.string if old is not None and old.id == message else None,
                context=context)  # fmt: skip
    return new


def as_po(catalogue: Catalog) -> bytes:
    out = io.BytesIO()
    write_po(out, catalogue, width=100, sort_output=True, omit_header=False)
    return out.getvalue()


def as_mo(catalogue: Catalog) -> bytes:
    out = io.BytesIO()
    write_mo(out, catalogue)
    return out.getvalue()


def places(text: str) -> list[str]:
    """A template's places, with what is said of a number's form; a date's form is free."""
    found = []
    for _, name, spec, conversion in string.Formatter().parse(text):
        if name is not None:
            found.append(f"{name}!{conversion}:{'' if '%' in (spec or '')[:-1] else spec}")
    return sorted(set(found))


def lacking(catalogue: Catalog) -> list[str]:
    """What is wrong with translations: none, or other places than the English text."""
    wrong = []
    for message in catalogue:
        if not message.id:
            continue
        texts = message.string if isinstance(message.string, tuple) else (message.string,)
        english = message.id if isinstance(message.id, tuple) else (message.id,)
        if not all(texts):
            wrong.append(f"no text for {english[0]!r}")
        elif any("{" in one for one in english):
            expected = places(english[-1])
            wrong += [
                f"{text!r} has not the places of {english[0]!r}"
                for text in texts
                if not set(places(text)) <= set(expected) or places(texts[-1]) != expected
            ]
    return wrong


# --- what looks like a sentence and goes through no catalogue ---------------------------------

TOLD = {"say", "tell", "say_many", "say_as"}
SHOWN_AS_THEY_ARE = {"Option", "Argument", "Typer", "command", "add_parser", "add_argument"}
"""Calls whose texts are the commands' help: English."""


def texts_outside(path: Path) -> Iterator[tuple[int, str]]:
    """Line and text of what reads like words for people and is not said through the catalogue."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    skip: set[int] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
            skip.add(id(node.value))
        if isinstance(node, ast.Call):
            name = getattr(node.func, "attr", getattr(node.func, "id", ""))
            if name in TOLD | SHOWN_AS_THEY_ARE:
                skip |= {id(one) for one in ast.walk(node)} - {
                    id(one) for word in node.keywords for one in ast.walk(word) if name in TOLD
                }
    for node in ast.walk(tree):
        if id(node) in skip:
            continue
        if isinstance(node, ast.JoinedStr):
            skip |= {id(one) for one in ast.walk(node)}
            text = "".join(o.value if isinstance(o, ast.Constant) else "{}" for o in node.values)
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            text = node.value
        else:
            continue
        words = re.sub(r"<[^>]*>|[a-z-]+=\"[^\"]*\"?", " ", text)
        if re.search(r"[A-Za-z]{2,}[^A-Za-z_<>=]* [^=]*[a-z]{2}", words):
            yield node.lineno, text


def outside() -> list[tuple[str, int, str]]:
    found = []
    for name, path in package_sources():
        found += [(name, line, text) for line, text in texts_outside(path)]
    return found


def main() -> None:
    if "--outside" in sys.argv[1:]:
        found = outside()
        for name, line, text in found:
            print(f"{name}:{line}: {text[:110]!r}")
        count = len(sentences())
        print(f"{count} sentences in the catalogue, {len(found)} texts outside it")
        return
    for code in LANGUAGES:
        if code == "en":
            continue
        catalogue = renewed(code)
        po(code).parent.mkdir(parents=True, exist_ok=True)
        po(code).write_bytes(as_po(catalogue))
        po(code).with_suffix(".mo").write_bytes(as_mo(catalogue))
        wrong = lacking(catalogue)
        print(*wrong, sep="\n")
        print(f"{code}: {len(catalogue)} sentences, {len(wrong)} to be mended")


if __name__ == "__main__":
    main()
