"""Kept rows as HL7 FHIR R4B and R5: valid to others' readers, and equal when read back."""

from __future__ import annotations

import gzip
import json
import math
import re
import sys
from collections.abc import Callable, Iterator
from dataclasses import fields, replace
from datetime import timedelta
from functools import cache
from pathlib import Path
from types import MappingProxyType

import fhirkit
import jsonschema
import pytest
from fhir_official import issues_of
from stores import (
    NOON,
    SETTINGS,
    SHA,
    VISITED,
    made_check,
    made_measurement,
    made_series,
    made_visit,
)
from typer.testing import CliRunner

from knee_angle.cli import app
from knee_angle.errors import InvalidInput
from knee_angle.store import SetUp, Store, open_store
from knee_angle.store.exchange.codes import (
    CONCEPTS,
    LOCAL_SYSTEM,
    Codes,
    Coding,
    read_codes,
    table_of,
)
from knee_angle.store.exchange.fhir import (
    RELEASES,
    bundle_of_checks,
    bundle_of_course,
    code_system,
    compare,
    read_bundle,
)
from knee_angle.store.exchange.fhir.back import as_handed_on, rows_of
from knee_angle.store.exchange.fhir.bundle import model_of
from knee_angle.store.exchange.fhir.value_sets import problems_of

PUBLISHED = Path(__file__).parent / "published"
LOCAL = Codes()
LONG = "x" * 4000
"""FHIR limits no code's length; DICOM does."""


def filled(opened: Store) -> Store:
    """Measurements of every kind, a visit, what was taken back, and two checks."""
    opened.add_person("P-017")
    opened.add_person("P-018")
    opened.add_machine("M-03")
    given = {"settings": SETTINGS, "photo_sha256": SHA, "person": "P-017"}
    full = SetUp(
        end="flexion", flexion_deg=95, extension_deg=-2.5, speed=3, bed_head_deg=30,
        hours_of_use=6.5, ticks=("heel", "fibular_head"), visit="ab" * 16, setting="2",
        adjusted=1,
    )  # fmt: skip
    wrong = opened.save_measurement(made_measurement(), machine="M-03", setup=full, **given)
    opened.save_measurement(
        made_measurement(displayed_deg=88), machine="M-03", setup=full, corrects=wrong.id,
        taken_at=NOON - timedelta(days=3, microseconds=17), **given,
    )  # fmt: skip
    rated = replace(made_measurement(displayed_deg=None), rater="R1")
    opened.save_measurement(rated, **given)
    taken_back = opened.save_measurement(made_measurement(), **given)
    opened.withdraw_measurement(taken_back.id, "wrong_person")
    opened.save_measurement(made_measurement(), **{**given, "person": "P-018"})
    answer, photos = made_visit()
    opened.save_visit(
        answer, photos, visit_id="cd" * 16, settings=SETTINGS, person="P-017", machine="M-03"
    )
    series, result = made_series(), made_check()
    kept = {
        "machine": "M-03", "outcomes": series, "settings": SETTINGS, "photo_sha256": {},
        "person": "P-017",
    }  # fmt: skip
    first = opened.save_check(result, **kept)
    opened.save_check(result, corrects=first.id, **kept)
    return opened


@pytest.fixture(scope="module")
def store(tmp_path_factory) -> Iterator[Store]:
    path = tmp_path_factory.mktemp("fhir") / "ward.db"
    with open_store(f"sqlite:///{path}", who="ward 3", clock=lambda: NOON) as opened:
        yield filled(opened)


WRITTEN: dict[tuple[str, str], str] = {}
"""Bundles of the one store of these tests, with the local codes."""


def once(name: str, release: str, make: Callable[[], dict]) -> dict:
    """A bundle of its own, made once."""
    if (name, release) not in WRITTEN:
        WRITTEN[name, release] = json.dumps(make())
    return json.loads(WRITTEN[name, release])


def made_course(store: Store, release: str, codes: Codes) -> dict:
    return bundle_of_course(
        "P-017",
        tuple(store.stored_measurements(person="P-017", all_rows=True)),
        store.visits(person="P-017", all_rows=True),
        release=release, codes=codes, at=NOON,
    )  # fmt: skip


def course(store: Store, release: str, codes: Codes = LOCAL) -> dict:
    if codes is not LOCAL:
        return made_course(store, release, codes)
    return once("course", release, lambda: made_course(store, release, LOCAL))


