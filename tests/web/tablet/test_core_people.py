"""Who is signed in at a tablet, with and without a network."""

from __future__ import annotations

import hashlib

import pytest
from playwright.sync_api import expect
from support.stub_server import PEOPLE

pytestmark = pytest.mark.database("sqlite")  # the browser does not know which database answers

CLOCK = """() => {
  const now = Date.now;
  let moved = 0;
  Date.now = () => now() + moved;
  window.moveClock = (hours) => { moved = hours * 3600000; };
}"""
WRONG = "0000"


@pytest.fixture
def offline(core, stub):
    """Return a tablet that has met one person, and then lost its server."""
    stub.trouble = "down"
    return core


def sign_out(core, person=1):
    core.page.evaluate("(id) => trialog.people.leave(id)", person)
    assert core.now()["person"] is None


def test_who_signed_in_with_the_network_signs_in_without(offline):
    sign_out(offline)
    offline.reload()
    assert offline.people()[1]["offline"]
    answer = offline.sign_in()
    assert (answer["ok"], answer["offline"], answer["person"]["name"]) == (True, True, PEOPLE[1][0])
    assert offline.now()["person"] == 1


def test_what_is_kept_of_a_pin_is_a_slow_hash(core_page):
    tablet = core_page(hashes_as_shipped=True).enrol()
    assert tablet.sign_in()["ok"]
    kept = tablet.page.evaluate("() => trialog.store.get('people')[1]")
    pin, salt = PEOPLE[1][1].encode(), kept["salt"].encode()
    assert kept["hash"] == hashlib.pbkdf2_hmac("sha256", pin, salt, 600_000).hex()


def test_who_never_signed_in_here_cannot_without_the_network(offline):
    assert not offline.people()[2]["offline"]
    assert offline.sign_in(2) == {"ok": False, "why": "not here yet"}


def test_five_wrong_tries_in_a_row_need_the_network_also_after_a_reload(offline, stub):
    sign_out(offline)
    left = [offline.sign_in(1, WRONG)["left"] for _ in range(3)]
    offline.reload()
    left += [offline.sign_in(1, WRONG)["left"] for _ in range(2)]
    assert left == [4, 3, 2, 1, 0]
    assert offline.sign_in() == {"ok": False, "why": "locked", "left": 0}
    stub.trouble = None
    assert offline.sign_in()["ok"]
    stub.trouble = "down"
    sign_out(offline)
    assert offline.sign_in()["ok"]


def test_a_right_pin_begins_the_count_of_tries_anew(offline):
    for _ in range(2):
        assert [offline.sign_in(1, WRONG)["left"] for _ in range(4)] == [4, 3, 2, 1]
        assert offline.sign_in()["ok"]


def test_tries_made_at_once_count_one_by_one(offline):
    answers = offline.page.evaluate(
        f"() => Promise.all(Array(8).fill(0).map(() => trialog.people.signIn(1, '{WRONG}')))"
    )
    assert [one["why"] for one in answers] == ["wrong"] * 4 + ["locked"] * 4


def test_the_tablet_keeps_no_pin_and_a_slow_hash_of_its_own(offline):
    kept = offline.page.evaluate("() => trialog.store.get('people')")
    assert PEOPLE[1][1] not in str(kept)
    assert len(kept["1"]["salt"]) == 32
    assert len(kept["1"]["hash"]) == 64


def test_with_the_network_the_server_decides(core, stub):
    assert core.sign_in(1, WRONG)["why"] == "wrong"
    assert stub.wrong_tries == 1


def test_a_locked_name_is_told_how_long_to_wait_by_the_servers_clock(core, stub):
    stub.ahead, stub.waits = 7200, 595
    core.page.evaluate("() => trialog.tablet.refresh()")
    told = core.sign_in(1, WRONG)
    assert (told["why"], told["minutes"]) == ("locked", 10)
    sign_out(core)
    core.page.click('#people [data-person="1"]')
    core.page.fill("#pin", WRONG)
    core.page.click("#pin-go")
    core.page.wait_for_function(
        "() => document.getElementById('pin-said').textContent.includes('Wait 10 min')"
    )


def test_a_changed_pin_or_role_signs_out_and_forgets_the_old_pin(core, stub):
    stub.stamps[1] = "stamp-2"
    core.page.evaluate("() => trialog.tablet.refresh()")
    assert core.now()["person"] is None
    assert not core.people()[1]["offline"]
    stub.trouble = "down"
    assert core.sign_in()["why"] == "not here yet"
    stub.trouble = None
    assert core.sign_in()["ok"]
    assert core.now()["person"] == 1


def test_signing_in_after_a_change_that_the_tablet_had_not_heard_of(core, stub):
    sign_out(core)
    stub.stamps[1] = "stamp-2"
    assert core.sign_in()["ok"]
    assert core.now()["person"] == 1


