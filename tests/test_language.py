"""English and German: one catalogue, whole and fresh; no visitor hears another one's language."""

from __future__ import annotations

import copy
import io
import json
import pickle
import re
import threading
from collections.abc import Iterator, Mapping
from dataclasses import fields, is_dataclass
from datetime import date
from gettext import GNUTranslations

import catalogue
import pytest
from babel import Locale
from called import called
from stores import made_check, made_visit

from knee_angle.errors import InvalidInput, UnreadablePhoto
from knee_angle.language import (
    LANGUAGES,
    Sentence,
    capital,
    current,
    figure,
    in_language,
    joined,
    phrase,
    retold,
    say,
    say_many,
    set_language,
    tell,
    tell_all,
)
from knee_angle.language.catalogue import Language
from knee_angle.photo.reading import read_photo
from knee_angle.report.visit_contract import visit_as_json

OTHERS = [code for code in LANGUAGES if code != "en"]


@pytest.fixture
def stand_in(monkeypatch):
    """A small catalogue of this test's own: how sentences are told does not hang on wording."""
    texts = {
        "at most {bound_deg:.1f}° apart": "höchstens {bound_deg:.1f}° auseinander",
        "display agrees": "Anzeige stimmt",
        "{what} on {day:%-d %b %Y}": "am {day:%d.%m.%Y}: {what}",
        "Step back.": "Abstand vergrößern.",
        "Not measured: {why}.": "Nicht gemessen: {why}.",
        " and ": " und ",
    }

    class Texts:
        def gettext(self, message):
            return texts.get(message, message)

        def ngettext(self, _one, _many, n):
            return "{count} Foto" if n == 1 else "{count} Fotos"

    monkeypatch.setattr("knee_angle.language.catalogue._translations", lambda _: Texts())


@pytest.mark.parametrize(
    ("sentence", "english", "german"),
    [
        pytest.param(
            say("at most {bound_deg:.1f}° apart", bound_deg=7.25),
            "at most 7.2° apart", "höchstens 7,2° auseinander", id="a number has its decimal comma",
        ),
        pytest.param(
            say("{what} on {day:%-d %b %Y}", what=say("display agrees"), day=date(2026, 3, 9)),
            "display agrees on 9 Mar 2026", "am 09.03.2026: Anzeige stimmt",
            id="a sentence within a sentence, and a date in its own order",
        ),
        pytest.param(
            say("Not measured: {why}.", why=phrase(say("Step back."))),
            "Not measured: step back.", "Nicht gemessen: Abstand vergrößern.",
            id="a German noun keeps its capital inside a sentence",
        ),
        pytest.param(
            say("{n:,d} rows, {x:g} mm", n=12345, x=0.5), "12,345 rows, 0.5 mm",
            "12.345 rows, 0,5 mm", id="what the catalogue lacks keeps its English words",
        ),
        pytest.param(
            joined(say(" and "), ["P-017", figure("−2.5°")]), "P-017 and −2.5°", "P-017 und −2,5°",
            id="a code stays as it is, a written number does not",
        ),
        pytest.param(say_many("{count} photo", "{count} photos", 1), "1 photo", "1 Foto",
                     id="one of them"),
        pytest.param(say_many("{count} photo", "{count} photos", 3), "3 photos", "3 Fotos",
                     id="more of them"),
        pytest.param(capital(say("display agrees")), "Display agrees.", "Anzeige stimmt.",
                     id="a sentence of its own"),
        pytest.param("v1.2, bed.jpg", "v1.2, bed.jpg", "v1.2, bed.jpg", id="plain text"),
    ],
)  # fmt: skip
@pytest.mark.usefixtures("stand_in")
def test_a_sentence_is_english_to_programs_and_told_where_it_is_shown(sentence, english, german):
    assert sentence == english
    assert json.loads(json.dumps(sentence)) == english
    assert tell(sentence) == english
    with in_language("de"):
        assert tell(sentence) == german
        assert tell(copy.deepcopy(sentence)) == german
        assert tell(pickle.loads(pickle.dumps(sentence))) == german  # noqa: S301  our own
        assert type(tell(sentence)) is str


