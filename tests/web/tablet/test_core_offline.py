"""The page opens without a network, and takes a newer shell at the next load."""

from __future__ import annotations

import pytest
from support.browsing import SWITCHES, browser_path
from support.core_page import CorePage

from trialog.web.logging import shell

pytestmark = pytest.mark.database("sqlite")  # the browser does not know which database answers

NEWER = '<p id="newer">a newer page</p></main>'
CACHES = "async () => (await caches.keys()).sort()"


@pytest.fixture
def upgrade(app, stub, monkeypatch):
    """Return what replaces the server's tablet page by a newer one."""
    render = shell._render

    def do(more=""):
        def newer(number):
            return render(number).replace("</main>", more + NEWER)

        monkeypatch.setattr(shell, "_render", newer)
        app.extensions["trialog_shell"].clear()
        with app.test_request_context():
            stub.version = shell.version()
        return stub.version

    return do


def test_the_page_opens_signs_in_and_logs_without_a_network(core, stub):
    core.wait_worker()
    core.page.evaluate("() => trialog.people.leave(1)")
    core.page.context.set_offline(True)
    core.reload()
    assert core.sign_in()["ok"]
    core.add(2)
    core.reload()
    core.add()
    assert core.now()["waiting"] == [1, 2, 3]
    core.page.context.set_offline(False)
    core.wait_sent()
    assert stub.numbers == [1, 2, 3]


def test_every_language_and_every_file_is_there_without_a_network(core):
    failed = []
    core.wait_worker()
    core.page.context.set_offline(True)
    core.page.on("requestfailed", lambda request: failed.append(request.url))
    core.reload()
    sizes = core.page.evaluate("""async () => {
      const shelf = JSON.parse(document.getElementById("languages").textContent);
      const texts = await Promise.all(Object.values(shelf).map(({address}) => fetch(address)));
      const read = await Promise.all(texts.map((one) => one.json()));
      return read.map((one) => Object.keys(one.texts).length);
    }""")
    assert min(sizes) > 50
    assert [url for url in failed if "/api/" not in url] == []


def test_an_address_with_a_cell_or_a_code_opens_without_a_network_too(core):
    core.wait_worker()
    core.page.context.set_offline(True)
    core.page.goto(f"{core.url}?cell=3")
    core.ready()
    assert core.page.url == core.url
    assert core.now()["key"]


def test_no_answer_of_the_server_is_kept_in_the_cache(core):
    core.wait_worker()
    core.add()
    core.wait_sent()
    kept = core.page.evaluate("""async () => {
      const shelves = await Promise.all((await caches.keys()).map((name) => caches.open(name)));
      const files = await Promise.all(shelves.map((shelf) => shelf.keys()));
      return files.flat().map((request) => new URL(request.url).pathname);
    }""")
    assert kept
    assert [path for path in kept if not path.startswith(("/static/", "/tablet/"))] == []


def test_a_newer_shell_is_told_of_and_taken_at_the_next_load(core, stub, upgrade):
    core.wait_worker()
    version = core.page.evaluate("() => trialog.version")
    newer = upgrade()
    core.page.evaluate("() => trialog.tablet.refresh()")
    core.page.wait_for_function("() => trialog.update.ready")
    assert core.page.evaluate("() => trialog.version") == version
    assert core.page.query_selector("#newer") is None
    core.page.context.set_offline(True)
    core.reload()
    assert core.page.evaluate("() => trialog.version") == newer
    assert core.page.query_selector("#newer") is not None


def test_an_older_page_goes_on_logging_against_a_newer_server(core, stub, upgrade):
    core.wait_worker()
    stub.trouble = "down"
    core.add(2)
    old = core.page.evaluate("() => trialog.version")
    upgrade()
    stub.trouble = None
    core.add()
    core.wait_sent()
    assert stub.numbers == [1, 2, 3]
    assert stub.batches[-1]["page"] == old


