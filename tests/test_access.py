"""Accounts, sessions, paired phones and slowed attempts, in both databases."""

from __future__ import annotations

import threading
from collections import Counter
from contextlib import nullcontext, suppress
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
import sqlalchemy as sa
from argon2 import PasswordHasher
from stores import SETTINGS, SHA, made_check, made_measurement, made_series

from knee_angle.errors import InvalidInput
from knee_angle.store import MachineCard, Store, open_store
from knee_angle.store.access import passwords, tables
from knee_angle.store.access.guarded import ACT_OF, guarded
from knee_angle.store.access.pairing import LIVES
from knee_angle.store.access.roles import ACTS, MAY, ROLES, NotAllowed
from knee_angle.store.access.sessions import ABSOLUTE, IDLE
from knee_angle.store.access.signing_in import Access, SignedIn, Wait
from knee_angle.store.access.slowing import FREE, LONGEST_WAIT_S, wait_after_s

RIGHT = "several words with spaces"
FROM = {"address": "192.0.2.7", "device": "a browser"}


class Clock:
    """The moment, moved by hand."""

    def __init__(self) -> None:
        self.now = datetime(2026, 3, 2, 8, 0, tzinfo=UTC)

    def __call__(self) -> datetime:
        return self.now

    def passes(self, by: timedelta) -> None:
        self.now += by


@pytest.fixture(autouse=True)
def cheap(monkeypatch):
    """Hashes that cost nothing; `test_a_hash_costs_what_was_decided` looks at the real one."""
    hasher = PasswordHasher(time_cost=1, memory_cost=8, parallelism=1)
    monkeypatch.setattr(passwords, "_hasher", lambda: hasher)
    passwords._nobodys.cache_clear()
    yield
    passwords._nobodys.cache_clear()


BOTH = pytest.mark.parametrize("store_url", ["sqlite", "postgresql"], indirect=True)
"""What hangs on the database is tried in both."""


@pytest.fixture
def store_url(request, tmp_path) -> str:
    """A place for a store; SQLite unless asked otherwise."""
    if getattr(request, "param", "sqlite") == "sqlite":
        return f"sqlite:///{tmp_path / 'store.db'}"
    return str(request.getfixturevalue("postgres").fresh_store())


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def access(store_url, clock):
    with open_store(store_url, who="the ward", clock=clock) as store:
        access = Access(store)
        for role in ROLES:
            access.accounts.add(f"{role}-1", role=role, password=RIGHT)
        yield access


def signed_in(access: Access, name: str = "therapist-1") -> SignedIn:
    entered = access.by_password(name, RIGHT, **FROM)
    assert isinstance(entered, SignedIn)
    return entered


def trail(access: Access) -> list[tuple[str, str]]:
    return [(line.who, line.what) for line in access.store.audit()]


# Signing in


@BOTH
def test_name_and_password_that_fit_sign_in(access):
    entered = signed_in(access, " Therapist-1 ")
    assert access.sessions.of(entered.secret) == entered.session
    assert (entered.session.account, entered.session.role) == ("therapist-1", "therapist")
    assert trail(access)[0] == ("therapist-1", "signed in: password")


@pytest.mark.parametrize(
    ("name", "typed"),
    [
        pytest.param("therapist-1", RIGHT + "!", id="another password"),
        pytest.param("therapist-1", "", id="no password"),
        pytest.param("therapist-1", "x" * 100_000, id="an endless one"),
        pytest.param("nobody-1", RIGHT, id="a name that no account has"),
        pytest.param("' OR 1=1 --", RIGHT, id="a name that is no name"),
        pytest.param("therapist-1\0", RIGHT, id="a name with a zero"),
    ],
)
def test_what_does_not_fit_does_not(access, name, typed):
    assert access.by_password(name, typed, **FROM) is None
    assert trail(access)[0] == ("not signed in", "refused")
    # What was typed as a name can be a password: it is written nowhere.
    assert all(name not in line.about for line in access.store.audit() if name != "therapist-1")


def test_a_hash_costs_what_was_decided(monkeypatch):
    monkeypatch.undo()  # the real one
    assert passwords.hashed(RIGHT).startswith("$argon2id$v=19$m=65536,t=3,p=4$")


def test_an_unknown_account_costs_the_same_hash(access, monkeypatch):
    held = []
    hasher = passwords._hasher()
    checked = type(hasher).verify

    def seen(self, kept, password):
        held.append(kept)
        return checked(self, kept, password)

    monkeypatch.setattr(type(hasher), "verify", seen)
    for name in ("therapist-1", "nobody-1"):
        access.accounts.by_password(name, "another password")
    assert len(held) == 2
    assert held[0].split("$")[:4] == held[1].split("$")[:4]  # the same cost