@pytest.mark.usefixtures("stand_in")
def test_an_error_and_a_whole_result_can_be_told():
    error = InvalidInput(say("display agrees"))
    with in_language("de"):
        assert tell(str(error)) == "Anzeige stimmt"
        assert tell_all({"cautions": [say("display agrees")], "side": "left", "u": 2.5}) == {
            "cautions": ["Anzeige stimmt"], "side": "left", "u": 2.5,
        }  # fmt: skip
    assert isinstance(str(error), Sentence)


def test_what_a_file_holds_in_place_of_a_picture_is_told_too():
    with pytest.raises(UnreadablePhoto) as refused, in_language("de"):
        read_photo(b"a note, no picture", name="note.jpg")
    with in_language("de"):
        assert "der Inhalt ist aber reiner Text:" in tell(str(refused.value))


def test_two_visitors_at_once_are_each_told_in_their_own_language():
    heard, both = {}, threading.Barrier(2)

    def visitor(code):
        set_language(code)
        both.wait()
        heard[code] = (current().code, tell("{part:.1f} mm", part=2.5))
        both.wait()

    visitors = [threading.Thread(target=visitor, args=(code,)) for code in ("en", "de")]
    for one in visitors:
        one.start()
    for one in visitors:
        one.join()
    assert heard == {"en": ("en", "2.5 mm"), "de": ("de", "2,5 mm")}
    assert current().code == "en"


ELSEWHERE = (
    "The hip dot lies 31 mm from where the leg network sees the hip: feel for the bony point "
    "again. Until then the ± is wide."
)

FURTHER = (
    "at 12°: knee 12° before, 30° now; display and knee 0° apart before, 18° now: further apart "
    "by 18° (10 to 20); hinge 12 mm towards the hip (0 to 20) and 80 mm towards the back of the "
    "knee (69 to 93). Stop the machine, put the section back as it was, and photograph again."
)


@pytest.mark.parametrize(
    ("text", "english_stays"),
    [
        pytest.param(ELSEWHERE, False, id="a template with a number and a sentence inside"),
        pytest.param(f"{ELSEWHERE[0].lower()}{ELSEWHERE[1:-1]}", False, id="as part of another"),
        pytest.param(FURTHER, False, id="two sentences, of which one holds six in one another"),
        pytest.param(f"{ELSEWHERE} An older sentence.", True, id="one known sentence of two"),
        pytest.param(ELSEWHERE.replace("hip", "elbow"), True, id="words that nobody translated"),
        pytest.param("P-017", True, id="a code"),
        pytest.param("Thigh cuff of ward 3, left behind", True, id="somebody's own words"),
        pytest.param("", True, id="nothing"),
    ],
)
def test_a_kept_text_is_told_again_where_all_its_words_are_known(text, english_stays):
    sentence = retold(text)
    assert (sentence, tell(sentence)) == (text, text)
    assert pickle.loads(pickle.dumps(sentence)) == text  # noqa: S301  our own
    with in_language("de"):
        told = tell(sentence)
    if english_stays:
        assert "Bis dahin" not in told or told.endswith("An older sentence.")
        assert told.endswith(text[-20:])
    else:
        assert not re.search(r"\b(the|lies|hip|to)\b|[.]\d", told)


def sentences_in(value) -> Iterator[str]:
    """Every sentence in a record and in what it holds."""
    if isinstance(value, Sentence):
        yield value
    elif is_dataclass(value):
        for field in fields(value):
            yield from sentences_in(getattr(value, field.name))
    elif isinstance(value, Mapping):
        yield from sentences_in(list(value.values()))
    elif isinstance(value, list | tuple):
        for one in value:
            yield from sentences_in(one)


def test_what_a_check_and_a_visit_say_is_told_from_their_english_text_as_from_themselves():
    visit, photos = made_visit()
    results = [visit, visit_as_json(visit, version="1"), photos, made_check()]
    said = list(sentences_in(results))
    assert len(said) > 15
    with in_language("de"):
        for sentence in said:
            assert tell(retold(str.__str__(sentence))) == tell(sentence)


