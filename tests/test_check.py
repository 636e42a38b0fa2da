"""Several photos of one machine: the true offset, gain and cause come back."""

from __future__ import annotations

import functools
import hashlib
import json
import re

import pytest
from called import called
from conftest import SAMPLES
from remembered import look_once

from knee_angle.angle.bars import tags_shared_u_deg
from knee_angle.cli.samples import sample_rows
from knee_angle.landmarks.dots import DotDetector
from knee_angle.machine.check import check_machine
from knee_angle.pipeline import measure
from knee_angle.records import LEG_POINTS, MACHINE_POINTS, Measurement, NotMeasured, Unreadable
from knee_angle.report.check_words import check_text
from knee_angle.settings import Settings
from knee_angle.store import open_store

DOTS = DotDetector()


@pytest.fixture(autouse=True)
def same_photos(monkeypatch):
    look_once(monkeypatch)


_, DISPLAYED, _ = sample_rows(SAMPLES)


@functools.cache
def series(letter: str) -> dict[str, object]:
    return {
        p.name: measure(p, detectors=(DOTS,), displayed_deg=shown)
        for p, shown in DISPLAYED.items()
        if p.name.startswith(f"series_{letter}_")
    }


@pytest.mark.parametrize(
    ("letter", "offset", "gain", "distal_mm", "kind"),
    [  # in both series the hinge lies behind the knee: 40 to 50 mm
        pytest.param("a", 5.0, 1.04, -2.0, "both", id="a drifted sensor"),
        pytest.param("b", 0.0, 1.0, 45.0, "fit", id="a hinge 45 mm too far distal"),
    ],
)
def test_the_machines_truth_is_recovered(letter, offset, gain, distal_mm, kind):
    result = check_machine(series(letter), Settings())
    assert result.kind == kind
    assert result.judged.display.holds(offset_deg=offset, gain=gain)
    assert abs(result.hinge.mm - distal_mm) <= 1.96 * result.hinge.u_mm
    assert result.outliers == ()
    assert result.left_out == ()


def test_a_fit_fault_says_which_way_and_how_far():
    text = check_text(check_machine(series("b"), Settings()), Settings())
    assert text.splitlines()[0] == "Finding: fit warning: hinge and knee do not coincide"
    assert re.search(r"  The hinge lies \d+ ± \d+ mm towards the foot of the knee and", text)
    assert re.search(r"hinge along the thigh: \d+ ± \d+ mm distal of the knee \(tolerance 25", text)
    assert re.search(r"hinge across the thigh: \d+ ± \d+ mm posterior of the knee \(tol", text)
    assert re.search(r"slack of the leg .*: [+-−]\d", text)
    assert "no reason to set more motion than was prescribed" in text


def without_machine(outcome: Measurement) -> Measurement:
    from dataclasses import replace

    points = {name: outcome.leg.points[name] for name in LEG_POINTS}
    return replace(outcome, machine=None, leg=replace(outcome.leg, points=points))


def test_knee_only_series_are_answered_but_not_separable():
    """The knee lags by 12 degrees: more than 8 is proven, more than 10 not, as skin slides."""
    bare = {name: without_machine(m) for name, m in series("b").items()}
    result = check_machine(bare, Settings())
    assert result.kind == "not_separable"
    assert result.reading is None
    assert result.knee_verdict.verdict == "undecided"
    closer = check_machine(bare, Settings(tolerance_deg=8.0))
    assert closer.knee_verdict.verdict == "outside"
    low, high = result.arc.interval
    assert low < result.arc.ratio < high < 1.0
    assert "photograph again with dots on the machine's thigh bar" in result.advice


def guessed_machine(outcome: Measurement) -> Measurement:
    """The same photo, its bars seen by the network alone."""
    from dataclasses import replace

    machine = replace(outcome.machine, frame=replace(outcome.machine.frame, source="network"))
    points = {
        name: replace(point, source="network") if name in MACHINE_POINTS else point
        for name, point in outcome.leg.points.items()
    }
    return replace(outcome, machine=machine, leg=replace(outcome.leg, points=points))


@pytest.mark.parametrize("letter", ["a", "b"])
def test_bars_that_a_network_guessed_accuse_neither_display_nor_fit(letter):
    guessed = {name: guessed_machine(one) for name, one in series(letter).items()}
    result = check_machine(guessed, Settings())
    assert result.kind == "not_separable"
    assert result.reading is None


