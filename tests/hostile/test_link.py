"""Some hundred answers of a Modbus peer that lies; the long run is `python -m tests.hostile.link`."""

from __future__ import annotations

import pytest

from tests.hostile.link import LIES, SERIAL_LIES, silent_writes, throw


@pytest.mark.parametrize(("serial", "count"), [(False, 90), (True, 50)], ids=["tcp", "serial line"])
async def test_no_lie_is_taken_for_an_answer_and_no_truth_is_lost_after_it(serial: bool, count: int) -> None:
    ended, broken = await throw(count, 3, serial=serial)
    assert broken == []
    told = {what.split(":")[0] for what in ended}
    assert len(told) > 0.7 * len(set(SERIAL_LIES if serial else LIES)), "too few kinds of lies were told"


async def test_a_write_is_sent_once_whatever_its_answer() -> None:
    assert await silent_writes(25, 3) == []