def checks(store: Store, release: str) -> dict:
    found = store.checks(machine="M-03", all_rows=True)
    lines = {one.id: store.check(one.id).result.line_judged[0] for one in found}
    return once(
        "checks",
        release,
        lambda: bundle_of_checks("M-03", found, lines, release=release, codes=LOCAL, at=NOON),
    )


MADE = MappingProxyType({"course": course, "checks": checks})


@cache
def official() -> jsonschema.protocols.Validator:
    raw = gzip.decompress((PUBLISHED / "fhir_r4_part.schema.json.gz").read_bytes())
    schema = json.loads(raw) | {"$ref": "#/definitions/Bundle"}
    return jsonschema.Draft6Validator(schema)


def errors_of(bundle: dict, release: str) -> list[str]:
    """What readers that share nothing with the library say.

    HL7's own definitions of R4B and of R5 with their rules (`fhir_official`), warnings too. Then,
    for R4B, R4's official schema (R4B left these resources as they were) and a reader made from
    R4's definitions; for R5 classes that others made from R5's, which refuse any other field.
    """
    found = [f"{severity} {said}" for severity, said in issues_of(bundle, release)]
    if release == "R5":
        import fhirpy_types_r5  # 2 s: not in every process that collects this file

        fhirpy_types_r5.Bundle.model_validate(bundle)
        each = [entry["resource"] for entry in bundle["entry"]]
        for one in each:
            getattr(fhirpy_types_r5, one["resourceType"]).model_validate(one)
        return found
    found += [f"{e.json_path}: {e.message[:200]}" for e in official().iter_errors(bundle)]
    return found + [str(issue) for issue in fhirkit.validate(json.dumps(bundle))]


@pytest.mark.parametrize("release", RELEASES)
@pytest.mark.parametrize("made", MADE)
def test_others_find_no_error_in_a_bundle(store, made, release):
    bundle = MADE[made](store, release)
    assert errors_of(bundle, release) == []


@pytest.mark.parametrize(
    ("resource", "field", "value"),
    [
        pytest.param("Observation", "status", "done", id="a status that the list has not"),
        pytest.param("Observation", "knee", 1, id="a field that the resource has not"),
        pytest.param("Provenance", "recorded", "noon", id="a time that is none"),
    ],
)
def test_the_readers_that_judge_us_do_see_errors(store, resource, field, value):
    bundle = course(store, "R4B")
    one = next(e["resource"] for e in bundle["entry"] if e["resource"]["resourceType"] == resource)
    one[field] = value
    assert errors_of(bundle, "R4B")


def measured(bundle: dict) -> dict:
    """An Observation with a value."""
    return next(
        e["resource"] for e in bundle["entry"]
        if "valueQuantity" in e["resource"] and e["resource"].get("component")
    )  # fmt: skip


def interval(bundle: dict) -> dict:
    return next(c["valueRange"] for c in measured(bundle)["component"] if "valueRange" in c)


