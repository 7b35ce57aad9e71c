"""The tables of the explanation, computed from the demonstration's invented batch by the shipped equations."""

from __future__ import annotations

import re
from collections.abc import Callable

from bench.invented import invented_batch
from models.chain import Chain, ChainState, elastic_strain, virgin
from models.relax import Session, in_wheel, rest

TENSION_N, ROOM_C, FOLLOW_UP = 1000.0, 20.0, 0.2
HOUR_S, DAY_S = 3600.0, 86400.0
SET_S = 600.0  # at the tension, before the nipples are left alone
STRETCH_N, STRETCH_S = 1500.0, 12 * HOUR_S
LENGTH_MM = 280.0
SLACK = (("10 min", 600.0), ("30 min", 1800.0), ("2 h", 7200.0), ("8 h", 28800.0), ("1 d", DAY_S), ("3 d", 3 * DAY_S))


def left_percent(chain: Chain, state: ChainState, hours: float) -> float:
    """Tension that is left after a set and some hours alone, percent of the set."""
    set_to = [Session(at_s=0.0, tension_N=TENSION_N, hold_s=SET_S)]
    tension, _ = in_wheel(chain, state, set_to, [SET_S + hours * HOUR_S], FOLLOW_UP, ROOM_C)
    return 100.0 * float(tension[0]) / TENSION_N


def parts() -> str:
    """What a spoke's length is made of after a time at the wheel's tension, and what warmth and load do to the flow."""
    chain = invented_batch().chain
    rows = ["| at 1000 N and 20 °C for | spring | bedding | recoverable | flow |", "| --- | --- | --- | --- | --- |"]
    for name, seconds in (("1 min", 60.0), ("1 h", HOUR_S), ("12 h", 12 * HOUR_S), ("30 d", 30 * DAY_S)):
        state = rest(chain, virgin(chain), seconds, TENSION_N, ROOM_C)
        shares = (elastic_strain(chain, TENSION_N), state.bedding.sum(), state.recoverable.sum(), state.flow.sum())
        rows.append(f"| {name} | " + " | ".join(f"{LENGTH_MM * float(s):.3f} mm" for s in shares) + " |")
    return "\n".join(rows)


def flows() -> str:
    """Flow of a month, by load and temperature."""
    chain = invented_batch().chain
    temperatures = (20.0, 30.0, 40.0)
    rows = ["| flow of 30 days at | " + " | ".join(f"{c:.0f} °C" for c in temperatures) + " |"]
    rows.append("| --- |" + " --- |" * len(temperatures))
    for load in (1000.0, 1500.0):
        mm = [LENGTH_MM * float(rest(chain, virgin(chain), 30 * DAY_S, load, c).flow.sum()) for c in temperatures]
        rows.append(f"| {load:.0f} N | " + " | ".join(f"{m:.2g} mm" for m in mm) + " |")
    return "\n".join(rows)


def mornings() -> str:
    """The trade's way: set, leave overnight, set again."""
    chain = invented_batch().chain
    nights = [Session(at_s=k * (12 * HOUR_S + SET_S), tension_N=TENSION_N, hold_s=SET_S) for k in range(5)]
    times = [s.at_s + SET_S + 12 * HOUR_S - 1.0 for s in nights]
    tension, _ = in_wheel(chain, virgin(chain), nights, times, FOLLOW_UP, ROOM_C)
    head = "| morning | " + " | ".join(str(k + 1) for k in range(5)) + " |\n| --- |" + " --- |" * 5
    return head + "\n| found at | " + " | ".join(f"{float(t):.0f} N" for t in tension) + " |"


def slack() -> str:
    """What lying slack undoes of a stretch."""
    chain = invented_batch().chain
    stretched = rest(chain, virgin(chain), STRETCH_S, STRETCH_N, ROOM_C)
    rows = ["| slack before the set | left after the first night | after 7 days |", "| --- | --- | --- |"]
    for name, seconds in SLACK:
        state = rest(chain, stretched, seconds, 0.0, ROOM_C)
        rows.append(f"| {name} | {left_percent(chain, state, 12):.1f} % | {left_percent(chain, state, 168):.1f} % |")
    new = virgin(chain)
    rows.append(f"| never stretched | {left_percent(chain, new, 12):.1f} % | {left_percent(chain, new, 168):.1f} % |")
    return "\n".join(rows)


TABLES: dict[str, Callable[[], str]] = {"parts": parts, "flows": flows, "mornings": mornings, "slack": slack}
MARKED = re.compile(r"(<!-- computed: (\w+) -->\n).*?(<!-- end -->)", re.DOTALL)


def filled(page: str) -> str:
    """The page with its tables computed anew."""
    return MARKED.sub(lambda m: m[1] + "\n" + TABLES[m[2]]() + "\n\n" + m[3], page)
