"""The page on the machines that are listened to: each state in a word and a shape."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from trialog.records.database import unit_of_work
from trialog.records.feeds import NewFeed, add_feed
from trialog.records.models import Feed

NOW = timedelta()
"""Times are told from the moment of the test on."""

HELD = {"holder": "somebody", "held_until": timedelta(minutes=1)}


def test_without_a_feed_the_page_says_how_to_add_one(engineer, cell):
    page = engineer.get("/feeds").text
    assert "No machine is listened to" in page
    assert "trialog feed add --cell" in page
    assert 'href="/feeds"' in engineer.get(f"/cells/{cell.id}").text


@pytest.mark.parametrize(
    ("fields", "sign", "words"),
    [
        ({}, "○", "nobody follows it"),
        ({"enabled": False}, "Ⅱ", "trialog feed resume"),
        (HELD | {"heard_at": NOW}, "●", "listening"),
        (HELD, "▲", "not heard"),
        (HELD | {"heard_at": timedelta(hours=-1)}, "▲", "not heard"),
        (
            HELD | {"heard_at": NOW, "failing_since": NOW, "last_error": "the <agent> is away"},
            "▲",
            "the &lt;agent&gt; is away",
        ),
        (HELD | {"heard_at": NOW, "clock_ahead_seconds": -90.0}, "●", "90 s behind"),
    ],
)
def test_each_state_is_told(engineer, cell, session, fields, *, sign, words):
    now = datetime.now(UTC)
    with unit_of_work(session):
        new = NewFeed(url="http://127.0.0.1:5000", device="lathe", count_item="pc", state_item="ex")
        feed = add_feed(session, cell.cell, new, actor=None, now=now)
        feed_id = feed.id
    with unit_of_work(session):
        for name, value in fields.items():
            moment = now + value if isinstance(value, timedelta) else value
            setattr(session.get_one(Feed, feed_id), name, moment)
    session.rollback()
    page = engineer.get("/feeds").text
    assert f'<span aria-hidden="true">{sign}</span>' in page
    assert words in page
    assert ("tried again" in page) == (words.startswith("the &lt;"))
    assert "http://127.0.0.1:5000, device lathe" in page