@pytest.mark.parametrize(
    ("made", "change", "words"),
    [
        pytest.param("course", lambda b: measured(b).update(dataAbsentReason={"text": "x"}),
                     "obs-6", id="a value, and why there is none"),
        pytest.param(
            "course",
            lambda b: measured(b)["component"].append(
                {"code": measured(b)["code"], "valueString": "x"}
            ),
            "obs-7", id="a component with the observation's own code",
        ),
        pytest.param("course", lambda b: interval(b)["low"].update(value=500), "rng-2",
                     id="an interval from its upper end"),
        pytest.param("course", lambda b: measured(b)["valueQuantity"].pop("system"), "qty-3",
                     id="a unit of no system"),
        pytest.param("course", lambda b: b.update(total=1), "bdl-1", id="a total of no search"),
        pytest.param("course", lambda b: b["entry"].append(b["entry"][0]), "bdl-7",
                     id="one address twice"),
        pytest.param("course", lambda b: b["entry"].append({"fullUrl": "urn:uuid:1"}), "bdl-",
                     id="an entry of nothing"),
        pytest.param("course", lambda b: first(b, "Provenance").pop("agent"),
                     "Provenance.agent is missing", id="nobody did it"),
        pytest.param("course", lambda b: first(b, "Provenance").pop("text"), "dom-6",
                     id="no words"),
        pytest.param("course", lambda b: measured(b)["text"].update(div="<p>x</p>"), "txt-1",
                     id="words that are no XHTML"),
        pytest.param("course", lambda b: measured(b).update(status="done"), "'done'",
                     id="a status that the list has not"),
        pytest.param("course", lambda b: measured(b).update(knee=1), "no such element",
                     id="a field that there is not"),
        pytest.param("course", lambda b: measured(b).update(valueString="x"), "stand together",
                     id="two values"),
        pytest.param("course", lambda b: measured(b).update(issued="noon"), "form of a instant",
                     id="a time that is none"),
        pytest.param("course", lambda b: measured(b).update(id="a_b"), "form of a id",
                     id="an id with a sign that none may have"),
        pytest.param("course", lambda b: measured(b).update(subject=measured(b)["device"]) or
                     measured(b).update(device={"reference": b["entry"][0]["fullUrl"]}),
                     "may not name a Patient", id="a device that is a patient"),
        pytest.param("checks", lambda b: first(b, "DeviceMetric").update(category="x"), "'x'",
                     id="a category that the list has not"),
        pytest.param("checks", lambda b: first(b, "DeviceMetric").pop("type"),
                     "DeviceMetric.type is missing", id="a metric of what"),
        pytest.param("checks", lambda b: first(b, "DeviceMetric")["calibration"][0].update(
                     state="fine"), "'fine'", id="a state of calibration that the list has not"),
        pytest.param("checks", lambda b: first(b, "DeviceMetric")["calibration"][0].update(
                     type="bent"), "'bent'", id="a kind of calibration that the list has not"),
    ],
)  # fmt: skip
@pytest.mark.parametrize("release", RELEASES)
def test_hl7_s_definitions_do_see_what_is_wrong(store, made, change, words, release):
    bundle = MADE[made](store, release)
    del bundle["entry"][8:]  # as many as hold one of each
    change(bundle)
    assert any(words in said for _, said in issues_of(bundle, release))


@pytest.mark.parametrize("release", RELEASES)
def test_the_local_codes_are_a_code_system(release):
    made = code_system(version="1.2", release=release)
    assert errors_of({"resourceType": "Bundle", "type": "collection", "entry": [
        {"fullUrl": f"urn:uuid:{made['id']}", "resource": made}
    ]}, release) == []  # fmt: skip
    assert {one["code"] for one in made["concept"]} == set(CONCEPTS)
    assert made["url"] == LOCAL_SYSTEM


def first(bundle: dict, kind: str) -> dict:
    return next(e["resource"] for e in bundle["entry"] if e["resource"]["resourceType"] == kind)


@pytest.mark.parametrize("release", RELEASES)
def test_an_angle_says_all_that_belongs_to_it(store, release):
    """UCUM degrees, knee and side, method, device, ±, interval, display, and its source."""
    (row,) = [r for r in store.measurements(person="P-017") if r.corrects is not None]
    bundle = course(store, release)
    entries = {e["fullUrl"]: e["resource"] for e in bundle["entry"]}
    (one,) = [
        r for r in entries.values()
        if r["resourceType"] == "Observation" and r["identifier"][0]["value"] == row.id
    ]  # fmt: skip
    assert one["valueQuantity"] == {
        "value": round(row.flexion_deg, 3), "unit": "°",
        "system": "http://unitsofmeasure.org", "code": "deg",
    }  # fmt: skip
    assert one["status"] == "corrected"
    assert [c["code"] for c in one["bodySite"]["coding"]] == ["72696002", "knee-left"]
    assert one["method"]["text"] == "Photo, camera's direction from printed tags"
    assert entries[one["device"]["reference"]]["version"] == [{"value": row.software}]
    said = {part["code"]["coding"][-1]["code"]: part for part in one["component"]}
    assert said["displayed-angle"]["valueQuantity"]["value"] == 88
    assert said["standard-uncertainty"]["valueQuantity"]["value"] == round(row.u_deg, 3)
    ends = said["interval-95"]["valueRange"]
    assert (ends["low"]["value"], ends["high"]["value"]) == (
        round(row.low_deg, 3), round(row.high_deg, 3),
    )  # fmt: skip
    side = said["side"]["valueCodeableConcept"]["coding"]
    assert [c["code"] for c in side] == ["7771000", "side-left"]
    (source,) = [
        r for r in entries.values()
        if r["resourceType"] == "Provenance" and r["recorded"] == one["issued"]
        and entries[r["target"][0]["reference"]] is one
    ]  # fmt: skip
    assert [e["role"] for e in source["entity"]] == ["source", "revision"]
    assert source["entity"][0]["what"]["identifier"]["value"] == SHA
    assert source["agent"][1]["who"]["identifier"]["value"] == "ward 3"