def test_photos_without_a_number_or_an_angle_are_named():
    outcomes = {
        **series("a"),
        "blank.jpg": NotMeasured("no dots", "stick dots"),
        "empty.jpg": Unreadable("it is empty"),
        "late.jpg": measure(SAMPLES / "series_a_1.jpg", detectors=(DOTS,)),
    }
    result = check_machine(outcomes, Settings())
    assert dict(result.left_out) == {
        "blank.jpg": "no dots",
        "empty.jpg": "it is empty",
        "late.jpg": "no displayed number was given",
    }


def test_two_photos_are_too_few():
    few = dict(list(series("a").items())[:2])
    refused = check_machine(few, Settings())
    assert isinstance(refused, NotMeasured)
    assert "at least 3 photos" in refused.reason


def test_an_outlier_is_named_and_kept():
    from dataclasses import replace

    from knee_angle.records import Displayed

    name = "series_a_4.jpg"
    moved = replace(series("a")[name], displayed=Displayed(series("a")[name].displayed.deg + 12))
    result = check_machine({**series("a"), name: moved}, Settings())
    assert result.outliers == (name,)
    assert name in result.photos


def test_the_command_checks_a_machine_and_keeps_it_with_its_pictures(tmp_path):
    photos = sorted(SAMPLES.glob("series_a_*.jpg"))
    where = ("--store", tmp_path / "a.db")
    call = (
        "check", *photos, "--table", SAMPLES / "displayed.csv", "--format", "json",
        "--keep", "--keep-pictures", "--machine", "M-03", *where,
    )  # fmt: skip
    called("store", "machine", "M-04", *where)
    unknown = called(*call)
    assert (unknown.returncode, unknown.stdout) == (2, "")
    assert "the store knows no machine M-03: add it first" in unknown.stderr
    called("store", "machine", "M-03", *where)
    done = called(*call)
    row = json.loads(done.stdout)
    assert (done.returncode, row["finding"]) == (0, "both")
    assert row["displayed_against_frame"]["offset_deg"] == pytest.approx(5.0, abs=1.0)
    with open_store(tmp_path / "a.db") as store:
        (kept,) = store.checks(machine="M-03")
        assert (kept.finding, kept.photos) == ("both", 6)
        assert sorted(store.check_pictures(kept.id)) == [f"photo {n}" for n in range(1, 7)]
        hashes = store.check(kept.id).photo_sha256
    row = kept.id[:12]
    told = f"kept as {row}; its paper: knee-angle report machine OUT.pdf --machine M-03 --row {row}"
    assert told in done.stderr
    assert hashes["photo 1"] == hashlib.sha256(photos[0].read_bytes()).hexdigest()
    paper = called("report", "machine", tmp_path / "m.html", "--machine", "M-03", *where)
    assert paper.returncode == 0
    assert "photo not kept" not in (tmp_path / "m.html").read_text()


@pytest.mark.parametrize(
    ("more", "said"),
    [
        pytest.param(("--keep",), "--keep needs the machine's code", id="no machine"),
        pytest.param(("--keep-pictures",), "--keep-pictures needs --keep", id="nothing kept"),
    ],
)  # fmt: skip
def test_a_check_that_could_not_be_kept_is_refused_before_a_photo_is_read(more, said):
    done = called("check", SAMPLES / "none.jpg", *more)
    assert (done.returncode, done.stdout) == (2, "")
    assert said in done.stderr


def test_the_command_without_numbers_says_what_is_missing():
    done = called("check", *sorted(SAMPLES.glob("series_a_*.jpg")))
    assert done.returncode == 1
    assert "Not checked" in done.stdout
    assert "no displayed number was given" in done.stdout


def test_the_command_plans_photos():
    done = called("check", "plan", "--wanted-u", "0.8", "--low", "10", "--high", "90")
    assert done.returncode == 0
    assert "photos at 10°" in done.stdout
    assert "Stay within the prescribed limits." in done.stdout
    assert (
        "A machine without a leg in it is checked by tags or three dots on its bars" in done.stdout
    )
    assert "0.30° is how the points lie on the bars: all photos share it" in done.stdout
    impossible = called("check", "plan", "--wanted-u", "0.1")
    assert impossible.returncode == 2
    assert "the wanted u must be more than the 0.30° that all photos share" in impossible.stderr