def test_an_older_worker_opens_its_page_and_the_queue_outlives_the_change(core, stub, upgrade):
    core.wait_worker()
    stub.trouble = "down"
    core.add(3)
    newer = upgrade()
    core.reload()  # the older worker answers, and the browser finds the newer one meanwhile
    core.page.wait_for_function("() => trialog.update.ready")
    core.add()
    core.reload()
    assert core.page.evaluate("() => trialog.version") == newer
    assert core.now()["waiting"] == [1, 2, 3, 4]
    stub.trouble = None
    core.nudge()
    core.wait_sent()
    assert stub.numbers == [1, 2, 3, 4]
    assert stub.batches[-1]["page"] == newer


def test_at_most_one_older_shell_stays(core, upgrade):
    core.wait_worker()
    core.page.evaluate("""() => {
      window.taken = [];
      navigator.serviceWorker.addEventListener("message", ({data}) => taken.push(data.version));
    }""")
    for count in range(1, 4):
        newer = upgrade(f"<i>{count}</i>")
        core.page.evaluate("() => navigator.serviceWorker.ready.then((one) => one.update())")
        core.page.wait_for_function("(newer) => window.taken.includes(newer)", arg=newer)
    names = core.page.evaluate(CACHES)
    assert len(names) == 2
    assert f"trialog-shell-{newer}" in names


def test_a_shell_that_changed_while_it_was_fetched_is_not_taken(core, stub, app, monkeypatch):
    core.wait_worker()
    before = core.page.evaluate(CACHES)
    with app.test_request_context():
        true = shell.shell()
    worker = true.worker.replace(true.version.encode(), b"0123456789ab")
    app.extensions["trialog_shell"][""] = shell.Shell(
        true.version, true.page, worker, true.manifest
    )
    refused = core.page.evaluate("""async () => {
      const registration = await navigator.serviceWorker.ready;
      const found = new Promise((done) => registration.addEventListener("updatefound", () => {
        const worker = registration.installing;
        worker.addEventListener("statechange", () => done(worker.state));
      }));
      await registration.update().catch(() => {});
      return found;
    }""")
    assert refused == "redundant"
    assert core.page.evaluate(CACHES) == before


def test_plain_http_logs_and_says_what_it_cannot_do(playwright, stub, stub_url):
    port = stub_url.rpartition(":")[2]
    browser = playwright.chromium.launch(
        executable_path=browser_path(),
        args=[*SWITCHES, "--host-resolver-rules=MAP shop.example 127.0.0.1"],
    )
    try:
        page = CorePage(browser.new_page(), f"http://shop.example:{port}").enrol()
        assert page.page.evaluate("() => isSecureContext") is False
        assert page.sign_in()["ok"]
        assert set(page.now()["limits"]) == {"no-offline", "no-offline-pin", "may-be-cleared"}
        stub.trouble = "down"
        assert all(one["kept"] for one in page.add(3))
        assert page.sign_in()["why"] == "not here yet"
        photo = page.page.evaluate("() => trialog.sha256(new Uint8Array([1, 2, 3]).buffer)")
        assert photo == "039058c6f2c0cb492c533b0a4d14ef77cc0f78abccced5287d84a1a2011cfb81"
        page.reload()
        stub.trouble = None
        page.nudge()
        page.wait_sent()
        assert stub.numbers == [1, 2, 3]
    finally:
        browser.close()


def test_two_tabs_on_plain_http_send_each_line_once(playwright, stub, stub_url):
    port = stub_url.rpartition(":")[2]
    browser = playwright.chromium.launch(
        executable_path=browser_path(),
        args=[*SWITCHES, "--host-resolver-rules=MAP shop.example 127.0.0.1"],
    )
    try:
        context = browser.new_context()
        one = CorePage(context.new_page(), f"http://shop.example:{port}").enrol()
        two = CorePage(context.new_page(), f"http://shop.example:{port}").open()
        stub.trouble = "down"
        one.add(5)
        two.add(5)
        stub.trouble = None
        one.nudge()
        two.nudge()
        for tab in (one, two):
            tab.page.wait_for_function("() => trialog.outbox.waiting.length === 0")
            tab.page.evaluate("() => trialog.tablet.refresh()")  # which it does every 15 seconds
            tab.wait_sent()
        assert stub.numbers == list(range(1, 11))
    finally:
        browser.close()
