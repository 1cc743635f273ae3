"""What the tablet keeps when it is killed, full, cleared, or open twice."""

from __future__ import annotations

import pytest
from playwright.sync_api import expect
from support.core_page import CorePage
from support.stub_server import CODE
from support.waiting import until

pytestmark = pytest.mark.database("sqlite")  # the browser does not know which database answers


def devtools(core):
    return core.page.context.new_cdp_session(core.page)


def stored_numbers(core):
    """Return the numbers of the lines on the disk, read past the page's own memory."""
    return core.page.evaluate(
        "() => trialog.disk.read(['lines'], (shelf) => shelf('lines').getAllKeys())"
    )


def test_a_killed_browser_loses_no_line_that_it_acknowledged(core_kept, stub, stub_url):
    core = CorePage(core_kept.start(), stub_url).enrol()
    assert core.sign_in()["ok"]
    core.wait_worker()
    stub.trouble = "down"
    made = core.add(40)
    core_kept.kill()
    core = CorePage(core_kept.start(), stub_url).open()
    assert core.now()["person"] == 1
    stub.trouble = None
    core.nudge()
    core.wait_sent()
    assert list(stub.lines) == [one["line"]["client_id"] for one in made]
    assert stub.numbers == list(range(1, 41))


def test_numbers_go_on_after_everything_was_sent_and_the_browser_killed(core_kept, stub, stub_url):
    core = CorePage(core_kept.start(), stub_url).enrol()
    core.add(3)
    core.wait_sent()
    core_kept.kill()
    core = CorePage(core_kept.start(), stub_url).open()
    core.add()
    core.wait_sent()
    assert stub.numbers == [1, 2, 3, 4]


FULL = """() => {
  const full = () => localStorage.getItem("full") !== null;
  for (const name of ["add", "put"]) {
    const write = IDBObjectStore.prototype[name];
    IDBObjectStore.prototype[name] = function (...given) {
      const request = write.apply(this, given);
      if (full()) this.transaction.abort();
      return request;
    };
  }
}"""
"""A disk that takes nothing while it is full. Chromium's own switch for quotas (the one of its
developer tools) does not reach IndexedDB any more."""


def fill_disk(core):
    """Let the disk take nothing more; return what makes room again."""
    core.page.evaluate(FULL)
    core.page.evaluate("() => localStorage.setItem('full', 'yes')")
    return lambda: core.page.evaluate("() => localStorage.removeItem('full')")


def test_a_full_disk_keeps_lines_in_memory_says_so_and_writes_them_down_later(core, stub):
    core.page.clock.install()
    core.reload()
    stub.trouble = "down"
    core.add(2)
    make_room = fill_disk(core)
    made = core.add(3)
    assert [one["kept"] for one in made] == [False] * 3
    now = core.now()
    assert (now["waiting"], now["notKept"]) == ([1, 2, 3, 4, 5], 3)
    assert "not-kept" in now["limits"]
    assert stored_numbers(core) == [1, 2]
    make_room()
    core.page.clock.fast_forward(5_000)  # after that it is tried again
    core.page.wait_for_function("() => trialog.outbox.notKept === 0")
    assert "not-kept" not in core.now()["limits"]
    core.add()
    assert stored_numbers(core) == [1, 2, 3, 4, 5, 6]
    core.reload()
    stub.trouble = None
    core.nudge()
    core.wait_sent()
    assert stub.numbers == [1, 2, 3, 4, 5, 6]


def test_lines_in_memory_are_sent_as_well(core, stub):
    fill_disk(core)
    core.add(3)
    core.wait_sent()
    assert stub.numbers == [1, 2, 3]
    assert core.now()["notKept"] == 0


def test_numbers_given_in_memory_are_not_given_again(core, stub):
    make_room = fill_disk(core)
    core.add(3)
    core.wait_sent()
    make_room()
    core.reload()
    core.add(2)
    core.wait_sent()
    assert stub.numbers == [1, 2, 3, 4, 5]


