"""Lines leave the tablet once, in order, and only when the server has them."""

from __future__ import annotations

import pytest
from support.stub_server import CODE, never

pytestmark = pytest.mark.database("sqlite")  # the browser does not know which database answers


def test_a_line_is_written_down_then_sent_with_who_which_tablet_and_both_clocks(core, stub):
    (made,) = core.add(shift="early A")
    assert made["kept"]
    core.wait_sent()
    (line,) = stub.lines.values()
    assert line["client_id"] == made["line"]["client_id"]
    assert (line["number"], line["person"], line["kind"], line["cycles"]) == (1, 1, "good", 1)
    assert {"time", "tablet_time"} <= set(line)
    assert "cell" not in line
    assert (line["seen"], line.get("waited")) == (0, None)
    assert stub.batches[0]["cell"] == 3
    assert stub.batches[0]["page"]


def test_the_answers_state_takes_the_place_of_the_lines_it_holds(core):
    core.page.evaluate("""() => {
      window.sums = [];
      window.watching = true;
      const channel = new MessageChannel();
      channel.port1.onmessage = () => { /* looks in every turn of the page, not when told */
        const state = trialog.tablet.cell.state;
        window.sums.push(state.logged + trialog.outbox.waiting.length);
        if (window.watching) channel.port2.postMessage(null);
      };
      channel.port2.postMessage(null);
    }""")
    core.add(5)
    core.wait_sent()
    core.page.evaluate("() => { window.watching = false; }")
    sums = core.page.evaluate("() => window.sums")
    assert sums == sorted(sums)
    assert sums[-1] == 5


def test_what_waits_survives_a_reload_and_keeps_its_order_and_numbers(core, stub):
    stub.trouble = "down"
    core.add(30)
    core.wait_trouble("unreachable")
    core.reload()
    assert core.now()["waiting"] == list(range(1, 31))
    assert core.now()["person"] == 1
    core.add(30)
    stub.trouble = None
    core.nudge()
    core.wait_sent()
    assert stub.numbers == list(range(1, 61))


def test_a_batch_holds_at_most_50_lines(core, stub):
    stub.trouble = "down"
    core.add(120)
    stub.trouble = None
    core.nudge()
    core.wait_sent()
    assert stub.numbers == list(range(1, 121))
    assert max(len(batch["entries"]) for batch in stub.batches) == 50


def test_a_batch_of_long_notes_is_cut_before_it_gets_too_large(core, stub):
    stub.trouble = "down"
    core.add(45, kind="note", cycles=None, text="é" * 2000)
    stub.trouble = None
    core.nudge()
    core.wait_sent()
    assert len(stub.lines) == 45
    assert all(len(str(batch).encode()) < 256 * 1024 for batch in stub.batches)


def test_a_lost_answer_makes_no_line_twice(core, stub):
    stub.trouble = "lost"
    core.add(3)
    core.wait_trouble("unreachable")
    assert core.now()["waiting"] == [1, 2, 3]
    stub.trouble = None
    core.nudge()
    core.wait_sent()
    assert stub.numbers == [1, 2, 3]
    assert core.now()["sequence"] == 3


def test_every_line_says_what_was_known_when_it_was_tapped_and_whether_it_had_to_wait(core, stub):
    core.add()
    core.wait_sent()
    stub.trouble = "down"
    core.add()
    core.wait_trouble("unreachable")
    core.add()
    stub.trouble = None
    core.nudge()
    core.wait_sent()
    core.add()
    core.wait_sent()
    assert [line["seen"] for line in stub.lines.values()] == [0, 1, 1, 3]
    assert [line.get("waited") for line in stub.lines.values()] == [None, True, True, None]


def test_lines_restored_from_the_disk_had_to_wait(core, stub):
    stub.trouble = "down"
    core.add(2)
    core.reload()
    stub.trouble = None
    core.nudge()
    core.wait_sent()
    assert [(line["seen"], line["waited"]) for line in stub.lines.values()] == [(0, True)] * 2


def test_a_parked_line_leaves_the_queue_and_is_told_until_it_is_seen(core, stub):
    stub.park = lambda line: line["number"] == 2
    core.add(3)
    core.wait_sent()
    (parked,) = core.now()["parked"]
    assert parked["line"]["number"] == 2
    assert parked["reason"]["message"] == "shift must be open"
    core.reload()
    assert len(core.now()["parked"]) == 1
    core.page.evaluate("() => trialog.outbox.seen()")
    core.reload()
    assert core.now()["parked"] == []
    assert stub.numbers == [1, 2, 3]


def test_one_line_that_spoils_its_request_stays_and_the_others_pass(core, stub):
    stub.trouble = "down"
    core.add(9)
    stub.refuse = lambda line: line["number"] == 5
    stub.trouble = None
    core.page.wait_for_function(
        """() => {
          trialog.outbox.nudge(); /* let no pause between two tries pass in vain */
          return trialog.outbox.waiting.length === 1;
        }"""
    )
    core.wait_trouble("refused")
    now = core.now()
    assert now["waiting"] == [5]
    assert (now["trouble"]["kind"], now["trouble"]["status"]) == ("refused", 422)
    assert sorted(stub.numbers) == [1, 2, 3, 4, 6, 7, 8, 9]
    stub.refuse = never
    core.reload()
    core.wait_sent()
    assert sorted(stub.numbers) == list(range(1, 10))


def test_a_revoked_tablet_keeps_everything_and_sends_it_under_its_new_key(core, stub):
    stub.key = "another key"
    core.add(3)
    core.wait_trouble("revoked")
    core.reload()
    assert core.now()["waiting"] == [1, 2, 3]
    assert core.page.evaluate(f"() => trialog.tablet.enrol('{CODE}')") == {"ok": True}
    core.wait_sent()
    assert stub.numbers == [1, 2, 3]


