"""Before and after adjusting in one visit: one leg, two geometries, and what changed."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from bench.bench_adjusted import adjusted_visits
from called import called
from conftest import SAMPLES
from drawn_visits import Body, Shot, visit
from stores import SETTINGS, as_measured

from knee_angle import pipeline
from knee_angle.cli.visit import _shots
from knee_angle.errors import InvalidInput
from knee_angle.machine.answer import VisitAnswer, answer_visit
from knee_angle.records import NotMeasured
from knee_angle.report.changed_words import NOTHING_TO_COMPARE, PUT_BACK, changed_lines
from knee_angle.report.visit_contract import visit_as_json
from knee_angle.report.visit_words import first_lines
from knee_angle.settings import Settings
from knee_angle.store import PhotoToKeep, SetUp, new_id, open_store
from knee_angle.store.following import readings_of
from knee_angle.visit import estimate_visit

ENDS = (15.0, 90.0)
Offs = tuple[float, float]


def shots(
    before: Offs, after: Offs, *, hinge: tuple[Offs, Offs] = ((0.0, 0.0), (0.0, 0.0))
) -> list[Shot]:
    """Both ends before and after; how far the bars stand past the knee at each."""
    return [
        Shot(
            f"{when}-{end:g}", f"{end:g}{when}", end - off, frame_deg=end, displayed_deg=end,
            adjusted=times, hinge_mm=hinge[times],
        )
        for times, (when, offs) in enumerate((("before", before), ("after", after)))
        for end, off in zip(ENDS, offs, strict=True)
    ]  # fmt: skip


def answered(
    drawn: Sequence[Shot], settings: Settings | None = None, *, judge: bool = False
) -> VisitAnswer:
    rng = np.random.default_rng(5)
    found = answer_visit(visit(Body(), drawn), settings or Settings(), rng=rng, judge=judge)
    assert isinstance(found, VisitAnswer)
    return found


BETTER = shots((6.0, 12.0), (0.0, 1.0), hinge=((40.0, -15.0), (5.0, -15.0)))


# The joint model


def test_the_hinge_is_where_it_was_before_and_where_it_is_now():
    found = answered(BETTER).estimate
    seen = {one.name: one for one in found.settings}
    assert [one.adjusted for one in found.settings] == [0, 0, 1, 1]
    for name in ("15before", "90before"):
        assert seen[name].distal.value == pytest.approx(40.0, abs=2.0)
    for name in ("15after", "90after"):
        assert seen[name].distal.value == pytest.approx(5.0, abs=2.0)


def test_leg_and_marks_are_one_so_a_change_is_known_better_than_either_end():
    (_, change) = answered(BETTER).changes
    apart = change.apart
    alone = math.hypot(apart.before.u, apart.after.u)
    assert apart.change.u < 0.6 * alone
    assert change.distal.change.u < 0.6 * math.hypot(change.distal.before.u, change.distal.after.u)


def test_tags_may_sit_on_the_part_that_moved():
    """Their distance to the hinge is new after adjusting: still one leg, and the right hinge."""
    drawn = [
        replace(
            one, bar_tags=True,
            tag_from_hinge_mm=(150.0, 150.0) if one.adjusted == 0 else (190.0, 150.0),
        )
        for one in BETTER
    ]  # fmt: skip
    found = answered(drawn)
    assert found.estimate.p_value > 0.05
    change = found.changes[-1].distal.change
    assert change.interval[0] <= -35.0 <= change.interval[1]


def test_a_setting_is_of_one_geometry():
    mixed = [replace(one, setting="same") for one in (BETTER[1], BETTER[3])]
    found = estimate_visit(visit(Body(), mixed), rng=np.random.default_rng(1))
    assert isinstance(found, NotMeasured)
    assert "setting same has photos from before and after adjusting" in found.reason


def test_the_same_number_after_adjusting_is_another_place():
    first, second = (pipeline.Shot("a", "90", 90.0, times) for times in (0, 1))
    assert (first.place, second.place) == ("90", "90 (adjusted)")
    assert pipeline.Shot("a", "90", 90.0, 2).place == "90 (adjusted 2 times)"


def test_the_machine_is_judged_as_it_stands_now():
    was, now, anew = (answered(one, judge=True) for one in (BETTER[:2], BETTER, BETTER[2:]))
    assert was.machine.kind == "fit"
    assert now.machine.kind == anew.machine.kind != "fit"


def test_arc_and_what_a_knee_lacks_are_of_now():
    found = answered(BETTER, Settings(limit_extension_deg=0.0))
    assert found.arc.value == pytest.approx(74.0, abs=1.0)
    assert [one.estimate.name for one in found.now] == ["15after", "90after"]


# What changed


@pytest.mark.parametrize(
    ("before", "after", "way", "said"),
    [
        pytest.param((6.0, 12.0), (0.0, 1.0), "closer",
                     "display and knee 12° apart before, 1° now: closer by 11°", id="closer"),
        pytest.param((0.0, 1.0), (6.0, 12.0), "further",
                     "display and knee 1° apart before, 12° now: further apart by 11°",
                     id="further: what was moved goes back"),
        pytest.param((-12.0, -12.0), (3.0, 3.0), "closer", "12° apart before, 3° now: closer",
                     id="closer from the other side"),
        pytest.param((6.0, 6.0), (6.0, 6.0), "not shown", "no change is proven",
                     id="nothing was gained"),
    ],
)  # fmt: skip
def test_the_answer_says_what_the_adjusting_changed(before, after, way, said):
    found = answered(shots(before, after))
    flexed = found.changes[-1]
    assert (flexed.before, flexed.after, flexed.way) == ("90before", "90after", way)
    line = changed_lines(found)[-1]
    assert line.startswith("at 90°: knee ")
    assert said in line
    assert (PUT_BACK in line) == (way == "further")
    assert [one for one in first_lines(found) if one.startswith("CHANGED")] == [
        f"CHANGED {told}" for told in changed_lines(found)
    ]


def test_where_the_hinge_went_is_said_as_far_as_it_is_proven():
    moved, same = answered(BETTER), answered(shots((6.0, 6.0), (6.0, 6.0)))
    assert "hinge 35 mm towards the hip (" in changed_lines(moved)[-1]
    assert "no move of the hinge is proven" in changed_lines(same)[-1]


def test_without_numbers_bars_and_knee_are_compared():
    found = answered([replace(one, displayed_deg=None) for one in BETTER])
    assert "bars and knee 12° apart before, 1° now: closer" in changed_lines(found)[-1]


def test_without_a_place_in_common_that_is_said():
    found = answered([BETTER[0], BETTER[3]])
    assert found.changes == ()
    assert changed_lines(found) == [NOTHING_TO_COMPARE]
    assert changed_lines(answered(BETTER[:2])) == []


def test_a_camera_that_was_not_seen_proves_no_change():
    drawn = [replace(one, plane="image", source="manual") for one in BETTER]
    assert {one.way for one in answered(drawn).changes} == {"not shown"}


def test_the_json_holds_every_change():
    told = visit_as_json(answered(BETTER), version="0")
    assert [one["adjusted"] for one in told["settings"]] == [0, 0, 1, 1]
    flexed = told["changes"][-1]
    assert (flexed["before"], flexed["after"], flexed["way"]) == ("90before", "90after", "closer")
    assert flexed["apart_deg"]["change"]["value"] == pytest.approx(-11.0, abs=1.0)
    assert flexed["hinge_distal_mm"]["after"]["value"] == pytest.approx(5.0, abs=2.0)


def test_a_limit_passed_before_adjusting_is_still_said_and_now_stands_first():
    drawn = shots((0.0, -20.0), (0.0, 5.0))
    found = answered(drawn, Settings(limit_flexion_deg=100.0, limit_extension_deg=0.0))
    limit = first_lines(found)[0]
    assert "display inside · knee inside (proven). Before adjusting: the knee is PAST" in limit
    assert found.standing == "past"


@pytest.mark.parametrize(
    ("adjusted", "said"),
    [
        ((0, 0, 1, 1), ["before adjusting"] * 2 + ["adjusted"] * 2),
        ((0, 0, 1, 2), ["before adjusting"] * 2 + ["adjusted, 1 of 2", "adjusted, 2 of 2"]),
    ],
)
def test_every_knee_says_when_it_was_measured(adjusted, said):
    drawn = [replace(one, adjusted=n) for one, n in zip(BETTER, adjusted, strict=True)]
    knees = [one for one in first_lines(answered(drawn)) if one.startswith("KNEE")]
    assert [one.rpartition("    ")[2] for one in knees] == said


def test_changes_of_drawn_visits_hold():
    """Small; `tests/bench/bench_adjusted.py` does it at full size."""
    told = adjusted_visits(6, seed=3)
    assert told["apart"] + told["distal"] + told["anterior"] >= 3 * 6 - 3, told
    assert told["said wrongly"] == 0


# By command, and kept


def table(folder: Path, *rows: str) -> Path:
    path = folder / "shown.csv"
    path.write_text("\n".join(("photo,displayed_deg,setting,adjusted", *rows)) + "\n")
    return path


def test_the_table_says_which_photos_are_from_after(tmp_path):
    photos = [Path(name) for name in ("a.jpg", "b.jpg", "c.jpg", "d.jpg")]
    path = table(tmp_path, "a.jpg,90,,", "b.jpg,90,end,before", "c.jpg,90,,after", "d.jpg,,end,3")
    found = _shots(photos, path, "flexion")
    assert [(one.adjusted, one.displayed_deg) for one in found] == [
        (0, 90.0), (0, 90.0), (1, 90.0), (2, None),
    ]  # fmt: skip
    assert len({one.place for one in found}) == 4


def test_photos_all_from_after_are_one_geometry(tmp_path):
    path = table(tmp_path, "a.jpg,90,,after", "b.jpg,20,,after")
    found = _shots([Path("a.jpg"), Path("b.jpg")], path, "flexion")
    assert [one.adjusted for one in found] == [0, 0]


@pytest.mark.parametrize("word", ["maybe", "-1", "12", "1.5"])
def test_another_word_is_refused(tmp_path, word):
    with pytest.raises(InvalidInput, match=r"adjusted of a\.jpg must be before, after or"):
        _shots([Path("a.jpg")], table(tmp_path, f"a.jpg,90,,{word}"), "flexion")


def test_the_command_says_what_changed(tmp_path, monkeypatch):
    drawn = {f"{n}.jpg": one for n, one in enumerate(visit(Body(), BETTER))}
    monkeypatch.setattr(
        "knee_angle.cli.visit.measured",
        lambda photos, **_: [(photo, replace(as_measured(drawn[photo.name]), photo=photo.name))
                             for photo in photos],
    )  # fmt: skip
    photos = []
    for name in drawn:
        (tmp_path / name).write_bytes((SAMPLES / "bed_01.jpg").read_bytes())
        photos.append(str(tmp_path / name))
    path = table(
        tmp_path, "0.jpg,15,,before", "1.jpg,90,,before", "2.jpg,15,,after", "3.jpg,90,,after"
    )
    done = called("visit", *photos, "--table", path)
    assert "CHANGED at 90°: knee 78° before, 89° now; display and knee 12° apart" in done.stdout
    assert "90 (adjusted)" in done.stdout


def test_a_kept_visit_keeps_when_it_was_adjusted_and_a_course_pools_nothing(tmp_path):
    photos = visit(Body(), BETTER)
    hashes = {one.name: f"{n:064x}" for n, one in enumerate(photos, 1)}
    found = {one.name: replace(as_measured(one), photo_sha256=hashes[one.name]) for one in photos}
    answer = answer_visit(
        photos, SETTINGS, rng=np.random.default_rng(3), outcomes=tuple(found.items())
    )
    kept = [PhotoToKeep(one.name, found[one.name], SetUp(adjusted=one.adjusted)) for one in photos]
    with open_store(tmp_path / "kept.db") as store:
        store.add_person("P-017")
        visit_id = new_id()
        store.save_visit(answer, kept, visit_id=visit_id, settings=SETTINGS, person="P-017")
        (row,) = store.visits(person="P-017")
        rows = store.measurements(person="P-017")
        told = store.visit(visit_id)
    assert [knee.adjusted for knee in row.knees] == [0, 0, 1, 1]
    assert sorted(one.setup.adjusted for one in rows) == [0, 0, 1, 1]
    assert told.contract["changes"][-1]["way"] == "closer"
    for visits in ([row], []):  # together, and each photo by itself
        names = [(one.setting, one.displayed_deg) for one in readings_of(rows, visits)]
        assert len(set(names)) == 4, names
