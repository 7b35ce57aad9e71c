"""Some hundred answers of a Modbus peer that lies (the long run: `python -m tests.hostile.link`), and a run's socket."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.status import REQUESTS, Mailbox, RequestServer
from tests.hostile.link import LIES, SERIAL_LIES, silent_writes, throw


@pytest.mark.parametrize(("serial", "count"), [(False, 90), (True, 50)], ids=["tcp", "serial line"])
async def test_no_lie_is_taken_for_an_answer_and_no_truth_is_lost_after_it(serial: bool, count: int) -> None:
    """On a serial line no number stands in an answer: one of the longest length that comes out of turn, or one that is
    seconds late, as a busy machine makes them, may be taken: those are counted and must be rare; over TCP none may be."""
    ended, broken = await throw(count, 3, serial=serial)
    late = [b for b in broken if " but those of " in b]
    assert [b for b in broken if b not in late] == []
    assert len(late) <= (0.04 * count if serial else 0)
    told = {what.split(":")[0] for what in ended}
    assert len(told) > 0.7 * len(set(SERIAL_LIES if serial else LIES)), "too few kinds of lies were told"


async def test_a_write_is_sent_once_whatever_its_answer() -> None:
    assert await silent_writes(25, 3) == []


lines = st.one_of(
    st.binary(max_size=200),
    st.text(max_size=100).map(str.encode),
    st.dictionaries(
        st.sampled_from(["ask", "station", "limit", "max_load_N", ""]) | st.text(max_size=6),
        st.none() | st.booleans() | st.integers() | st.floats() | st.sampled_from([*REQUESTS, "status", "give way", "A"])
        | st.text(max_size=12) | st.lists(st.integers(), max_size=3) | st.dictionaries(st.text(max_size=3), st.none()),
        max_size=4,
    ).map(lambda d: json.dumps(d).encode()),
)  # fmt: skip


@settings(max_examples=int(os.environ.get("HOSTILE_EXAMPLES", "400")), deadline=None, derandomize=True)
@given(line=lines)
def test_a_run_does_only_what_it_may_be_asked_whatever_comes_through_its_socket(line: bytes) -> None:
    """Property: one JSON object back; at most one request in the box, and that one of the four, of this run's stations."""
    box = Mailbox()
    answer = json.loads(json.dumps(RequestServer(Path("run.h5"), box)._answer(line), allow_nan=False))
    assert not box.stop, "no one is asked to give way who controls a run"
    assert all(what in REQUESTS and station is None for station, what in box.requests)
    assert len(box.requests) == (answer["ok"] and "status" not in answer)
    assert answer["ok"] or len(answer["error"]) < 700
