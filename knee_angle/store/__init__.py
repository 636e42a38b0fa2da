"""Keeping measurements, machine checks and prescriptions, for good.

::

    from knee_angle.store import open_store, SetUp, new_id

    with open_store() as store:                     # or open_store("sqlite:///a.db", who="ward 3")
        store.add_person("P-017")                   # codes only, never names
        store.add_machine("M-03")
        store.prescribe("P-017", from_day=day, flexion_deg=90, extension_deg=0, side="left")
        kept = store.save_measurement(
            measurement,                            # from knee_angle.pipeline
            settings=settings,                      # those it was measured with
            photo_sha256=photo.sha256,
            person="P-017", machine="M-03",         # either may be left out
            setup=SetUp(end="flexion", flexion_deg=90, speed=3, ticks=("heel", "straps")),
            taken_at=moment,                        # with its zone; time of saving by default
            photo=knee_angle.photo.crop.crop_jpeg(photo, measurement),    # only when asked for
            row_id=row_id,                          # new_id() when the result was shown: a
        )                                           # second tap then keeps one row, not two
        store.save_measurement(better, corrects=kept.id, ...)       # the old row stays
        store.withdraw_measurement(kept.id, "wrong_person")         # it stays, too

        visit = store.save_visit(answer, photos, visit_id=new_id(), settings=settings,
                                 person="P-017")    # all photos of a visit and their joint answer
        store.visits(person="P-017")                # joint answers that stand, newest first
        store.withdraw_visit(visit.visit.id, "wrong_person")    # and all its photos
        store.people(), store.machines()            # codes with counts and last times
        store.measurements(person="P-017", limit=50)    # rows that stand, newest first
        store.measurement(kept.id)                  # one in full, with points and camera
        store.photo(kept.id)                        # the kept picture, or None
        store.prescription_on("P-017", day, side="left")    # limits in force then, or None
        store.save_check(result, machine="M-03", outcomes=outcomes, settings=settings,
                         photo_sha256=hashes)       # a machine check
        store.checks(machine="M-03")

What it promises
----------------
* When a save returns it is on the disk; when it raises, nothing of it was kept and the
  `StoreError` says what to do. A kill in the middle leaves either all of it or nothing.
* Nothing is overwritten or deleted, by triggers in the database itself. A correction is
  a new row that names the one it corrects.
* Every write leaves a line in the audit trail, in the same transaction.
* A prescribed limit stands until it is entered anew or lifted by name
  (``store.prescribe(..., lifted=["extension"])``).
* Another program's file or database is refused and not touched.
* A photo's name is never kept: it can hold a person's.
* A store that newer software has written is not touched.

Inside
------
``records`` (what goes in and comes out), ``checklist``, ``schema`` (the tables as they are),
``migrations`` (how they came to be), ``opening`` (URL, pragmas, every database error in words),
``keeping`` (the `Store`), ``visits`` (all photos of a visit at once), ``writing`` (one write, one
transaction, its audit line), ``people`` (codes and prescriptions), ``rows`` (results as rows),
``reading`` (questions), ``following`` (rows as a course reads them),
``codec`` (records as JSON), ``backup``, ``restoring`` (looks closely at every row of a
backup), ``table`` (export), ``research`` (under pseudonyms), ``recheck`` and ``pictures`` (is it
still what was kept?), ``jpeg`` (refuses metadata), ``sealing`` and ``encrypting`` (pictures
under a key), ``known`` (a typed code, or the one meant), ``papers`` (kept rows as
papers), ``reports`` (those as files, for Python); in `access` who may see what, in `exchange`
files for a hospital's systems.

One store may be shared by threads; several programs may open the same one. Nothing here
measures: a kept result is read on a machine without a model.
"""

from knee_angle.records import CropJpeg
from knee_angle.store.keeping import Store, new_id, open_store, utc_now
from knee_angle.store.reading import leg_settings
from knee_angle.store.records import (
    CARE,
    CHECKLIST,
    AuditLine,
    End,
    KeptCheck,
    KeptKnee,
    KeptMeasurement,
    KeptTogether,
    KeptVisit,
    MachineCard,
    Overview,
    PhotoToKeep,
    Prescription,
    SetUp,
    StoredCheck,
    StoredMeasurement,
    StoredVisit,
    Subject,
    WithdrawalReason,
    checked_code,
    utc,
)

__all__ = [
    "CARE",
    "CHECKLIST",
    "AuditLine",
    "CropJpeg",
    "End",
    "KeptCheck",
    "KeptKnee",
    "KeptMeasurement",
    "KeptTogether",
    "KeptVisit",
    "MachineCard",
    "Overview",
    "PhotoToKeep",
    "Prescription",
    "SetUp",
    "Store",
    "StoredCheck",
    "StoredMeasurement",
    "StoredVisit",
    "Subject",
    "WithdrawalReason",
    "checked_code",
    "leg_settings",
    "new_id",
    "open_store",
    "utc",
    "utc_now",
]
