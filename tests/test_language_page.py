"""German where it is shown: whole answers, a page without English, two visitors at once."""

from __future__ import annotations

import re
import string

import catalogue
import pytest
from called import called
from conftest import SAMPLES
from streamlit.testing.v1 import AppTest
from test_page import changed, field, html, opened, upload

from knee_angle.language.catalogue import VARIABLE
from knee_angle.store import open_store

PHOTO = "bed_01.jpg"


pytestmark = pytest.mark.usefixtures("store_file")


@pytest.fixture
def german(monkeypatch):
    """What a browser that asks for German gets: the tests' page has no browser."""
    monkeypatch.setenv(VARIABLE, "de")


# --- an answer of each kind, whole ------------------------------------------------------------

LIMIT = "GRENZE  verordnet: Beugung bis 95° · Anzeige innerhalb · Knie innerhalb (bewiesen)"
SURE = (
    "SICHER  ± vor allem: die Hüftmarkierung (2°). Um es zu verkleinern: neu ertasten, auf bloßer "
    "Haut; oder ein zweites Foto"
)
LOW_DISPLAY = (
    "TUN     Die Anzeige zeigt weniger als die Schienenteile, das Knie kann also weiter "
    "gebeugt sein als angezeigt. Die Beugegrenze {}° niedriger als verordnet einstellen und nach "
    "dem gemessenen Knie gehen. Die Anzeige in Ordnung bringen lassen, bevor ein Teil gekürzt oder "
    "der Patient nach unten gelagert wird; erneut fotografieren. Innerhalb der Verordnung bleiben; "
    "bei Schmerz oder Widerstand anhalten."
)
OFF = (
    "TUN     Zuerst prüfen, ob 60° so eingetippt ist, wie die Anzeige in bed_01.jpg es zeigt: das "
    "sind 28° Abstand zum gemessenen Knie. "
    "Anzeige und Schienenteile weichen ab: die Anzeige zeigt bei 93° etwa {}° weniger "
    "(mehr als 5° ist bewiesen). Siehe Wartungshandbuch; bis dahin gelten nur gemessene Winkel."
)
PAST = (
    "!! DIE ANZEIGE IST ÜBER DER VERORDNETEN BEUGUNG: sie zeigt 97,5°, die verordnete Grenze ist "
    "95,0°. Bewegungsschiene anhalten und der Verordnung folgen."
)


def figures(text: str) -> str:
    """Figures as #: another machine's arithmetic may round one the other way."""
    return re.sub(r"\d+(?:,\d+)?", "#", text)


@pytest.mark.parametrize(
    ("displayed", "lines", "verdict"),
    [
        pytest.param(
            "97,5",
            [
                PAST,
                "GRENZE  verordnet: Beugung bis 95° · das Knie ist innerhalb der verordneten "
                "Beugung (bewiesen); die Anzeige ist ÜBER der verordneten Beugung "
                "von 95°. Bewegungsschiene anhalten und der Verordnung folgen.",
                "KNIE    88° (84 bis 93), links, passiv    ANZEIGE 97,5°",
                "ABSTAND Anzeige 8° mehr; höchstens 11° (95 %). Innerhalb 15°: ja · innerhalb "
                "10° (erlaubt): nicht bewiesen · innerhalb 5°: nein",
            ],
            "nicht zu entscheiden (Toleranz 10°, Wahrscheinlichkeit innerhalb 69 %)",
            id="past the limit, and undecided",
        ),
        pytest.param(
            "60",
            [
                LIMIT,
                "KNIE    88° (84 bis 93), links, passiv    ANZEIGE 60°",
                "ABSTAND Anzeige 28° weniger; höchstens 32° (95 %). Innerhalb 20°: nein · "
                "innerhalb 10° (erlaubt): nein",
                OFF.format(33),
                LOW_DISPLAY.format(34),
                SURE,
                "Das linke Knie ist 88,4° gebeugt (95 % zwischen 85,0° und 92,0°); die Anzeige "
                "zeigt 60,0°, 28,4° weniger: außerhalb der Toleranz von 10°.",
            ],
            "Anzeige stimmt nicht (Toleranz 10°, Wahrscheinlichkeit innerhalb < 1 %)",
            id="the display does not agree",
        ),
        pytest.param(
            "93",
            [
                LIMIT,
                "KNIE    88° (84 bis 93), links, passiv    ANZEIGE 93°",
                "ABSTAND Anzeige 5° mehr; höchstens 8° (95 %). Innerhalb 10° (erlaubt): ja · "
                "innerhalb 5°: nicht bewiesen",
            ],
            "Anzeige stimmt (Toleranz 10°, Wahrscheinlichkeit innerhalb > 99 %)",
            id="the display agrees",
        ),
    ],
)
def test_the_answer_of_a_photo_in_german(displayed, lines, verdict):
    said = called(
        "measure", SAMPLES / PHOTO, "--displayed", displayed.replace(",", "."), "--limit-flexion",
        "95", "--language", "de",
    )  # fmt: skip
    told = [line.strip() for line in said.stdout.splitlines()]
    assert told[0] == PHOTO
    assert [figures(line) for line in told[1 : 1 + len(lines)]] == [figures(x) for x in lines]
    assert figures(f"Urteil        {verdict}") in [figures(line) for line in told]
    assert told[-1].startswith("Messhilfe für Fachpersonal, kein Medizinprodukt")
    assert english_in(said.stdout) == []


