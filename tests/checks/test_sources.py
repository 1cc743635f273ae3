"""Every figure from outside says where it is from and how far that was seen."""

from __future__ import annotations

import pytest
from support.published import FOLDER, read_published

TOPICS = sorted(path.stem for path in FOLDER.glob("*.csv"))

STATUSES = {
    "PUBLISHED-SEEN",  # the source itself was read
    "PUBLISHED-SEEN(2ndhand)",  # somebody else's quotation of it was read
    "FROM-MEMORY",
    "ORACLE",  # worked out by another library or by an independent method
}


@pytest.mark.parametrize("topic", TOPICS)
def test_every_row_says_where_it_is_from_and_how_far_that_was_seen(topic):
    rows = read_published(topic)
    assert rows
    assert {row.status for row in rows} <= STATUSES
    assert all(row.source for row in rows)


def test_no_two_rows_have_one_id():
    ids = [row.id for topic in TOPICS for row in read_published(topic)]
    assert len(set(ids)) == len(ids) >= 200


def test_every_topic_is_held_against_the_mathematics():
    tests = (FOLDER.parent / "reliability").glob("test_published_*.py")
    read = "".join(path.read_text(encoding="utf-8") for path in tests)
    assert [topic for topic in TOPICS if f'"{topic}"' not in read] == []