@pytest.mark.parametrize("code", OTHERS)
def test_every_sentence_has_its_text_with_the_same_places(code):
    assert catalogue.lacking(catalogue.renewed(code)) == []


@pytest.mark.parametrize("code", OTHERS)
def test_the_catalogue_holds_the_sentences_that_there_are(code):
    """Else: `python tests/catalogue.py`, and write what it says is lacking."""
    now = {(one.context, one.id) for one in catalogue.renewed(code)}
    assert now == {(one.context, one.id) for one in catalogue.kept(code)}


@pytest.mark.parametrize("code", OTHERS)
def test_the_compiled_catalogue_is_fresh(code):
    """Sentence for sentence: the bytes and the head are the compiler's own."""
    compiled = catalogue.po(code).with_suffix(".mo").read_bytes()
    kept, fresh = (
        {one: told for one, told in GNUTranslations(io.BytesIO(data))._catalog.items() if one}
        for data in (compiled, catalogue.as_mo(catalogue.kept(code)))
    )
    assert kept == fresh
    assert len(kept) > 1_000


@pytest.mark.parametrize("code", list(LANGUAGES))
def test_signs_of_numbers_are_those_of_the_cldr(code):
    symbols = Locale.parse(code).number_symbols["latn"]
    language: Language = LANGUAGES[code]
    assert (language.decimal, language.group) == (symbols["decimal"], symbols["group"])


@pytest.mark.parametrize(
    ("template", "text", "fits"),
    [
        pytest.param("{a:.0f}° and {b}", "{b} und {a:.0f}°", True, id="in another order"),
        pytest.param("on {d:%-d %b %Y}", "am {d:%d.%m.%Y}", True, id="a date's own form"),
        pytest.param("{a:.0f}°", "{a:.1f}°", False, id="another rounding"),
        pytest.param("{a} of {b}", "{a}", False, id="a number lost"),
    ],
)
def test_places_of_a_translation(template, text, fits):
    assert (catalogue.places(template) == catalogue.places(text)) is fits


def test_a_command_speaks_german_where_it_is_asked_to(monkeypatch):
    monkeypatch.delenv("KNEE_ANGLE_LANGUAGE", raising=False)
    asked = called("--language", "fr", "store", "list")
    assert (asked.returncode, asked.stderr) == (
        2, "knee-angle: --language: the language must be en or de, but got 'fr'\n",
    )  # fmt: skip
    monkeypatch.setenv("KNEE_ANGLE_LANGUAGE", "nl")
    assert "KNEE_ANGLE_LANGUAGE: the language must be" in called("store", "list").stderr
    assert current().code == "en"


def test_a_command_tells_json_in_english_unless_it_is_asked():
    from knee_angle.cli.app import _asked, for_programs

    row = {"advice": figure("2.5 mm")}
    with in_language("de"):
        assert for_programs(row) == {"advice": "2.5 mm"}
        token = _asked.set("de")
        assert for_programs(row) == {"advice": "2,5 mm"}
        _asked.reset(token)


@pytest.mark.parametrize(
    ("call", "german"),
    [
        pytest.param(("agreement", "plan", "--sd", "4", "--half-width", "0.0001"),
                     "half_width muss mindestens 0,", id="planning"),
        pytest.param(("rating", "plan", "--icc", "0.9", "--raters", "1", "--width", "0.1"),
                     "es müssen mindestens 2 Beurteiler sein, aber es kamen 1", id="raters"),
        pytest.param(("export", "fhir", "OUT.json", "--person", "P-1", "--codes", "BAD.toml"),
                     "BAD.toml: passive-knee-flexion: system muss eine URI wie",
                     id="codes of a site"),
        pytest.param(("export", "compare", "BAD.toml"), "ist kein JSON", id="no bundle"),
    ],
)  # fmt: skip
def test_errors_of_studies_and_of_exchange_are_told_in_german(tmp_path, call, german):
    bad = '[passive-knee-flexion]\nsystem = "no uri"\ncode = "1"\ndisplay = "d"\n'
    (tmp_path / "BAD.toml").write_text(bad)
    done = called("--language", "de", *call, cwd=tmp_path)
    assert done.returncode == 2
    assert german in done.stderr