def test_who_placed_the_points_is_told_by_a_code(store):
    said = [
        part["valueString"]
        for entry in course(store, "R4B")["entry"]
        for part in entry["resource"].get("component", ())
        if part["code"]["coding"][-1]["code"] == "rater"
    ]
    assert said == ["R1"]


@pytest.mark.parametrize("release", RELEASES)
def test_what_is_read_back_is_what_is_kept(store, release, tmp_path):
    """Every field of every row, at the decimals that are written; the photos' hashes too."""
    for name, bundle, kept in (
        ("course", course(store, release), [
            *store.measurements(person="P-017", all_rows=True),
            *store.visits(person="P-017", all_rows=True),
        ]),
        ("checks", checks(store, release), store.checks(all_rows=True)),
    ):  # fmt: skip
        path = tmp_path / f"{name}.json"
        path.write_text(json.dumps(bundle))
        read = read_bundle(path)
        by_id = {row.id: row for row in kept}
        found = compare(read, by_id)
        assert found.different == ()
        assert found.same == len(kept) == len(read.all)
        assert {row.id: row for row in read.all} == {i: as_handed_on(r) for i, r in by_id.items()}
        if name == "course":
            hashes = {SHA, *VISITED.values()}
            assert set(read.photos.values()) == hashes
            assert len(read.photos) == len(read.measurements)


def test_reading_back_asks_for_nothing_that_another_system_may_change(store):
    """Order, addresses, further fields and resources."""
    bundle = course(store, "R4B")
    text = json.dumps(bundle).replace("urn:uuid:", "https://fhir.example/R4B/x/")
    system = LOCAL_SYSTEM.replace("urn:uuid:", "https://fhir.example/R4B/x/")
    moved = json.loads(text.replace(system, LOCAL_SYSTEM))
    for entry in moved["entry"]:
        entry["resource"]["meta"] = {"versionId": "3"}
        for one in entry["resource"].get("identifier", ()):
            one["system"] = one["system"].replace("https://fhir.example/R4B/x/", "urn:uuid:")
        for agent in entry["resource"].get("agent", ()):
            if "identifier" in agent["who"]:
                mine = agent["who"]["identifier"]
                mine["system"] = mine["system"].replace("https://fhir.example/R4B/x/", "urn:uuid:")
    moved["entry"].reverse()
    moved["entry"].append(
        {"fullUrl": "https://fhir.example/1", "resource": {"resourceType": "Basic"}}
    )
    before = {row.id: row for row in rows_of(bundle).all}
    assert {row.id: row for row in rows_of(moved).all} == before


def test_a_row_that_differs_is_named_with_its_fields(store):
    rows = rows_of(course(store, "R5"))
    kept = {row.id: row for row in (*rows.measurements, *rows.visits)}
    changed, gone = rows.measurements[0], rows.measurements[1]
    kept[changed.id] = replace(changed, flexion_deg=changed.flexion_deg + 0.01, machine=None)
    del kept[gone.id]
    found = compare(rows, kept)
    assert dict(found.different) == {changed.id: ("machine", "flexion_deg"), gone.id: ()}
    assert found.same == len(rows.all) - 2


def without(bundle: dict, kind: str) -> dict:
    """The bundle after a system has lost one observation of a kind."""
    lost = next(
        e for e in bundle["entry"]
        if e["resource"]["resourceType"] == "Observation"
        and e["resource"]["code"]["coding"][-1]["code"] == kind
        and e["resource"]["status"] != "entered-in-error"
    )  # fmt: skip
    kept = [e for e in bundle["entry"] if lost["fullUrl"] not in json.dumps(e)]
    return {**bundle, "entry": kept}