def test_who_left_the_shop_is_signed_out_and_forgotten(core, stub):
    del stub.stamps[1]
    core.page.evaluate("() => trialog.tablet.refresh()")
    assert core.now()["person"] is None
    assert 1 not in core.people()
    assert core.page.evaluate("() => trialog.store.get('people')") == {}


def test_handing_over_between_two_who_signed_in_here_needs_no_pin(core):
    core.sign_in(2)
    assert core.now()["person"] == 2
    assert core.people()[1]["present"]
    assert core.page.evaluate("() => trialog.people.handOver(1)") is True
    assert core.now()["person"] == 1


def test_who_left_needs_the_pin_again(core):
    core.sign_in(2)
    core.page.evaluate("() => trialog.people.leave(1)")
    assert core.now()["person"] == 2
    assert core.page.evaluate("() => trialog.people.handOver(1)") is False


def test_a_sign_in_lasts_12_hours(core_page, stub):
    tablet = core_page()
    tablet.page.add_init_script(f"({CLOCK})()")
    tablet.enrol()
    assert tablet.sign_in()["ok"]
    stub.trouble = "down"
    tablet.page.evaluate("() => moveClock(11.9)")
    assert tablet.now()["person"] == 1
    tablet.page.evaluate("() => moveClock(12.1)")
    assert tablet.now()["person"] is None
    assert not tablet.people()[1]["present"]
    assert tablet.sign_in()["ok"]


def test_a_clock_that_is_set_back_or_forward_by_two_hours_signs_nobody_out(core_page, stub):
    tablet = core_page()
    tablet.page.add_init_script(f"({CLOCK})()")
    tablet.enrol()
    assert tablet.sign_in()["ok"]
    for hours in (-2, 2):
        tablet.page.evaluate("(hours) => moveClock(hours)", hours)
        assert tablet.now()["person"] == 1


def test_a_tablets_wrong_clock_is_measured_and_corrected_never_trusted(core, stub):
    stub.ahead = 7200  # the server says two hours less than the tablet
    core.page.evaluate("() => trialog.tablet.refresh()")
    assert core.page.evaluate("() => trialog.clock.ahead") == pytest.approx(7200, abs=2)
    core.add()
    core.wait_sent()
    (line,) = stub.lines.values()
    corrected, raw = core.page.evaluate(
        "([one, two]) => [Date.parse(one), Date.parse(two)]", [line["time"], line["tablet_time"]]
    )
    assert raw - corrected == pytest.approx(7_200_000, abs=2000)


def test_a_clock_that_is_set_back_while_there_is_no_network_is_noticed(core_page, stub):
    tablet = core_page()
    tablet.page.add_init_script(f"({CLOCK})()")
    tablet.enrol()
    stub.trouble = "down"
    before = tablet.page.evaluate("() => trialog.clock.now()")
    tablet.page.evaluate("() => moveClock(-2)")
    assert tablet.page.evaluate("() => trialog.clock.now()") == pytest.approx(before, abs=3000)
    assert tablet.page.evaluate("() => trialog.clock.ahead") == pytest.approx(-7200, abs=3)


def test_the_screens_lead_from_the_code_to_the_pin(core_page):
    tablet = core_page().open()
    page = tablet.page
    page.wait_for_selector("#screen-enrol:not([hidden])")
    page.fill("#enrol-code", "7K3M9QPT")
    page.click("#enrol-go")
    page.click('#people [data-person="1"]')
    for digit in "2642":
        page.click(f'#pin-digits [data-digit="{digit}"]')
    page.click('#pin-digits [data-digit="back"]')
    page.click('#pin-digits [data-digit="1"]')
    page.click("#pin-go")
    page.wait_for_function("() => trialog.tablet.person !== null")
    page.wait_for_selector("#screen-pin", state="hidden")


def test_a_wrong_pin_is_said_on_the_screen(core_page, stub):
    tablet = core_page().enrol()
    tablet.page.click('#people [data-person="1"]')
    tablet.page.fill("#pin", WRONG)
    tablet.page.click("#pin-go")
    tablet.page.wait_for_function(
        "() => document.getElementById('pin-said').textContent === trialog.texts.t('pin.wrong')"
    )
    assert tablet.page.input_value("#pin") == ""


@pytest.mark.parametrize("place", ["people", "cells"])
def test_a_button_under_a_finger_stays_while_the_tablet_looks_at_the_server(core, place):
    first = core.page.evaluate_handle("(id) => document.getElementById(id).children[0]", place)
    core.page.evaluate("() => trialog.tablet.refresh()")
    assert first.evaluate("(button) => button.isConnected")


def test_the_list_of_people_shows_who_has_signed_out(core):
    person = core.page.locator("#people [data-person='1']")
    expect(person).to_have_attribute("aria-current", "true")
    sign_out(core)
    expect(person).not_to_have_attribute("aria-current", "true")