@BOTH
def test_nothing_that_opens_anything_stands_in_the_database(access):
    entered = signed_in(access)
    code = access.pairing.offer(entered.session)
    with access.store.engine.connect() as connection:
        rows = [
            str(row)
            for table in tables.metadata.sorted_tables
            for row in connection.execute(sa.select(table))
        ]
    assert rows
    for secret in (RIGHT, entered.secret, code):
        assert not any(secret in row for row in rows)


@pytest.mark.parametrize(
    ("chosen", "said"),
    [
        ("short", "12 to 128 letters, but got 5"),
        ("x" * 129, "12 to 128 letters, but got 129"),
        ("aaaaaaaaaaaaaa", "5 different letters"),
        ("my therapist-2 word", "not hold the account's name"),
    ],
)
def test_a_password_that_is_quickly_guessed_is_refused(access, chosen, said):
    with pytest.raises(InvalidInput, match=said) as told:
        access.accounts.add("therapist-2", role="therapist", password=chosen)
    assert chosen not in str(told.value)


@pytest.mark.parametrize(
    ("name", "role", "said"),
    [
        ("A", "therapist", "2 to 32 letters"),
        ("Ada Lovelace", "therapist", "2 to 32 letters"),
        ("../x", "therapist", "2 to 32 letters"),
        ("therapist-1", "therapist", "is there already"),
        ("new-1", "chief", "role must be one of therapist, auditor, researcher, admin"),
    ],
)
def test_an_account_that_cannot_be_is_refused(access, name, role, said):
    with pytest.raises(InvalidInput, match=said):
        access.accounts.add(name, role=role, password=RIGHT)


@BOTH
def test_a_removed_account_is_out_at_once_and_its_name_stays_taken(access):
    entered = signed_in(access)
    access.accounts.remove("therapist-1")
    assert access.sessions.of(entered.secret) is None
    assert access.by_password("therapist-1", RIGHT, **FROM) is None
    with pytest.raises(InvalidInput, match="is there already, or was"):
        access.accounts.add("therapist-1", role="admin", password=RIGHT)


@pytest.mark.parametrize("change", ["role", "password"])
def test_another_role_or_password_ends_what_is_signed_in(access, change):
    entered = signed_in(access)
    if change == "role":
        access.accounts.give_role("therapist-1", "researcher")
    else:
        access.accounts.give_password("therapist-1", "some other words here")
    assert access.sessions.of(entered.secret) is None


# Slowed


@BOTH
def test_guessing_at_one_account_is_slowed_and_the_right_password_too(access, clock):
    for _ in range(FREE["account"]):
        assert access.by_password("therapist-1", "a wrong password", **FROM) is None
    wait = access.by_password("therapist-1", RIGHT, **FROM)
    assert isinstance(wait, Wait)
    assert wait.seconds == 5
    clock.passes(timedelta(seconds=5))
    assert isinstance(access.by_password("therapist-1", RIGHT, **FROM), SignedIn)
    assert access.by_password("therapist-1", "a wrong password", **FROM) is None  # counts anew


def test_a_name_that_no_account_has_is_slowed_alike(access):
    told = [access.by_password("nobody-1", RIGHT, **FROM) for _ in range(FREE["account"] + 1)]
    assert told[:-1] == [None] * FREE["account"]
    assert isinstance(told[-1], Wait)


def test_guessing_at_many_accounts_from_one_address_is_slowed(access, monkeypatch):
    monkeypatch.setattr(passwords, "fits", lambda *_: False)
    told = [access.by_password(f"name-{n}", RIGHT, **FROM) for n in range(FREE["address"] + 1)]
    assert [type(one) for one in told] == [type(None)] * FREE["address"] + [Wait]
    elsewhere = access.by_password("name-1", RIGHT, address="192.0.2.8", device="")
    assert elsewhere is None


def test_the_wait_grows_and_stays_bounded():
    waits = [wait_after_s(n, free=5) for n in range(2000)]
    assert waits == sorted(waits)
    assert max(waits) == LONGEST_WAIT_S


@BOTH
def test_many_guesses_at_once_get_no_further_than_many_in_a_row(access, monkeypatch):
    monkeypatch.setattr(passwords, "fits", lambda *_: False)
    told = []
    guesses = [
        threading.Thread(target=lambda: told.append(access.by_password("therapist-1", "x", **FROM)))
        for _ in range(12)
    ]
    for guess in guesses:
        guess.start()
    for guess in guesses:
        guess.join()
    assert Counter(type(one) for one in told) == {type(None): FREE["account"], Wait: 7}