def test_a_wrong_code_changes_nothing(core):
    answer = core.page.evaluate("() => trialog.tablet.enrol('WRONG')")
    assert not answer["ok"]
    assert "engineer" in answer["message"]
    assert core.now()["key"]


def test_a_guest_networks_own_page_is_no_answer(core, stub):
    stub.trouble = "portal"
    core.add()
    core.wait_trouble("unreachable")
    assert core.now()["waiting"] == [1]


def test_a_server_that_never_answers_is_given_up_and_asked_again(core, stub):
    core.page.clock.install()
    core.reload()
    stub.trouble = "silent"
    with core.page.expect_request("**/api/tablet/entries"):
        core.add()
    assert core.now()["trouble"] is None
    core.page.clock.fast_forward(8_000)
    core.wait_trouble("unreachable")
    stub.speak()
    core.nudge()
    core.wait_sent()
    assert stub.numbers == [1]


def test_lines_for_two_cells_go_in_batches_of_their_own(core, stub):
    stub.trouble = "down"
    core.add(2)
    core.add(2, cell=4)
    core.add(1)
    stub.trouble = None
    core.nudge()
    core.wait_sent()
    good = [(batch["cell"], len(batch["entries"])) for batch in stub.batches][-3:]
    assert good == [(3, 2), (4, 2), (3, 1)]


PHOTO = """async () => {
  const photo = new Blob([new Uint8Array([255, 216, 255, 1, 2, 3])], {type: "image/jpeg"});
  const { line } = await trialog.outbox.add({kind: "photo", target: "x"}, {photo});
  return line.photo;
}"""


def test_a_photo_goes_before_the_line_that_names_it(core, stub):
    stub.trouble = "down"
    core.add()
    name = core.page.evaluate(PHOTO)
    core.add()
    core.reload()  # its bytes come from the disk
    stub.asked.clear()
    stub.trouble = None
    core.nudge()
    core.wait_sent()
    assert stub.photos[name][:3] == b"\xff\xd8\xff"
    assert stub.numbers == [1, 2, 3]
    order = [one for one in stub.asked if "pack" not in one]
    assert order.index(f"PUT /api/tablet/photos/{name}") < len(order) - 1


@pytest.mark.parametrize("status", [422, 413])
def test_a_photo_that_the_server_refuses_does_not_block_the_queue(core, stub, status):
    stub.photo_status = status
    core.add()
    core.page.evaluate(PHOTO)
    core.add()
    core.wait_sent()
    assert stub.numbers == [1, 2, 3]


def test_cycles_do_not_wait_for_a_photo_that_does_not_get_through(core, stub):
    stub.photo_status = 503
    core.page.evaluate(PHOTO)
    core.add(3)
    core.page.wait_for_function("() => trialog.outbox.waiting.length === 1")
    assert stub.numbers == [2, 3, 4]
    stub.photo_status = None
    core.nudge()
    core.wait_sent()
    assert stub.numbers == [2, 3, 4, 1]


def test_an_undo_goes_after_the_late_photo_that_it_takes_back(core, stub):
    stub.photo_status = 503
    core.page.evaluate(PHOTO)
    core.page.evaluate("""() => trialog.outbox.add(
      { kind: "undo", target: trialog.outbox.waiting[0].client_id })""")
    core.add(2)
    core.page.wait_for_function("() => trialog.outbox.waiting.length === 2")
    assert stub.numbers == [3, 4]
    stub.photo_status = None
    core.nudge()
    core.wait_sent()
    assert stub.numbers == [3, 4, 1, 2]


def test_photos_get_the_same_hash_where_the_browser_has_none_of_its_own(core):
    same = core.page.evaluate("""async () => {
      const results = [];
      for (const length of [0, 1, 55, 56, 63, 64, 65, 1000]) {
        const bytes = new Uint8Array(length).map((_, at) => (at * 7) % 256);
        results.push(trialog.sha256Here(bytes) === await trialog.sha256(bytes.buffer));
      }
      return results;
    }""")
    assert same == [True] * 8


def test_a_tablet_without_the_network_stays_at_its_cell(core, stub):
    stub.trouble = "down"
    assert core.page.evaluate("() => trialog.tablet.choose(4)") is False
    assert core.page.evaluate("() => [trialog.tablet.cellId, trialog.tablet.cell.id]") == [3, 3]


def test_a_tablet_moved_to_another_cell_sends_what_it_logged_at_the_first(core, stub):
    stub.trouble = "down"
    core.add(2)
    stub.trouble = "entries down"
    assert core.page.evaluate("() => trialog.tablet.choose(4)") is True
    assert core.page.evaluate("() => trialog.tablet.cell.name") == "Cell 4"
    stub.trouble = None
    core.nudge()
    core.wait_sent()
    assert {batch["cell"] for batch in stub.batches} == {3}
    assert core.page.evaluate("() => trialog.tablet.cell.state.label") == "early A"


def test_a_mistake_in_drawing_the_page_stops_no_line(core, stub):
    core.page.evaluate("""() => {
      const report = (event) => { window.reported = event.message; event.preventDefault(); };
      window.addEventListener("error", report, { once: true });
      let failed = false;
      trialog.outbox.onChange(() => {
        if (failed) return;
        failed = true;
        throw new Error("a mistake in drawing");
      });
    }""")
    core.add(3)
    core.wait_sent()
    assert stub.numbers == [1, 2, 3]
    assert "a mistake in drawing" in core.page.evaluate("() => window.reported")
