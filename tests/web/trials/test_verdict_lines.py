"""The page behind each line of a verdict."""

from uuid import uuid4

import pytest
from sqlalchemy import select
from support.cells import closing, count, good, opening

from trialog.evidence.reasons import EXPLANATIONS
from trialog.records.models import Entry
from trialog.web.shifts.forms import KEEPS

pytestmark = pytest.mark.database("sqlite")
"""The pages are tried here; what they call is tried on both in tests/evidence."""


def page(visitor, on_trial, key):
    answer = visitor.get(f"{on_trial.url}/lines/{key}")
    assert answer.status_code == 200
    return answer.text


def test_every_line_has_a_page_that_explains_it_also_before_the_first_cycle(on_trial, operator):
    whole = operator.get(on_trial.url).text
    for key, explanation in EXPLANATIONS.items():
        assert f'href="{on_trial.url}/lines/{key}"' in whole
        text = page(operator, on_trial, key)
        assert explanation in text.replace("&#39;", "'")
        assert "What would change it" in text
    assert operator.get(f"{on_trial.url}/lines/luck").status_code == 404


def test_a_failure_leads_to_its_line_in_the_shift(on_trial, operator):
    cell = on_trial.cell
    on_trial.shift("A", good=50, failed=[cell.chips], counters=(0, 51))
    failed = on_trial.session.scalars(select(Entry).where(Entry.kind == "failed")).one()
    text = page(operator, on_trial, "damage")
    assert "failed cycle 1, chips left" in text
    link = f"/shifts/{failed.shift_id}#line-{failed.sequence}"
    assert f'href="{link}"' in text
    assert f'id="line-{failed.sequence}"' in operator.get(link).text
    assert "Rule on the failures" not in page(operator, on_trial, "rulings")


def test_what_an_engineer_may_do_about_a_line_is_offered_there(on_trial, engineer):
    on_trial.shift("A", good=50, failed=[on_trial.cell.dropped])
    assert f"{on_trial.url}/rulings" in page(engineer, on_trial, "rulings")
    assert f"{on_trial.url}/acknowledge" in page(engineer, on_trial, "cautions")
    assert "no reading" in page(engineer, on_trial, "counter")


def test_a_change_that_kept_the_evidence_leads_to_the_revisions(on_trial, engineer, cell):
    engineer.post(
        f"/cells/{cell.id}/revisions/new",
        {
            "client_id": str(uuid4()), "device": cell.arm.id, "what": "new <label>",
            "resets": KEEPS, "reason": "paint only",
        },
    )  # fmt: skip
    text = page(engineer, on_trial, "changes")
    assert "<label>" not in text
    assert f"/cells/{cell.id}/revisions/new" in text


def test_behind_the_counter_stands_what_the_machine_said(on_trial, operator):
    gaps = [count(9 + number, reason=f"lost {number}") for number in range(5)]
    on_trial.write(opening("A"), good("A", 9), count(4), *gaps, closing("A"))
    text = page(operator, on_trial, "counter")
    assert "What the machine itself said" in text
    assert ">4<br>" in text
    assert ">13<br>" in text
    assert "lost 0" in text
    assert "lost 3" not in text
    assert "and 2 more" in text
    shift_id = on_trial.session.scalars(select(Entry.shift_id).where(Entry.kind == "count")).first()
    link = f"/shifts/{shift_id}#machine"
    assert f'href="{link}"' in text
    assert 'id="machine"' in operator.get(link).text
    assert "machine itself" not in page(operator, on_trial, "plan")