def test_a_photo_without_a_leg_is_refused_in_german(tmp_path):
    empty = tmp_path / "leer.jpg"
    empty.write_bytes(b"")
    said = called("measure", empty, "--language", "de")
    assert said.stdout.splitlines()[1] == (
        "  Das Foto konnte nicht gelesen werden: das Foto muss ein Bild enthalten, die Datei ist "
        "aber leer: noch einmal vom Telefon kopieren."
    )
    assert english_in(said.stdout) == []


# --- no English on a German page --------------------------------------------------------------


def pieces(template: str) -> list[str]:
    """What always stands in a sentence: its words between the places."""
    return [text.strip() for text, *_ in string.Formatter().parse(template)]


def english() -> list[str]:
    """Pieces of English sentences that cannot be German, longest first."""
    catalogue_de = catalogue.kept("de")
    german = " ".join(
        " ".join(one.string if isinstance(one.string, tuple) else (one.string,))
        for one in catalogue_de
        if one.id
    )
    found = set()
    for one in catalogue_de:
        for template in one.id if isinstance(one.id, tuple) else (one.id,):
            found |= {text for text in pieces(template) if re.search(r"[a-z]{3,}\W+[a-z]{2}", text)}
    return sorted((text for text in found if text not in german), key=len, reverse=True)


ENGLISH = english()


def english_in(text: str) -> list[str]:
    return [one for one in ENGLISH if one in text]


def shown(page: AppTest) -> str:
    """Every text of the page: HTML, Markdown, labels, options, help; no style sheet.

    Components hold both languages of their words; what they show, a browser sees.
    """
    alone = [one for one in page.main if one.type != "bidi_component"]
    told = [getattr(one, "label", "") if hasattr(one, "children") else str(one) for one in alone]
    drawn = re.sub(r"<style>.*?</style>", "", html(page), flags=re.DOTALL)
    return "\n".join([drawn, *map(str, told)])


def test_the_pieces_that_are_looked_for_find_english():
    assert len(ENGLISH) > 500
    assert english_in("Stop the machine and follow the prescription.") != []
    assert english_in("Bewegungsschiene anhalten und der Verordnung folgen.") == []


@pytest.mark.usefixtures("german")
def test_no_english_is_left_on_the_page_with_an_answer():
    page = upload(opened(), PHOTO)
    page = changed(page, "Zahl auf der Anzeige", 93.5)
    page = changed(page, "Patient (Code)", "P-017")
    page = changed(page, "Verordnete Beugung", 90.0)  # past it: alarms are told too
    assert "93,5°" in html(page)
    assert "ÜBER DER VERORDNETEN BEUGUNG" in html(page)
    assert english_in(shown(page)) == []


@pytest.mark.usefixtures("german")
def test_no_english_is_left_where_a_patient_is_followed(store_file):
    page = upload(opened(), PHOTO)
    page = changed(changed(page, "Zahl auf der Anzeige", 93.0), "Patient (Code)", "P-017")
    next(one for one in page.button if one.label == "Diese Messung speichern und P-017 neu anlegen"
         ).click().run()  # fmt: skip
    assert page.success[0].value.startswith("Gespeichert für P-017: Knie 88,5° ± 3,6°")
    with open_store(store_file) as store:
        (row,) = store.measurements()
        assert english_kept(row)
    followed = AppTest.from_function(show_people, default_timeout=60).run()
    assert not followed.exception
    assert english_in(shown(followed)) == []


def english_kept(row) -> bool:
    """What is kept is English, whatever language the page spoke."""
    return not re.search("[äöüß]|Knie|Anzeige", str(row))


def show_people():
    from knee_angle.page import keeping, people
    from knee_angle.page.spoken import begin_language

    begin_language()
    people.show_people(keeping.the_store())


def test_two_visitors_at_once_have_each_their_language():
    first, second = opened(), opened()
    field(first, "Language").set_value("de").run()
    second.run()
    assert [page.title[0].value for page in (first, second)] == [
        "Ein Knie messen",
        "Measure a knee",
    ]
    first, second = upload(first, PHOTO), upload(second, PHOTO)
    for page in (first, second, first):
        page.run()
    assert "Knie</dt>" in html(first)
    assert "Knee</dt>" in html(second)
    again = AppTest.from_file(first._script_path, default_timeout=60)
    again.query_params["visit"] = first.query_params["visit"]
    assert again.run().title[0].value == "Ein Knie messen"  # the visit's draft remembers it
