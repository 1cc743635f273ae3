"""A page that comes from memory is the page that was made first, in another session."""

from __future__ import annotations

import re

ONCE = re.compile(
    r'(name="(?:csrf_token|client_id|ruling_id)"[^>]*value=)"[^"]*"|as it stood on [^<]*'
)
"""What differs however little has changed: keys against sending twice, the time of a look."""


def read(client, path):
    answer = client.get(path)
    assert answer.status_code == 200
    return ONCE.sub("", answer.text)


def test_a_page_that_is_remembered_is_the_page_that_was_made(demo_pages):
    kept = demo_pages.app.extensions["trialog_pages"]._memory._kept
    kept.clear()
    pages = [*demo_pages.trials, demo_pages.shift]
    made = [read(demo_pages.client, path) for path in pages]
    assert len(kept) == len(pages)
    assert [read(demo_pages.client, path) for path in pages] == made