@pytest.mark.parametrize(
    ("made", "kind"), [("course", "passive-knee-flexion"), ("checks", "display-check")]
)
def test_a_row_that_was_lost_on_the_way_is_missed(store, made, kind):
    """One that was kept after the bundle was written is not, nor one of somebody else."""
    later = (NOON + timedelta(seconds=1)).isoformat()
    bundle = {**MADE[made](store, "R5"), "timestamp": later}
    kept = {
        row.id: row
        for row in (
            *store.measurements(all_rows=True), *store.visits(all_rows=True),
            *store.checks(all_rows=True),
        )
    }  # fmt: skip
    whole = rows_of(bundle)
    assert compare(whole, kept).missing == ()
    found = compare(rows_of(without(bundle, kind)), kept).missing
    assert found
    assert set(found) <= {row.id for row in whole.all}
    earlier = {**without(bundle, kind), "timestamp": (NOON - timedelta(days=9)).isoformat()}
    assert compare(rows_of(earlier), kept).missing == ()


def test_every_field_of_a_row_is_handed_on_or_left_out_by_name():
    """A field that is added to a kept row has to be decided about here."""
    from knee_angle.store import KeptCheck, KeptKnee, KeptMeasurement, KeptVisit
    from knee_angle.store.exchange.fhir.parts import CHECK, JOINT, MEASURED, VISIT

    always = {
        "id", "taken_at", "saved_at", "who", "corrects", "corrected_by", "withdrawn", "software",
        "person", "machine",
    }  # fmt: skip
    for kind, parts, others in (
        (KeptMeasurement, MEASURED, {"plane", "flexion_deg", "setup", "has_photo"}),
        (KeptVisit, VISIT, {"knees"}),
        (KeptCheck, CHECK, set()),
    ):
        written = {name for part in parts for name in part.fields if "." not in name}
        assert {one.name for one in fields(kind)} == written | always | others
    knee = {name for part in JOINT for name in part.fields}
    assert {one.name for one in fields(KeptKnee)} == knee | {"measurements", "deg"}
    setup = {n.removeprefix("setup.") for p in MEASURED for n in p.fields if "setup." in n}
    assert setup == {one.name for one in fields(SetUp)}


@pytest.mark.parametrize(
    ("bundle", "words"),
    [
        pytest.param("{", "no JSON", id="torn"),
        pytest.param('{"resourceType": "Patient"}', "no FHIR Bundle", id="another resource"),
        pytest.param("[]", "no FHIR Bundle", id="a list"),
        pytest.param(
            '{"resourceType": "Bundle", "entry": [{"resource": {}}]}', "fullUrl", id="no address"
        ),
    ],
)
def test_what_cannot_be_read_back_is_said_in_a_line(bundle, words, tmp_path):
    path = tmp_path / "b.json"
    path.write_text(bundle)
    with pytest.raises(InvalidInput, match=words) as caught:
        read_bundle(path)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("gone", ["device", "identifier", "effectiveDateTime", "code", "method"])
def test_an_angle_that_lost_a_part_is_refused(store, gone):
    bundle = course(store, "R4B")
    del first(bundle, "Observation")[gone]
    path_of = json.dumps(bundle)
    with pytest.raises((InvalidInput, KeyError)):
        rows_of(json.loads(path_of))


# Codes --------------------------------------------------------------------------------


def test_no_loinc_code_of_active_motion_is_written(store):
    """41343-5, 41345-0, 41347-6 and 41349-2 are of active range of motion (facts, section 8)."""
    text = json.dumps([course(store, "R4B"), checks(store, "R5")])
    assert "loinc" not in text
    assert not [code for code in ("41343", "41345", "41347", "41349") if code in text]


def test_a_site_s_code_stands_first_and_the_local_one_beside_it(store, tmp_path):
    path = tmp_path / "codes.toml"
    path.write_text(
        f'[passive-knee-flexion]\nsystem = "urn:oid:2.25.1"\ncode = "{LONG}"\n'
        f'display = "{LONG} ± \\" <b>"\n'
    )
    codes = read_codes(path)
    for release in RELEASES:
        bundle = course(store, release, codes)
        assert errors_of(bundle, release) == []
        (one, *_) = [
            e["resource"]["code"]["coding"] for e in bundle["entry"]
            if "passive-knee-flexion" in json.dumps(e["resource"].get("code", {}))
        ]  # fmt: skip
        assert [c["code"] for c in one] == [LONG, "passive-knee-flexion"]
        assert rows_of(bundle) == rows_of(course(store, release))


