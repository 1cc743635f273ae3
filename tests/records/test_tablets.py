"""Tablets: let in by a code, known by a key, shut out by an engineer, watched by their clock."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta, timezone

import pytest
from sqlalchemy import select

from trialog.errors import ConflictError, InvalidValueError, NotAllowedError
from trialog.records.database import unit_of_work
from trialog.records.models import AuditEvent, EnrolmentCode, Tablet
from trialog.records.people import change_person
from trialog.records.tablets import (
    ALPHABET,
    CODE_LENGTH,
    CODE_LIFE,
    all_tablets,
    enrol,
    make_code,
    note_clock,
    revoke,
    tablet_of_key,
)
from trialog.records.words import Role

SECOND = timedelta(seconds=1)


class Desk:
    """Where an engineer makes codes and tablets are let in."""

    def __init__(self, session, people, now):
        self.session, self.actor, self.now = session, people.engineer, now

    def code(self, name="blue tablet", cell=None, **options):
        with unit_of_work(self.session):
            return make_code(
                self.session,
                name=name,
                cell=cell,
                **{"actor": self.actor, "now": self.now} | options,
            )

    def enrol(self, code, *, now=None):
        with unit_of_work(self.session):
            return enrol(self.session, code, now=now or self.now)

    def tablet(self, name="blue tablet", cell=None):
        return self.enrol(self.code(name, cell))

    def revoke(self, tablet, *, now=None, actor=None):
        with unit_of_work(self.session):
            revoke(self.session, tablet, actor=actor or self.actor, now=now or self.now)

    def hear(self, tablet, clock, *, now=None, page="1a2b"):
        with unit_of_work(self.session):
            note_clock(self.session, tablet, clock, page=page, now=now or self.now)

    def events(self, action):
        found = select(AuditEvent).where(AuditEvent.action == action).order_by(AuditEvent.id)
        return self.session.scalars(found).all()


@pytest.fixture
def desk(session, people, now):
    return Desk(session, people, now)


def test_a_code_makes_a_browser_a_tablet_with_a_key_of_its_own(desk, cell, people, now):
    tablet, key = desk.tablet(cell=cell.cell)
    assert (tablet.name, tablet.cell_id, tablet.enrolled_at) == ("blue tablet", cell.id, now)
    assert tablet.enrolled_by_id == people.engineer.id
    assert tablet_of_key(desk.session, key) is tablet
    assert len(key) >= 40


def test_a_code_is_made_of_signs_that_nobody_mixes_up(desk):
    codes = [desk.code(f"tablet {number}") for number in range(20)]
    assert len(set(codes)) == 20
    assert all(len(code) == CODE_LENGTH and set(code) <= set(ALPHABET) for code in codes)
    assert not set(ALPHABET) & set("0O1IL2Z5S8B6GUV")


def test_a_code_may_be_typed_small_with_blanks_and_hyphens(desk):
    code = desk.code()
    tablet, _ = desk.enrol(f" {code[:4].lower()}-{code[4:6]} {code[6:]}\n")
    assert tablet.name == "blue tablet"


@pytest.mark.parametrize(
    "code",
    ["", " ", "3" * CODE_LENGTH, "3" * 500, "7K3M9QP", "7K3M9QP0", "nul\x00nul!", "\ud83d" * 8,
     "ﬀﬀﬀﬀ", "' OR 1=1", "%" * CODE_LENGTH],
)  # fmt: skip
def test_no_other_code_lets_anybody_in(desk, code):
    desk.code()
    with pytest.raises(InvalidValueError, match="code must be one made in the last 15 minutes"):
        desk.enrol(code)


def test_a_code_works_once(desk):
    code = desk.code()
    desk.enrol(code)
    with pytest.raises(InvalidValueError, match="not used yet"):
        desk.enrol(code)


def test_of_many_who_use_a_code_at_the_same_moment_one_is_let_in(desk, sessions, now):
    code = desk.code()

    def use(_number):
        with sessions() as own:
            try:
                with unit_of_work(own):
                    return enrol(own, code, now=now)[1]
            except InvalidValueError:
                return None

    with ThreadPoolExecutor(6) as pool:
        keys = [key for key in pool.map(use, range(6)) if key]
    assert len(keys) == 1
    assert len(all_tablets(desk.session)) == 1


def test_a_code_works_for_fifteen_minutes(desk, now):
    code = desk.code()
    with pytest.raises(InvalidValueError):
        desk.enrol(code, now=now + CODE_LIFE)
    assert desk.enrol(code, now=now + CODE_LIFE - SECOND)


@pytest.mark.parametrize("change", [{"active": False}, {"role": Role.OPERATOR}])
def test_a_code_of_somebody_who_may_no_longer_enrol_is_worthless(desk, people, now, change):
    code = desk.code()
    as_it_is = {"role": Role.ENGINEER, "active": True, "pin": None}
    with unit_of_work(desk.session):
        change_person(desk.session, people.engineer, **as_it_is | change, actor=None, now=now)
    with pytest.raises(InvalidValueError):
        desk.enrol(code)


@pytest.mark.parametrize("role", ["operator", "approver"])
def test_who_may_not_enrol_makes_no_code_and_revokes_nothing(desk, people, role):
    tablet, key = desk.tablet()
    person = getattr(people, role)
    with pytest.raises(NotAllowedError, match="may not enrol tablets"):
        desk.code("another", actor=person)
    with pytest.raises(NotAllowedError, match="may not enrol tablets"):
        desk.revoke(tablet, actor=person)
    assert tablet_of_key(desk.session, key)


@pytest.mark.parametrize("name", ["", " ", "x" * 121, "a\nb", "nul\x00", "\ud83d"])
def test_a_tablets_name_is_a_name(desk, name):
    with pytest.raises(InvalidValueError, match="name must"):
        desk.code(name)


def test_a_tablet_in_use_keeps_its_name_to_itself(desk):
    desk.tablet()
    with pytest.raises(ConflictError, match="a tablet in use is called 'blue tablet'"):
        desk.code(" blue tablet ")


def test_a_name_given_twice_gets_a_number_so_that_the_logbook_tells_them_apart(desk):
    long = "x" * 120
    codes = [desk.code(name) for name in ("blue tablet", "blue tablet", long, long)]
    names = [desk.enrol(code)[0].name for code in codes]
    assert names[:2] == ["blue tablet", "blue tablet (2)"]
    assert names[3] == f"{'x' * 114} (2)"


def test_a_revoked_tablets_name_may_be_wished_for_again(desk):
    old, _ = desk.tablet()
    desk.revoke(old)
    new, _ = desk.tablet()
    assert (old.name, new.name) == ("blue tablet", "blue tablet (2)")


def test_neither_code_nor_key_can_be_read_off_the_database(desk):
    code = desk.code()
    _, key = desk.enrol(code)
    kept = [desk.session.scalars(select(table)).all() for table in (EnrolmentCode, Tablet)]
    kept.append(desk.session.scalars(select(AuditEvent)).all())
    words = str([vars(row) for rows in kept for row in rows])
    assert code not in words
    assert key not in words


def test_a_revoked_tablet_is_not_known_any_more(desk, now):
    tablet, key = desk.tablet()
    other, others_key = desk.tablet("green tablet")
    desk.revoke(tablet)
    assert tablet.revoked_at == now
    assert tablet_of_key(desk.session, key) is None
    assert tablet_of_key(desk.session, others_key) is other


def test_revoking_twice_changes_nothing(desk, now):
    tablet, _ = desk.tablet()
    desk.revoke(tablet)
    desk.revoke(tablet, now=now + SECOND)
    assert tablet.revoked_at == now
    assert len(desk.events("revoked")) == 1


@pytest.mark.parametrize("key", ["", "x", "\x00", "\ud83d", "' OR 1=1 --", "é" * 43])
def test_no_other_key_is_a_tablets(desk, key):
    desk.tablet()
    assert tablet_of_key(desk.session, key) is None


def test_codes_enrolments_and_revoking_are_audited(desk, cell, people, now):
    tablet, _ = desk.tablet(cell=cell.cell)
    desk.revoke(tablet)
    (made,), (enrolled,), (revoked,) = map(
        desk.events, ("made", "enrolled", "revoked")
    )  # fmt: skip
    assert made.details == {"tablet": "blue tablet", "cell": "Lathe 4"}
    assert enrolled.details == {"name": "blue tablet", "code": made.subject_id}
    assert revoked.details == {"name": "blue tablet"}
    events = (made, enrolled, revoked)
    assert {event.person_id for event in events} == {people.engineer.id}
    assert {event.subject_id for event in (enrolled, revoked)} == {tablet.id}


def test_a_clock_that_is_off_is_measured(desk, now):
    tablet, _ = desk.tablet()
    desk.hear(tablet, now + timedelta(minutes=2, seconds=5))
    assert tablet.clock_ahead_seconds == 125
    assert (tablet.seen_at, tablet.page_version, tablet.clock_moved_at) == (now, "1a2b", None)


def test_a_clocks_zone_does_not_matter(desk, now):
    tablet, _ = desk.tablet()
    desk.hear(tablet, now.astimezone(timezone(timedelta(hours=-14))))
    assert tablet.clock_ahead_seconds == 0


@pytest.mark.parametrize(("jump", "moved"), [(60, False), (61, True), (-61, True), (-7200, True)])
def test_a_clock_that_jumped_is_told_from_one_that_drifts(desk, now, jump, moved):
    tablet, _ = desk.tablet()
    desk.hear(tablet, now + 3 * SECOND)
    desk.hear(tablet, now + (3 + jump) * SECOND)
    assert (tablet.clock_moved_at == now) is moved
    assert [event.details for event in desk.events("clock moved")] == (
        [{"ahead_before": 3.0, "ahead": 3.0 + jump}] if moved else []
    )


@pytest.mark.parametrize(
    "clock",
    [
        datetime.min.replace(tzinfo=timezone(timedelta(hours=14))),
        datetime.max.replace(tzinfo=timezone(timedelta(hours=-14))),
        datetime(1970, 1, 1, tzinfo=UTC),
    ],
)
def test_a_clock_from_the_ends_of_the_calendar_is_measured_too(desk, clock):
    tablet, _ = desk.tablet()
    desk.hear(tablet, clock)
    assert abs(tablet.clock_ahead_seconds) > 10**9


def test_a_clock_without_a_zone_and_a_version_that_is_none_are_refused(desk, now):
    tablet, _ = desk.tablet()
    with pytest.raises(InvalidValueError, match="clock must carry a time zone"):
        desk.hear(tablet, now.replace(tzinfo=None))
    for page in ("", "x" * 121, "nul\x00"):
        with pytest.raises(InvalidValueError, match="page must"):
            desk.hear(tablet, now, page=page)


def test_tablets_are_listed_by_name_the_revoked_ones_last(desk):
    made = [desk.tablet(name)[0] for name in ("c", "a", "b")]
    desk.revoke(made[1])
    assert [tablet.name for tablet in all_tablets(desk.session)] == ["b", "c", "a"]
