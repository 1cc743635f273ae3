"""The whole job once, in a real browser: from a requirement to a signed verdict that lapses."""

from __future__ import annotations

import csv
from datetime import UTC, datetime, timedelta

import pytest
from PIL import Image
from playwright.sync_api import expect
from scipy import stats
from support.browsing import PATIENCE
from support.tablet_page import TabletPage

from trialog.evidence import check_document, read_document
from trialog.records.verify import verify

TABLET = {"width": 1280, "height": 800}
STRETCH_CYCLES, CHANCE, CONFIDENCE, DESIGN = 15, 0.8, 0.8, 1 / 150
FIRST_READING = 41_200


def smallest_plan():
    """Find the smallest fixed plan from the exact binomial distribution of scipy."""
    limit = 1 - CHANCE ** (1 / STRETCH_CYCLES)
    cycles = 1
    for allowed in range(20):
        while stats.binom.cdf(allowed, cycles, limit) > 1 - CONFIDENCE:
            cycles += 1
        if stats.binom.cdf(allowed, cycles, DESIGN) >= 0.9:
            return cycles, allowed
    raise AssertionError("no plan allows fewer than 20 failures")


class Crew:
    """The people of the job, taking turns at one browser, which is the tablet too."""

    def __init__(self, browser, url, people):
        self.people, self.url = people, url
        context = browser.new_context(viewport=TABLET, has_touch=True, accept_downloads=True)
        context.set_default_timeout(PATIENCE)
        self.page = context.new_page()
        self.complaints = []
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.page.on(
            "console",
            lambda line: self.complaints.append(line.text) if line.type == "error" else None,
        )
        self.page.on(
            "response",
            lambda answer: (
                self.complaints.append(f"{answer.status} {answer.url}")
                if answer.status >= 400
                else None
            ),
        )

    def sign_in(self, person):
        self.page.context.clear_cookies()
        self.page.goto(f"{self.url}/login")
        self.page.get_by_text(person.name).click()
        self.page.get_by_label("PIN").fill(self.people.pin(person))
        self.page.get_by_role("button", name="Sign in").click()
        expect(self.page.get_by_role("button", name="Sign out", exact=True)).to_be_visible()

    def press(self, name, **options):
        """Press a button that leads to a page, and wait for that page."""
        with self.page.expect_navigation():
            self.page.get_by_role("button", name=name, **options).click()

    def follow(self, name, **options):
        with self.page.expect_navigation():
            self.page.get_by_role("link", name=name, **options).first.click()

    def fill(self, **fields):
        for label, value in fields.items():
            self.page.get_by_label(label.replace("_", " "), exact=False).first.fill(str(value))

    def open_trial(self, name="Loading cell by hand"):
        self.page.goto(self.url)
        self.follow(name)
        return self.page


@pytest.fixture
def crew(browser, live_server, people):
    crew = Crew(browser, live_server.url, people)
    yield crew
    crew.page.context.close()
    assert crew.complaints == []


@pytest.fixture
def picture(tmp_path):
    """Return a picture as a camera makes it, larger than anybody needs."""
    path = tmp_path / "jam.jpg"
    Image.effect_noise((2560, 1920), 20).convert("RGB").save(path)
    return path