@pytest.mark.parametrize("more", [(), ("--display-step", "5")], ids=["1", "5"])
def test_a_plan_by_bar_tags_counts_how_they_are_stuck_and_the_displays_step(more):
    tags = tags_shared_u_deg()
    done = called("check", "plan", "--bars", "tags", "--wanted-u", f"{tags + 0.2:.2f}", *more)
    assert f"Of it {tags:.2f}° is how the tags are stuck on the bars" in done.stdout
    angles = [float(a) for a in re.findall(r"([\d.]+)°", done.stdout.split(" reach ")[0])]
    # Photos of one end fall on different places of the display's step.
    assert angles[1] - angles[0] == pytest.approx(6.0 if more else 2.0)
    refused = called("check", "plan", "--bars", "tags", "--wanted-u", f"{tags - 0.05:.2f}")
    assert refused.returncode == 2
    assert f"the wanted u must be more than the {tags:.2f}° that all photos share" in refused.stderr
    usual = called("check", "plan", "--bars", "tags", *more)
    assert usual.returncode == 0, usual.stderr


def other_side(outcome: Measurement) -> Measurement:
    from dataclasses import replace

    side = "right" if outcome.side == "left" else "left"
    return replace(outcome, leg=replace(outcome.leg, side=side))


def test_legs_of_both_sides_in_one_check_are_refused():
    mixed = {**series("a"), "series_a_1.jpg": other_side(series("a")["series_a_1.jpg"])}
    result = check_machine(mixed, Settings())
    assert re.search(r"in series_a_1\.jpg(?!, series)", result.reason)  # it alone is of that leg
    assert "check each side by photos of its own" in check_text(result, Settings())


def test_photos_at_one_setting_are_refused_in_plain_words():
    one = series("a")["series_a_4.jpg"]
    refused = check_machine(dict.fromkeys(["a.jpg", "b.jpg", "c.jpg"], one), Settings())
    assert re.fullmatch(
        r"the photos show too little of the machine's range: displays from 88.0\u00b0 to "
        r"88.0\u00b0, knees from [0-9.]+\u00b0 to [0-9.]+\u00b0",
        refused.reason,
    )
    assert "at 3 or more settings spread over its allowed range" in refused.advice


@pytest.mark.parametrize("count", [2, 6], ids=["refused", "checked"])
def test_an_alarm_of_any_photo_is_first_in_text_and_json(count):
    photos = sorted(SAMPLES.glob("series_a_*.jpg"))[-count:]
    call = (*photos, "--table", SAMPLES / "displayed.csv", "--limit-flexion", 95)
    text, row = (
        called("check", *call).stdout,
        json.loads(called("check", *call, "--format", "json").stdout),
    )
    assert text.startswith("!! THE DISPLAY IS PAST THE PRESCRIBED FLEXION: it says 108")
    assert text.splitlines()[0].endswith("(series_a_5.jpg)")
    assert next(iter(row)) == "alarms"
    # Two displays past the limit; of the knees one, the other is at it (96 at ± 5).
    assert [alarm[:11] for alarm in row["alarms"]] == [
        "THE DISPLAY", "PAST THE PR", "THE DISPLAY"
    ]  # fmt: skip
    assert row["status"] == ("checked" if count == 6 else "not_checked")


def test_copies_of_a_photo_count_once_and_refusals_read_well(tmp_path):
    for copy in ("x.jpg", "y.jpg", "z.jpg"):
        (tmp_path / copy).write_bytes((SAMPLES / "series_a_4.jpg").read_bytes())
    table = tmp_path / "t.csv"
    table.write_text("photo,displayed_deg\nx.jpg,88\ny.jpg,88\nz.jpg,\n")
    photos = [tmp_path / name for name in ("x.jpg", "y.jpg", "z.jpg")]
    said = called("check", *photos, "--table", table).stdout
    assert (
        "but got 1 (y.jpg: it is the same file as x.jpg, which counts once; z.jpg: it is the same "
        "file as x.jpg, which counts once). Next: photograph"
    ) in said
    table.write_text("photo,displayed_deg\nx.jpg,88\ny.jpg,89\nz.jpg,\n")
    twice = called("check", *photos, "--table", table)
    assert twice.returncode == 2
    assert "x.jpg and y.jpg are the same file, but the table gives 88 and 89" in twice.stderr