THREE_ON_DISK = """() => trialog.disk.ready && trialog.disk.read(["lines"],
  (shelf) => shelf("lines").getAllKeys()).then((all) => all.length === 3, () => false)"""


def await_three_on_disk(core):
    """Wait for what the disk answers; `wait_for_function` would take the promise for a yes."""
    until(lambda: core.page.evaluate(THREE_ON_DISK))


def test_a_disk_that_was_cleared_gets_everything_back(core, stub):
    stub.trouble = "down"
    core.add(3)
    origin = core.page.evaluate("() => location.origin")
    devtools(core).send(
        "Storage.clearDataForOrigin", {"origin": origin, "storageTypes": "indexeddb,local_storage"}
    )
    await_three_on_disk(core)
    core.add()
    core.reload()
    now = core.now()
    assert (now["waiting"], now["person"]) == ([1, 2, 3, 4], 1)
    stub.trouble = None
    core.nudge()
    core.wait_sent()
    assert stub.numbers == [1, 2, 3, 4]


def test_a_newer_page_may_change_the_disk_while_this_one_is_open(core, stub):
    core.page.evaluate("""() => new Promise((done, fail) => {
      const request = indexedDB.open("trialog", 9);
      request.onupgradeneeded = () => request.result.createObjectStore("of a newer page");
      request.onsuccess = () => { request.result.close(); done(); };
      request.onerror = fail;
    })""")
    core.page.wait_for_function("() => trialog.disk.ready")
    assert core.add()[0]["kept"]
    core.reload()
    assert core.add()[0]["kept"]
    core.wait_sent()
    assert stub.numbers == [1, 2]


def test_a_browser_without_a_disk_logs_in_memory_and_says_so(core_page, stub):
    tablet = core_page()
    tablet.page.add_init_script("Object.defineProperty(window, 'indexedDB', {value: undefined})")
    tablet.enrol()
    assert tablet.sign_in()["ok"]
    stub.trouble = "down"
    assert tablet.add()[0]["kept"] is False
    assert "not-kept" in tablet.now()["limits"]
    assert tablet.now()["notKept"] == 1
    stub.trouble = None
    tablet.nudge()
    tablet.wait_sent()
    assert stub.numbers == [1]


def test_a_disk_that_answers_late_gets_the_lines_that_were_made_meanwhile(core, stub):
    stub.trouble = "down"
    core.add(2)
    core.page.add_init_script("""
      const open = IDBFactory.prototype.open;
      window.slow = true;
      IDBFactory.prototype.open = function (...given) {
        if (!window.slow) return open.apply(this, given);
        return {}; /* a request that nobody answers */
      };
    """)
    core.page.clock.install()
    core.page.reload()
    core.page.wait_for_function("() => window.trialog && trialog.tablet")
    core.page.clock.fast_forward(4_000)  # so long an answer is waited for
    core.page.evaluate("() => trialog.store.open()")
    assert core.now()["waiting"] == []
    expect(core.page.locator("#screen-enrol")).to_be_visible()
    core.add(2)
    core.page.evaluate("() => { window.slow = false; }")
    core.page.clock.fast_forward(5_000)  # after that it is asked again
    core.page.wait_for_function("() => trialog.outbox.waiting.length === 4")
    core.page.wait_for_function("() => trialog.outbox.notKept === 0")
    assert core.now()["waiting"] == [1, 2, 3, 4]
    assert stored_numbers(core) == [1, 2, 3, 4]
    expect(core.page.locator("#screen-board")).to_be_visible()


def test_a_disk_that_cannot_be_read_at_first_is_read_again(core):
    core.page.add_init_script("""
      const all = IDBObjectStore.prototype.getAllKeys;
      IDBObjectStore.prototype.getAllKeys = function () {
        IDBObjectStore.prototype.getAllKeys = all;
        throw new DOMException("not now", "UnknownError");
      };
    """)
    core.page.clock.install()
    core.page.reload()
    expect(core.page.locator("#screen-enrol")).to_be_visible()
    core.page.clock.fast_forward(5_000)  # after that it is asked again
    expect(core.page.locator("#screen-board")).to_be_visible()