def test_from_a_requirement_to_a_signed_verdict_that_lapses(
    crew, people, picture, session, tmp_path
):
    cycles, allowed = smallest_plan()
    assert allowed >= 3, "the story needs a plan that allows three failures"

    crew.sign_in(people.engineer)
    set_up(crew, cycles, allowed)
    make_a_tablet(crew)
    log_forty_cycles_with_three_failures(crew, picture)
    crew.sign_in(people.operator)
    read_the_shift_report(crew)
    see_what_is_missing(crew, cycles)

    crew.sign_in(people.engineer)
    rule_on_the_failures(crew)
    import_the_rest(crew, people, cycles - 40, tmp_path)
    acknowledge(crew)
    page = crew.open_trial()
    expect(page.get_by_text("GO", exact=True).first).to_be_visible()
    expect(page.get_by_text("Every line of the verdict holds.")).to_be_visible()

    crew.sign_in(people.approver)
    sign(crew, people.approver)
    expect(page.locator("main")).to_contain_text("Still to sign: engineer.")
    crew.sign_in(people.engineer)
    sign(crew, people.engineer)
    expect(page.locator("main")).to_contain_text("Signed off: signed by Anna Approver")
    document = page.request.get(f"{crew.url}/sign-offs/2/document.json").body()
    record_a_revision(crew)
    page = crew.open_trial()
    expect(page.get_by_text("The sign-off by Anna Approver")).to_contain_text("has lapsed")
    expect(page.get_by_text("The sign-off by Anna Approver")).to_contain_text("stiffer gripper")
    expect(page.get_by_text("Nothing proven yet")).to_be_visible()
    session.rollback()  # so that it sees what the server committed
    assert verify(session) == []
    assert check_document(session, read_document(document)).holds


def set_up(crew, cycles, allowed):
    page = crew.page
    crew.follow("Set up the first cell")
    crew.fill(Cell_name="Loading cell", Machine="Lathe", Part="Sleeve", Operation="op 10")
    crew.fill(Planned_cycle_time=60)
    crew.fill(**{"Device against: dropped part": "gripper"})
    crew.fill(**{"Device against: chips left": "jet", "Device against: ejection miss": "kicker"})
    crew.press("Set up the cell")
    page.goto(f"{crew.url}/cells/1/requirements/new")
    crew.fill(Name="quarter of an hour alone", Unattended_stretch=0.25)
    crew.fill(Chance_of_no_stop=80, Confidence=80)
    crew.fill(**{"Design rate: one failure in": 150, "Shifts": 2})
    crew.press("Work it out")
    crew.press("Fix the requirement")
    page.goto(f"{crew.url}/requirements/1/trials/new")
    crew.fill(Trial_name="Loading cell by hand")
    page.get_by_label("What is under trial").select_option(label="whole cell")
    page.get_by_label("Plan", exact=True).select_option("fixed-size")
    crew.press("Work out the plan")
    expect(page.get_by_text(f"{cycles} cycles with at most {allowed} failures")).to_be_visible()
    crew.press("Begin the trial")


def make_a_tablet(crew):
    """Make the browser a tablet, as an engineer's press does it."""
    page = crew.page
    page.goto(f"{crew.url}/tablets")
    crew.press("Log here")
    page.get_by_role("button", name="Loading cell").tap()
    expect(page.locator("#screen-people")).to_be_visible()


def log_forty_cycles_with_three_failures(crew, picture):
    crew.page.context.clear_cookies()  # the tablet has its own key, and needs nobody's session
    tablet = TabletPage(crew.page, crew.url)
    tablet.sign_in(crew.people.operator, crew.people.pin(crew.people.operator))
    tablet.skip_guide()
    tablet.open_shift(counter=FIRST_READING)
    for _ in range(25):
        tablet.tap_good()
    tablet.await_logged(25)
    for count, mode in enumerate(("dropped part", "ejection miss", "dropped part"), start=26):
        tablet.fail(mode)
        tablet.await_logged(count)
    take_photo(tablet, picture)
    tablet.fail("dropped part")
    tablet.await_logged(29)
    tablet.undo_last()
    tablet.await_logged(28)
    tablet.bulk(12)
    tablet.await_logged(40)
    expect(crew.page.locator("#failed")).to_have_text("3")
    expect(crew.page.locator("#counter")).to_have_text(
        f"Counter should read {FIRST_READING + 40:,}"
    )
    tablet.close_shift(counter=FIRST_READING + 40)
    expect(crew.page.locator("#halt-words")).to_have_text(
        "40 cycles logged, 3 of them failed. Everything is saved on the server."
    )


