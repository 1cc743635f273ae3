"""Lines that say the same are hashed in one frame: each gets the hash that it gets on its own."""

from __future__ import annotations

from datetime import UTC, datetime

from hypothesis import given
from hypothesis import strategies as st

from trialog.records.chain import PROTECTED, Frame, canonical_time, entry_hash
from trialog.records.words import EntryKind, RulingCause

ids = st.from_regex(r"[A-Za-z0-9_.:-]{1,64}", fullmatch=True)
texts = st.text(st.characters(exclude_characters="\x00"), max_size=30)
numbers = st.none() | st.integers(1, 2**53)
times = st.datetimes(datetime(1900, 1, 1), timezones=st.timezones())  # noqa: DTZ001 - given zones
facts = st.fixed_dictionaries(
    dict.fromkeys(PROTECTED, st.none())
    | {
        "kind": st.sampled_from(EntryKind),
        "recorded_at": st.just(datetime(2026, 3, 2, tzinfo=UTC)),
        "cycles": numbers,
        "text": texts,
        "reason": texts,
        "photo": st.none() | texts,
        "cause": st.none() | st.sampled_from(RulingCause),
        "mode_ids": st.lists(st.integers(1, 9)),
    }
)
own = st.tuples(ids, st.integers(1, 2**53), times, numbers)


@given(facts, st.lists(own, min_size=1, max_size=3))
def test_a_frame_hashes_as_each_line_is_hashed_alone(common, lines):
    frame = Frame(common)
    for client_id, sequence, at, number in lines:
        line = common | {
            "client_id": client_id, "sequence": sequence, "occurred_at": at,
            "cycle_number": number,
        }  # fmt: skip
        assert frame.hash("f0", client_id, sequence, canonical_time(at), number) == (
            entry_hash("f0", line)
        )