@pytest.mark.parametrize(
    ("table", "words"),
    [
        pytest.param("[knee", "no TOML", id="no TOML"),
        pytest.param("a = " + "9" * 5000, "no TOML", id="a number without end"),
        pytest.param("a = " + "[" * 5000, "no TOML", id="nested without end"),
        pytest.param("[elbow]\nsystem = 'a:b'\ncode = '1'\ndisplay = 'x'", "'elbow'", id="unknown"),
        pytest.param(
            "[arc]\nsystem = 'a:b'\ncode = '1'", "system, code and display", id="no display"
        ),
        pytest.param("[arc]\nsystem = 'a:b'\ncode = 1\ndisplay = 'x'", "code must be", id="number"),
        pytest.param(
            "[arc]\nsystem = 'a:b'\ncode = ' '\ndisplay = 'x'", "code must be", id="blank"
        ),
        pytest.param("[arc]\nsystem = 'loinc'\ncode = '1'\ndisplay = 'x'", "a URI", id="no URI"),
        pytest.param("[arc]\nsystem = 'a:b'\ncode = '1  2'\ndisplay = 'x'", "spaces", id="spaces"),
        pytest.param(
            "[arc]\nsystem = 'a:b'\ncode = '1'\ndisplay = 'x'\nscheme = '99WARD-NUMBER-4567'",
            "16 signs",
            id="a scheme that DICOM cannot hold",
        ),
        pytest.param(
            "[arc]\nsystem = 'a:b'\ncode = '1'\ndisplay = 'x'\n"
            "[arc-u]\nsystem = 'a:b'\ncode = '1'\ndisplay = 'y'",
            "arc and arc-u have one code",
            id="one code for two: nobody could tell them apart",
        ),
        pytest.param(
            f"[arc]\nsystem = '{LOCAL_SYSTEM}'\ncode = '1'\ndisplay = 'x'", "local", id="ours"
        ),
    ],
)
def test_a_table_of_codes_that_cannot_be_meant_is_refused(table, words, tmp_path):
    path = tmp_path / "codes.toml"
    path.write_text(table)
    with pytest.raises(InvalidInput, match=words):
        read_codes(path)


def test_the_table_that_is_written_is_read_again(tmp_path):
    path = tmp_path / "codes.toml"
    path.write_text(table_of(Codes()))
    assert [one.code for one in read_codes(path).of("side-left")] == ["7771000", "side-left"]
    head = path.read_text().partition("[")[0]
    assert "ACTIVE" in head
    assert all(code in head for code in ("41343-5", "41345-0", "41347-6", "41349-2"))
    mine = Codes({"arc": Coding("urn:oid:2.25.1", 'A"\\', "Arc ± β", "99WARD")})
    path.write_text(table_of(mine))
    assert read_codes(path).own["arc"] == mine.own["arc"]
    assert all(f"[{name}]" in table_of(mine) for name in CONCEPTS)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        pytest.param(
            lambda b: first(b, "Observation").update(status="done"), "'done'", id="a status"
        ),
        pytest.param(lambda b: b.update(type="pile"), "'pile'", id="a type of bundle"),
        pytest.param(
            lambda b: first(b, "Provenance").update(
                entity=[{"role": "cause", "what": {"display": "x"}}]
            ),
            "'cause'",
            id="a role, deep within",
        ),
        pytest.param(
            lambda b: first(b, "Observation")["valueQuantity"].update(code="degree"),
            "'degree'",
            id="a unit",
        ),
        pytest.param(
            lambda b: first(b, "Observation")["code"]["coding"][-1].update(code="elbow"),
            "'elbow'",
            id="a local code",
        ),
        pytest.param(
            lambda b: first(b, "Observation").update(subject={"reference": "urn:uuid:1"}),
            "urn:uuid:1",
            id="a reference",
        ),
        pytest.param(lambda b: b["entry"].append(b["entry"][0]), "one address", id="twice"),
        pytest.param(
            lambda b: first(b, "Observation")["category"][0]["coding"][0].update(code="knee"),
            "'knee'",
            id="a category",
        ),
        pytest.param(
            lambda b: first(b, "Provenance")["agent"][0]["type"]["coding"][0].update(code="maker"),
            "'maker'",
            id="a part that somebody had",
        ),
    ],
)
@pytest.mark.parametrize("release", RELEASES)
def test_what_the_library_does_not_check_is_checked(store, change, words, release):
    bundle = course(store, release)
    change(bundle)
    model = model_of("Bundle", release).model_validate(bundle)  # the library says nothing
    assert words in "; ".join(problems_of(model, bundle))


