"""What stands behind each line of a verdict."""

from trialog.evidence import acknowledge, judge
from trialog.evidence.behind import behind
from trialog.records.words import AcknowledgementKind, Condition, EntryKind


def found(bench, trial, key):
    evidence = judge(bench.session, trial).evidence
    made = behind(bench.session, evidence, key)
    return [shift.label for shift in made.shifts], [entry.client_id for entry in made.entries]


def test_behind_the_plan_are_the_shifts_that_count_and_the_relevant_failures(bench):
    trial = bench.trial(bench.arm)
    (first,) = bench.run("A", 9, [bench.drop])
    second, _ = bench.run("B", 9, [bench.slow, bench.chips], first=10)
    bench.open("empty", counter=21)
    bench.close(counter=22)
    bench.rule(second, relevant=False)
    assert found(bench, trial, "plan") == (["A", "B"], [first])
    assert found(bench, trial, "patterns") == (["A", "B"], [first])


def test_behind_damage_are_the_failures_that_can_and_their_shifts(bench):
    trial = bench.trial()
    bench.run("A", 9, [bench.drop])
    assert found(bench, trial, "damage") == ([], [])
    (failed,) = bench.run("B", 9, [bench.chips], first=10)
    assert found(bench, trial, "damage") == (["B"], [failed])


def test_behind_the_rulings_are_the_failures_and_what_was_ruled_on_them(bench):
    trial = bench.trial(bench.arm)
    first, second = bench.run("A", 9, [bench.drop, bench.drop])
    withdrawn = bench.rule(first, relevant=False)
    bench.undo(withdrawn)
    ruled = bench.rule(second, relevant=False)
    assert found(bench, trial, "rulings") == (["A"], [first, second, ruled])


def test_behind_the_counter_are_the_readings_of_every_shift_that_bears_on_it(bench):
    trial = bench.trial()
    bench.open("A", counter=0)
    opened = f"e{bench.number}"
    bench.good(5)
    closed = bench.close(counter=9)
    assert found(bench, trial, "counter") == (["A"], [opened, closed])


def test_behind_changes_are_those_since_the_evidence_began_and_the_one_that_began_it(bench):
    trial = bench.trial(bench.arm)
    assert found(bench, trial, "changes") == ([], [])
    bench.run("A", 5)
    began = bench.revise(bench.arm, "new claw")
    kept = bench.revise(bench.arm, "new label", resets=False, reason="paint only")
    bench.revise(bench.jet, "new hose")
    assert found(bench, trial, "changes") == ([], [began, kept])


def test_behind_conditions_are_the_marks_since_the_evidence_began(bench):
    trial = bench.trial(bench.arm)
    bench.open("A", counter=0)
    bench.write(EntryKind.CONDITION, condition=Condition.COLD_START)
    bench.good(5)
    mark = {"condition": Condition.TOOL_CHANGE}
    bench.revise(bench.arm, "new claw")
    counted = bench.write(EntryKind.CONDITION, **mark)
    bench.undo(bench.write(EntryKind.CONDITION, **mark))
    bench.good(5)
    bench.close(counter=10)
    assert found(bench, trial, "conditions") == (["A"], [counted])


def test_behind_cautions_and_patterns_is_what_was_acknowledged(bench):
    trial = bench.trial()
    for kind in AcknowledgementKind:
        acknowledge(bench.session, trial, kind, f"{kind} seen", actor=bench.engineer,
                    now=bench.clock)  # fmt: skip
    evidence = judge(bench.session, trial).evidence
    said = {
        key: [noted.text for noted in behind(bench.session, evidence, key).acknowledged]
        for key in ("plan", "patterns", "cautions")
    }
    assert said == {"plan": [], "patterns": ["trend or burst seen"], "cautions": ["cautions seen"]}


def test_conditions_of_a_trial_from_the_beginning_are_all_of_its_marks(bench):
    trial = bench.trial()
    bench.open("A", counter=0)
    counted = bench.write(EntryKind.CONDITION, condition=Condition.COLD_START)
    bench.good(5)
    bench.close(counter=5)
    assert found(bench, trial, "conditions") == (["A"], [counted])


def test_behind_the_counter_is_also_what_the_machine_itself_said(bench):
    trial = bench.trial()
    bench.open("A", counter=0)
    bench.good(5)
    for counter, why in ((3, ""), (4, "the agent was started anew"), (5, "")):
        bench.write(EntryKind.COUNT, counter=counter, reason=why, person_id=None)
    bench.close(counter=5)
    bench.run("B", 9, first=5)
    evidence = judge(bench.session, trial).evidence
    (said,) = behind(bench.session, evidence, "counter").machine
    assert (said.lines, said.first.counter, said.last.counter, said.gaps) == (3, 3, 5, 1)
    assert [line.reason for line in said.missing] == ["the agent was started anew"]
    assert behind(bench.session, evidence, "plan").machine == ()