def take_photo(tablet, picture):
    tablet.open_more("photo")
    expect(tablet.page.locator("#photo-of")).to_have_text("For: failed cycle 28, dropped part")
    tablet.page.set_input_files("#photo-file", picture)
    tablet.page.locator("#photo-save").tap()
    expect(tablet.page.locator("#last")).to_have_text("Last: photo")


def read_the_shift_report(crew):
    crew.page.goto(f"{crew.url}/shifts/1")
    body = crew.page.locator("main")
    expect(body).to_contain_text("The machine counted 40 cycles")
    expect(body).to_contain_text("they agree")
    upper = stats.binomtest(3, 40, alternative="less").proportion_ci(CONFIDENCE).high
    # reports say bounds in percent, rounded up to two digits
    expect(body).to_contain_text(f"at most {-(-upper * 100 // 1):.0f} %")
    photo = body.get_by_alt_text("Photo of failed cycle 28, dropped part, taken by")
    assert photo.evaluate("(image) => image.decode().then(() => image.naturalWidth)") == 1280


def see_what_is_missing(crew, cycles):
    page = crew.open_trial()
    expect(page.get_by_text("KEEP RUNNING").first).to_be_visible()
    expect(page.locator("main")).to_contain_text(f"{cycles - 40} more clean cycles")


def rule_on_the_failures(crew):
    page = crew.open_trial()
    crew.follow("Rulings")
    for left in (2, 1, 0):
        page.locator(".ruling", has_text="not ruled on").first.get_by_role(
            "button", name="Rule relevant"
        ).click()
        expect(page.get_by_text(f"{left} waiting for a ruling")).to_be_visible()


def import_the_rest(crew, people, cycles, folder):
    path = folder / "rest.csv"
    start = datetime.now(UTC) - timedelta(minutes=cycles + 5)
    with path.open("w", newline="", encoding="utf-8") as file:
        rows = csv.writer(file)
        rows.writerow(["shift", "cycle", "time", "outcome", "modes", "operator", "note", "counter"])
        first = FIRST_READING + 40
        rows.writerow(["rest", "", start.isoformat(), "open", "", people.operator.name, "", first])
        for number in range(1, cycles + 1):
            moment = (start + timedelta(minutes=number)).isoformat()
            rows.writerow(["rest", number, moment, "good", "", people.operator.name, "", ""])
        end = (start + timedelta(minutes=cycles + 1)).isoformat()
        rows.writerow(["rest", "", end, "close", "", people.operator.name, "", first + cycles])
    page = crew.open_trial()
    crew.follow("Import a log")
    page.get_by_label("File", exact=False).first.set_input_files(path)
    crew.press("Look at the file")
    expect(page.get_by_text("Every line of this file can be imported.")).to_be_visible()
    crew.press("Import ")


def acknowledge(crew):
    """Acknowledge the cautions, and that all failures came in the first shift."""
    page = crew.page
    for kind, text in (
        ("cautions", "Guarding and lock-out are with the safety engineer."),
        ("trend or burst", "All three came in the first hour, before the gripper was warm."),
    ):
        crew.open_trial()
        crew.follow("Acknowledge cautions or a pattern")
        page.locator("select[name=kind]").select_option(kind)
        page.locator("[name=text]").fill(text)
        crew.press("Put on record")


def sign(crew, person):
    page = crew.open_trial()
    crew.follow("Sign this GO")
    for box in page.get_by_role("checkbox").all():
        box.check()
    page.locator("[name=statement]").fill("I watched both shifts and accept this verdict.")
    page.locator("[name=pin]").fill(crew.people.pin(person))
    crew.press("Sign", exact=True)
    expect(page).to_have_url(f"{crew.url}/trials/1#rp-signed")
    expect(page.locator("main")).to_contain_text("I watched both shifts and accept this verdict.")
    expect(page.locator("main")).not_to_contain_text("has lapsed")


def record_a_revision(crew):
    page = crew.page
    page.goto(f"{crew.url}/cells/1/revisions/new")
    page.locator("[name=what]").fill("stiffer gripper")
    crew.press("Record the revision")
    expect(page.get_by_text("stiffer gripper").first).to_be_visible()