# What must not leave, and the commands ------------------------------------------------


def test_nothing_of_another_person_and_no_file_name_leaves(store):
    for release in RELEASES:
        text = json.dumps([course(store, release), checks(store, release)])
        assert "P-018" not in text
        assert "Ada" not in text
        assert "P-017" not in json.dumps(checks(store, release))


def test_a_check_never_says_that_a_machine_is_calibrated(store):
    """Proven off asks for calibration; anything else leaves the state unspecified."""
    (row, _) = store.checks(machine="M-03", all_rows=True)
    for verdict, against, state in (
        ("within", "frame", "unspecified"),
        ("undecided", "frame", "unspecified"),
        ("outside", "knee", "unspecified"),
        ("outside", "frame", "calibration-required"),
    ):
        check = replace(row, verdict=verdict, against=against, corrected_by=None)
        made = bundle_of_checks("M-03", (check,), {}, release="R4B", codes=Codes(), at=NOON)
        assert first(made, "DeviceMetric")["calibration"] == [
            {"type": "unspecified", "state": state}  # its time would be that of a calibration
        ]


@pytest.mark.parametrize("release", RELEASES)
def test_a_check_at_one_place_hands_on_no_offset_and_no_gain(store, release):
    """They cannot be told from it, and are told nowhere else either."""
    (row, _) = store.checks(machine="M-03", all_rows=True)
    line = {"offset", "gain", "line-covariance"}
    for cov, told in ((row.cov, line), ((9.0, -0.5, 4.0), set())):
        check = replace(row, cov=cov, corrected_by=None)
        assert check.at_one_place == (not told)
        made = bundle_of_checks("M-03", (check,), {}, release=release, codes=Codes(), at=NOON)
        parts = first(made, "Observation")["component"]
        assert {p["code"]["coding"][-1]["code"] for p in parts} & line == told
        assert compare(rows_of(made), {check.id: check}).different == ()
        assert errors_of(made, release) == []


@pytest.mark.parametrize("release", RELEASES)
def test_a_check_holds_what_the_display_showed_at_each_setting(store, release):
    """The number is the metric's own; beside it what it was held against, and its ±."""
    entries = {e["fullUrl"]: e["resource"] for e in checks(store, release)["entry"]}
    (check, *_) = store.checks(machine="M-03")
    (line, _) = store.check(check.id).result.line_judged
    (whole,) = [
        one for one in entries.values()
        if one.get("identifier", [{}])[0].get("value") == check.id
    ]  # fmt: skip
    members = [entries[one["reference"]] for one in whole["hasMember"]]
    assert [one["valueQuantity"]["value"] for one in members] == [round(y, 3) for y in line.y]
    for one, x, cov in zip(members, line.x, line.cov_x, strict=True):
        parts = {p["code"]["coding"][-1]["code"]: p for p in one["component"]}
        held = parts[f"against-{check.against}"]["valueQuantity"]
        assert held == {
            "value": round(x, 3), "unit": "°", "system": "http://unitsofmeasure.org", "code": "deg",
        }  # fmt: skip
        at = members.index(one)
        u_deg = parts["standard-uncertainty"]["valueQuantity"]["value"]
        assert u_deg == round(math.sqrt(cov[at]), 3)
        assert entries[one["device"]["reference"]]["resourceType"] == "DeviceMetric"
        assert entries[one["subject"]["reference"]]["resourceType"] == "Device"
        assert one["status"] == whole["status"]


@pytest.fixture
def here(store) -> str:
    return str(store.engine.url)


def called(*arguments: str, here: str = "", fails: bool = False):
    done = CliRunner().invoke(app, [*arguments, *(["--store", here] if here else [])])
    assert fails == (done.exit_code != 0), done.output + repr(done.exception)
    return done