# Sessions


def test_every_sign_in_has_a_secret_of_its_own(access):
    first, second = signed_in(access), signed_in(access)
    assert first.secret != second.secret
    assert len(first.secret) >= 43  # 256 bits in URL-safe letters


@pytest.mark.parametrize("secret", ["", "x", "A" * 43, "A" * 100_000, "' OR 1=1 --"])
def test_a_made_up_secret_is_no_session(access, secret):
    signed_in(access)
    assert access.sessions.of(secret) is None


@BOTH
def test_a_session_ends_when_nobody_touches_it(access, clock):
    entered = signed_in(access)
    clock.passes(IDLE["password"] - timedelta(seconds=1))
    found = access.sessions.of(entered.secret)
    assert found is not None
    access.sessions.touched(found)
    clock.passes(IDLE["password"] - timedelta(seconds=1))
    assert access.sessions.of(entered.secret) is not None
    clock.passes(timedelta(seconds=1))
    assert access.sessions.of(entered.secret) is None
    assert access.sessions.standing() == ()


def test_a_session_ends_for_good_however_busy(access, clock):
    entered = signed_in(access)
    for _ in range(int(ABSOLUTE / timedelta(minutes=10)) - 1):
        clock.passes(timedelta(minutes=10))
        found = access.sessions.of(entered.secret)
        assert found is not None
        access.sessions.touched(found)
    clock.passes(timedelta(minutes=10))
    assert access.sessions.of(entered.secret) is None


def test_a_clock_that_is_set_back_lengthens_no_session_and_no_code(access, clock):
    clock.passes(timedelta(days=400))
    entered = signed_in(access)
    code = access.pairing.offer(entered.session)
    clock.passes(timedelta(seconds=-30))  # two servers differ by so much
    assert access.sessions.of(entered.secret) is not None
    clock.passes(timedelta(days=-399))
    assert access.sessions.of(entered.secret) is None
    assert access.sessions.standing() == ()
    assert access.by_code(code, **FROM) is None


@BOTH
def test_a_clock_that_is_set_back_locks_nobody_out(access, clock):
    clock.passes(timedelta(days=400))
    signed_in(access)
    for _ in range(FREE["account"]):
        assert access.by_password("auditor-1", "a wrong password", **FROM) is None
    clock.passes(timedelta(days=-400))
    signed_in(access)
    wait = access.by_password("auditor-1", RIGHT, **FROM)
    assert isinstance(wait, Wait)
    assert wait.seconds == 5  # as it would have been
    clock.passes(timedelta(seconds=5))
    signed_in(access, "auditor-1")


def test_an_ended_session_is_ended_and_told(access):
    entered = signed_in(access)
    access.by("admin-1").sessions.end(entered.session.id, told="ended a session")
    assert access.sessions.of(entered.secret) is None
    assert trail(access)[0] == ("admin-1", "ended a session")
    with pytest.raises(InvalidInput, match="there is no session"):
        access.sessions.end("0" * 12)


# Pairing


@BOTH
def test_a_code_signs_a_phone_in_once(access):
    code = access.pairing.offer(signed_in(access).session)
    phone = access.by_code(code, address="192.0.2.9", device="Mozilla (Android 15)")
    assert isinstance(phone, SignedIn)
    assert (phone.session.account, phone.session.way) == ("therapist-1", "paired")
    assert phone.session.device == "Android"
    assert access.by_code(code, **FROM) is None


@BOTH
def test_a_code_that_two_phones_send_at_once_signs_one_in(access):
    code = access.pairing.offer(signed_in(access).session)
    told = []
    phones = [
        threading.Thread(target=lambda: told.append(access.pairing.redeem(code, device="")))
        for _ in range(6)
    ]
    for phone in phones:
        phone.start()
    for phone in phones:
        phone.join()
    assert sum(one is not None for one in told) == 1
    assert len(access.sessions.standing("therapist-1")) == 2


@pytest.mark.parametrize("why", ["late", "computer signed out", "newer code", "account removed"])
def test_a_code_opens_nothing(access, clock, why):
    computer = signed_in(access)
    code = access.pairing.offer(computer.session)
    if why == "late":
        clock.passes(LIVES)
    elif why == "computer signed out":
        access.sessions.end(computer.session.id)
    elif why == "newer code":
        access.pairing.offer(computer.session)
    else:
        access.accounts.remove("therapist-1")
    assert access.by_code(code, **FROM) is None