def test_a_newer_page_waits_where_only_the_pages_memory_knows_that_this_is_a_tablet(
    core, core_page
):
    forgetful = core_page()
    forgetful.page.add_init_script("Object.defineProperty(window, 'indexedDB', {value: undefined})")
    forgetful.enrol()
    assert forgetful.now()["notKept"] == 0
    loads = """() => {
      const { update, signedIn } = trialog;
      let loads = 0;
      Object.assign(update, { ready: true, apply: () => { loads += 1; } });
      signedIn();
      return loads;
    }"""
    assert [one.page.evaluate(loads) for one in (core, forgetful)] == [1, 0]


def two_tabs(core, core_page):
    return core, core_page(core.page.context).open()


def test_two_tabs_never_give_a_number_twice_and_see_each_others_lines(core, core_page, stub):
    one, two = two_tabs(core, core_page)
    stub.trouble = "down"
    one.page.evaluate(
        "() => { for (let i = 0; i < 20; i += 1) trialog.outbox.add({kind: 'good', cycles: 1}); }"
    )
    two.add(20)
    one.page.wait_for_function("() => trialog.outbox.waiting.length === 40")
    two.page.wait_for_function("() => trialog.outbox.waiting.length === 40")
    assert one.now()["waiting"] == two.now()["waiting"] == list(range(1, 41))
    stub.trouble = None
    two.nudge()
    two.wait_sent()
    one.page.wait_for_function("() => trialog.outbox.waiting.length === 0")
    one.page.evaluate("() => trialog.tablet.refresh()")  # which it does every 15 seconds
    one.wait_sent()
    assert stub.numbers == list(range(1, 41))
    assert one.now()["sequence"] == two.now()["sequence"] == 40


def test_two_tabs_sign_in_and_out_together(core, core_page):
    one, two = two_tabs(core, core_page)
    assert two.now()["person"] == 1
    one.page.evaluate("() => trialog.people.leave(1)")
    two.page.wait_for_function("() => trialog.tablet.person === null")


def test_the_tab_that_stays_sends_what_the_closed_one_wrote(core, core_page, stub):
    one, two = two_tabs(core, core_page)
    stub.trouble = "down"
    one.add(3)
    two.page.wait_for_function("() => trialog.outbox.waiting.length === 3")
    one.page.close()
    stub.trouble = None
    two.nudge()
    two.wait_sent()
    assert stub.numbers == [1, 2, 3]


def test_enrolling_again_goes_on_with_the_numbers(core, stub):
    core.add(2)
    core.wait_sent()
    stub.key = "another key"
    core.page.evaluate(f"() => trialog.tablet.enrol('{CODE}')")
    core.add()
    core.wait_sent()
    assert stub.numbers == [1, 2, 3]


def test_a_disk_that_is_emptied_without_a_word_loses_no_line(core, stub):
    stub.trouble = "down"
    core.add(3)
    core.page.evaluate("""() => trialog.disk.write(["facts", "lines", "told", "photos"],
      (shelf) => ["facts", "lines", "told", "photos"].forEach((name) => shelf(name).clear()))""")
    core.nudge()
    await_three_on_disk(core)
    core.reload()
    now = core.now()
    assert (now["waiting"], now["person"]) == ([1, 2, 3], 1)
    stub.trouble = None
    core.nudge()
    core.wait_sent()
    assert stub.numbers == [1, 2, 3]


def test_a_line_that_one_tab_could_not_write_down_is_sent_by_the_other(core, core_page, stub):
    one, two = two_tabs(core, core_page)
    stub.trouble = "down"
    make_room = fill_disk(one)
    assert one.add()[0]["kept"] is False
    two.page.wait_for_function("() => trialog.outbox.notKept === 1")
    one.page.close()
    assert make_room
    stub.trouble = None
    two.nudge()
    two.wait_sent()
    assert stub.numbers == [1]