@pytest.mark.parametrize("release", RELEASES)
def test_the_commands_write_and_compare(here, release, tmp_path):
    for what in (("--person", "p-017"), ("--machine", "M-03")):
        out = tmp_path / f"{what[1]}.json"
        called("export", "fhir", str(out), *what, "--release", release, "--all", here=here)
        assert errors_of(json.loads(out.read_text()), release) == []
        said = called("export", "compare", str(out), here=here).output
        assert said.endswith(" rows equal, 0 differ\n")
        assert not said.startswith("0 ")
    assert out.stat().st_mode & 0o777 == 0o600


def test_the_command_says_which_row_was_lost(here, store, tmp_path):
    out = tmp_path / "c.json"
    bundle = without(course(store, "R4B"), "passive-knee-flexion")
    out.write_text(json.dumps(bundle))
    said = called("export", "compare", str(out), here=here, fails=True).output
    (gone, *_) = compare(rows_of(bundle), {m.id: m for m in store.measurements()}).missing
    assert f"{gone}: not in the bundle" in said.splitlines()


def test_only_what_stands_is_written_unless_all_is_asked_for(here, tmp_path):
    out = tmp_path / "c.json"
    called("export", "fhir", str(out), "--person", "P-017", here=here)
    states = {
        one["resource"].get("status") for one in json.loads(out.read_text())["entry"]
        if one["resource"]["resourceType"] == "Observation"
    }  # fmt: skip
    assert states == {"final", "corrected"}


def test_an_export_stands_in_the_audit_trail_without_its_file_name(store, here, tmp_path):
    called("export", "fhir", str(tmp_path / "Ada.json"), "--person", "P-017", here=here)
    line = store.audit()[0]
    assert line.what == "export"
    assert line.about == "FHIR R4B: P-017, 5 measurements, 1 visit"


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        pytest.param((), "--person CODE", id="nobody named"),
        pytest.param(("--person", "P-017", "--machine", "M-03"), "--person CODE", id="both"),
        pytest.param(("--person", "P-999"), "no patient P-999", id="unknown person"),
        pytest.param(("--machine", "M-99"), "no machine M-99", id="unknown machine"),
    ],
)
def test_a_call_that_cannot_be_meant_is_refused(here, arguments, words, tmp_path):
    done = called("export", "fhir", str(tmp_path / "x"), *arguments, here=here, fails=True)
    assert words in str(done.exception)
    assert not (tmp_path / "x").exists()


def test_a_file_that_is_there_is_not_overwritten(here, tmp_path):
    out = tmp_path / "x"
    out.write_text("mine")
    done = called("export", "fhir", str(out), "--person", "P-017", here=here, fails=True)
    assert "name a new file" in str(done.exception)
    assert out.read_text() == "mine"


def test_codes_and_code_system_are_written(tmp_path):
    called("export", "codes", str(tmp_path / "c.toml"))
    called("export", "code-system", str(tmp_path / "s.json"), "--release", "R5")
    assert read_codes(tmp_path / "c.toml").own
    assert json.loads((tmp_path / "s.json").read_text())["resourceType"] == "CodeSystem"


def test_without_the_extra_its_name_is_said(store, monkeypatch):
    for name in [one for one in sys.modules if one.startswith("fhir.resources")]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.setitem(sys.modules, "fhir.resources", None)
    with pytest.raises(InvalidInput, match=r"pip install 'knee-angle\[fhir\]'"):
        made_course(store, "R4B", LOCAL)


def _without(bundle: dict, kind: str, field: str) -> str:
    first(bundle, kind)[field] = []
    return json.dumps(bundle)


@pytest.mark.parametrize(
    "spoilt",
    [
        pytest.param(
            lambda bundle: _without(bundle, "Observation", "identifier"), id="no row's name"
        ),
        pytest.param(
            lambda bundle: _without(bundle, "Provenance", "agent"), id="nobody who kept it"
        ),
        pytest.param(lambda _: "[" * 100_000, id="nested without end"),
        pytest.param(
            lambda bundle: re.sub(
                r'"\d{4}-[0-9-]{5}T[^"]*"', '"0001-01-01T00:00:00+14:00"', json.dumps(bundle)
            ),
            id="before year 1",
        ),
    ],
)
def test_a_spoilt_bundle_is_refused_in_words(store, spoilt, tmp_path):
    path = tmp_path / "spoilt.json"
    path.write_text(spoilt(json.loads(json.dumps(course(store, "R4B")))))
    with pytest.raises(InvalidInput, match=r"spoilt\.json (cannot be read back|is no JSON)"):
        read_bundle(path)