def test_a_phone_pairs_no_further_phone_and_an_admin_none(access):
    code = access.pairing.offer(signed_in(access).session)
    phone = access.by_code(code, **FROM)
    assert isinstance(phone, SignedIn)
    for session in (phone.session, signed_in(access, "admin-1").session):
        with pytest.raises(NotAllowed, match="pairs no phone"):
            access.pairing.offer(session)


def test_guessing_codes_is_slowed(access):
    told = [access.by_code(f"{n:043}", **FROM) for n in range(FREE["account"] + 1)]
    assert told[:-1] == [None] * FREE["account"]
    assert isinstance(told[-1], Wait)


# Slowed only where it must be


def test_a_stranger_who_guesses_codes_blocks_nobody_elses_phone(access):
    """A code has 256 random bits: attempts are slowed by address, never for everybody."""
    for _ in range(40):
        access.by_code("guess", address="198.51.100.9", device="")
    code = access.pairing.offer(signed_in(access).session)
    assert isinstance(access.by_code(code, **FROM), SignedIn)


def test_whoever_signs_in_rightly_does_not_make_the_next_one_at_that_address_wait(access, clock):
    for number in range(FREE["address"]):
        access.by_password(f"typo-{number}", "wrong", **FROM)
    clock.passes(timedelta(seconds=LONGEST_WAIT_S))
    for _ in range(3):
        assert isinstance(access.by_password("therapist-1", RIGHT, **FROM), SignedIn)


def test_a_code_dies_with_the_computers_session_and_the_phone_outlives_it_by_nothing(access, clock):
    session = signed_in(access).session
    clock.passes(ABSOLUTE - timedelta(seconds=60))
    code = access.pairing.offer(session)
    found = access.pairing.redeem(code, device="")
    assert found is not None
    assert found[1].ends_at == session.ends_at
    late = access.pairing.offer(session)
    clock.passes(timedelta(seconds=61))
    assert access.pairing.redeem(late, device="") is None


# Roles: every method of the store for every role, written out

SERIES = made_series()
CHECK = {
    "machine": "M-03", "outcomes": SERIES, "settings": SETTINGS,
    "photo_sha256": {name: f"{n:064x}" for n, name in enumerate(SERIES)},
}  # fmt: skip
NOBODY, ALL_BUT_ADMIN = "", "therapist auditor researcher"
PATIENTS = "therapist researcher"
THESE = {"visit_id": "0" * 32, "settings": SETTINGS}
ORACLE = {
    "add_machine": ("therapist auditor", ("M-99",), {}),
    "add_person": ("therapist", ("P-099",), {}),
    "as_user": (NOBODY, ("other-1",), {}),
    "audit": ("admin", (), {}),
    "backup": (NOBODY, (Path("none"),), {}),
    "check": (ALL_BUT_ADMIN, ("CHECK",), {}),
    "check_pictures": (ALL_BUT_ADMIN, ("CHECK",), {}),
    "check_pages": (NOBODY, (), {}),
    "checks": (ALL_BUT_ADMIN, (), {"machine": "M-03"}),
    "close": (NOBODY, (), {}),
    "kept_under": (PATIENTS, ("0" * 32, [SHA]), {}),
    "first_taken": ("researcher", (), {}),
    "knows_machine": (ALL_BUT_ADMIN, ("M-03",), {}),
    "knows_person": (PATIENTS, ("P-017",), {}),
    "latest_checks": (ALL_BUT_ADMIN, (), {}),
    "leg_settings": (PATIENTS, ("P-017", date(2026, 3, 2)), {"over": lambda _: SETTINGS}),
    "machine_card": (ALL_BUT_ADMIN, ("M-03",), {}),
    "machines": (ALL_BUT_ADMIN, (), {}),
    "measurement": (PATIENTS, ("ROW",), {}),
    "measurements": (PATIENTS, (), {"person": "P-017"}),
    "note": ("researcher", ("export", "P-017"), {}),
    "note_machine": ("auditor", (MachineCard("M-03", check_every_days=90),), {}),
    "note_paper": (ALL_BUT_ADMIN, ("visit P-017",), {}),
    "of_photo": (PATIENTS, (SHA,), {}),
    "overview": (ALL_BUT_ADMIN, (), {}),
    "people": (PATIENTS, (), {}),
    "photo": (PATIENTS, ("ROW",), {}),
    "prescribe": (
        "therapist", ("P-017",),
        {"from_day": date(2026, 3, 2), "flexion_deg": 90, "extension_deg": 0},
    ),
    "prescription_on": (PATIENTS, ("P-017", date(2026, 3, 2)), {}),
    "prescriptions": (PATIENTS, ("P-017",), {}),
    "rechecked_pictures": (NOBODY, (), {}),
    "restore": (NOBODY, (Path("none"),), {}),
    "save_check": ("auditor", ("CHECKED",), CHECK),
    "save_measurement": (
        "therapist", (made_measurement(),),
        {"settings": SETTINGS, "photo_sha256": SHA, "person": "P-017"},
    ),
    "save_visit": ("therapist", (None, []), {**THESE, "person": "P-017"}),
    "stored_measurements": ("researcher", (), {"person": "P-017"}),
    "stored_visits": ("researcher", (), {}),
    "visit": (PATIENTS, ("VISIT",), {}),
    "visits": (PATIENTS, (), {"person": "P-017"}),
    "withdraw_check": ("auditor", ("CHECK", "other"), {}),
    "withdraw_measurement": ("therapist", ("ROW", "other"), {}),
    "withdraw_visit": ("therapist", ("VISIT", "other"), {}),
}  # fmt: skip
"""Method, who may call it, and a call: by what each does on a ward, not by the table."""


def test_the_oracle_names_every_method_of_the_store():
    public = {
        name for name in dir(Store) if not name.startswith("_") and callable(getattr(Store, name))
    }
    assert public == set(ORACLE)


@pytest.fixture
def kept(access) -> dict[str, object]:
    """A patient, a machine, and a row of each kind."""
    store = access.store
    store.add_person("P-017")
    store.add_machine("M-03")
    row = store.save_measurement(
        made_measurement(), settings=SETTINGS, photo_sha256=SHA, person="P-017"
    )
    check = store.save_check(made_check(), **CHECK)
    return {"ROW": row.id, "CHECK": check.id, "CHECKED": made_check(), "VISIT": "0" * 32}


@pytest.mark.parametrize("role", ROLES)
def test_a_role_does_what_it_may_and_nothing_else(access, kept, role):
    store = access.store
    mine = guarded(store, signed_in(access, f"{role}-1").session)
    for method, (who, positional, named) in ORACLE.items():
        given = tuple(kept.get(one, one) if isinstance(one, str) else one for one in positional)
        before = store.overview().counts
        if role in who.split():
            # Who is let in hears that there is no such visit.
            with suppress(InvalidInput) if "VISIT" in positional else nullcontext():
                getattr(mine, method)(*given, **named)
            continue
        with pytest.raises(NotAllowed, match=f"The role {role} may not"):
            getattr(mine, method)(*given, **named)
        assert {**store.overview().counts, "audit": 0} == {**before, "audit": 0}, method
        line = store.audit(limit=1)[0]
        assert (line.who, line.what) == (f"{role}-1", "refused"), method


def test_every_act_but_backing_up_is_somebodys():
    assert {act for role in ROLES for act in MAY[role]} == set(ACTS) - {"back up"}


def test_who_saw_which_list_machine_or_patient_stands_in_the_trail_once(access, kept):
    mine = guarded(access.store, signed_in(access).session)
    for _ in range(2):
        mine.people()
        mine.machines()
        mine.checks(machine="M-03")
        mine.machine_card("m-03")
        mine.measurements(person="P-017")
        mine.measurement(kept["ROW"])
    seen = [x.about for x in access.store.audit(who="therapist-1") if x.what == "saw"]
    assert sorted(seen) == sorted(
        ["a list: people", "a list: machines", "M-03", "P-017", kept["ROW"]]
    )


def test_a_method_that_nobody_classified_is_refused(access, monkeypatch):
    monkeypatch.delitem(ACT_OF, "people")
    mine = guarded(access.store, signed_in(access).session)
    with pytest.raises(NotAllowed):
        mine.people()


def test_what_an_account_keeps_and_sees_stands_under_its_name(access):
    access.store.add_person("P-017")
    mine = guarded(access.store, signed_in(access).session)
    kept = mine.save_measurement(
        made_measurement(), settings=SETTINGS, photo_sha256=SHA, person="P-017"
    )
    for _ in range(3):
        mine.measurements(person="P-017")
    mine.withdraw_measurement(kept.id, "other")
    lines = [(x.who, x.what, x.about) for x in access.store.audit() if x.who == "therapist-1"]
    told = Counter(what for _, what, _ in lines)
    assert kept.who == "therapist-1"
    assert told["saw"] == 1
    assert told["kept measurement"] == told["withdrew measurement"] == told["saw"] == 1
    assert ("therapist-1", "saw", "P-017") in lines
