"""Is a schedule one that the build allows? The contract's rules, read without the program's help."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Any

import numpy as np

from tests.blind.wheelref import Wheel

EPS = 1e-6


def faults(
    steps: Sequence[Mapping[str, Any]], build: Mapping[str, Any], wheel: Wheel, stiffness_N_per_mm: float
) -> list[str]:
    """What in the schedule breaks the order of steps or a value of the build; empty if it is valid."""
    out: list[str] = []
    shop, spoke, tension = build["shop"], build["spoke"], build["tension"]
    kinds = [s["kind"] for s in steps]
    before = [k for k in kinds if k in ("prestretch", "rest", "laced")]
    if kinds[: len(before)] != before or before != [k for k in ("prestretch", "rest", "laced") if k in before]:
        out.append(f"order of steps: {kinds}")
    if kinds.count("set") != 1 or kinds[len(before) : len(before) + 1] != ["set"]:
        out.append("exactly one set must follow rest and lacing")
    if kinds.count("deliver") != 1 or kinds[-1] != "deliver":
        out.append("exactly one deliver, last")
    if out:
        return out
    by_kind = {s["kind"]: s for s in steps}
    out += _bench(by_kind, build, wheel.ring.spokes)
    laced = by_kind.get("laced")
    if (laced["hours"] if laced else 0.0) < shop["laced_h"] - EPS:
        out.append(f"laced shorter than laced_h = {shop['laced_h']}")
    if laced and abs(laced["tension_N"] - shop["lacing_tension_N"]) > 0.5:
        out.append(f"laced at {laced['tension_N']} N, the shop laces at {shop['lacing_tension_N']}")
    out += _sessions(steps, build)
    # limits in the wheel, stress relief counted
    relief = shop["stress_relief"]
    below = [share for share, _ in shop["set_profile"] if share < 1.0]  # squeezed before the last turn up
    peak = max(relief["peak_fraction"] * below[-1], 1.0) if relief["squeezes"] else 1.0
    limits = {
        "rim": build["wheel"]["rim"]["max_tension_N"],
        "hub": build["wheel"]["hub"]["max_tension_N"],
        "spoke in the wheel": spoke["max_fraction_of_break_wheel"] * spoke["break_load_N"],
    }
    for s in steps:
        if s["kind"] not in ("set", "touch", "pass"):
            continue
        top = max(s["tension_N"].values()) * peak
        out += [
            f"{s['kind']} peaks at {top:.0f} N, over the {k} limit {v:.0f}" for k, v in limits.items() if top > v + 0.5
        ]
        pattern = wheel.pattern(s["tension_N"]["left"], s["tension_N"]["right"])
        room = wheel.buckling_factor(np.full(wheel.ring.spokes, stiffness_N_per_mm), pattern)
        if room < 1.0 / 0.66:  # 0.6 of it, with a tenth for what the builder cannot know of the rim
            out.append(f"{s['kind']} at {1.0 / room:.2f} of the lateral buckling tension")
    if by_kind["deliver"]["at_h"] > tension["delivery_h"] + EPS:
        out.append(f"delivered at {by_kind['deliver']['at_h']} h, asked for {tension['delivery_h']} h")
    return out


def _bench(by_kind: Mapping[str, Any], build: Mapping[str, Any], spokes: int) -> list[str]:
    shop, spoke, out = build["shop"], build["spoke"], []
    stretch, rest = by_kind.get("prestretch"), by_kind.get("rest")
    if stretch is None:
        return out
    most = min(shop["max_bench_load_N"], spoke["max_fraction_of_break_bench"] * spoke["break_load_N"])
    if stretch["load_N"] > most + 0.5:
        out.append(f"bench load {stretch['load_N']:.0f} over {most:.0f} N")
    if stretch["hours"] > shop["max_bench_h"] + EPS:
        out.append(f"bench hours {stretch['hours']} over {shop['max_bench_h']}")
    if abs(stretch.get("temperature_C", shop["temperature_C"]) - shop["bench_temperature_C"]) > 0.01:
        out.append("bench temperature that the frame does not have")
    shortest = rest["hours"] if rest else 0.0
    if shortest < shop["slack_h"] - EPS:
        out.append(f"rest {shortest} h shorter than slack_h = {shop['slack_h']}")
    room = shop["stations"] * shop["spokes_per_station"]
    groups = stretch.get("groups")
    if not groups:
        if spokes > room:
            out.append(f"{spokes} spokes in one night on room for {room}, and no groups")
        return out
    placed = sorted(p for g in groups for p in g["positions"])
    if placed != list(range(1, spokes + 1)):
        out.append("groups do not hold every position once")
    rests = sorted(g["rest_h"] for g in groups)
    if abs(rests[0] - shortest) > 1e-3:
        out.append("rest is not the shortest of the groups")
    if max(len(g["positions"]) for g in groups) > room:
        out.append(f"a group larger than the frame's room for {room}")
    if len(rests) > 1 and min(b - a for a, b in pairwise(rests)) < stretch["hours"]:
        out.append("groups overlap on the frame")
    return out


def _sessions(steps: Sequence[Mapping[str, Any]], build: Mapping[str, Any]) -> list[str]:
    shop, out = build["shop"], []
    night_from = session_end = 0.0
    for s in steps:
        at = s.get("at_h")
        if s["kind"] == "set":
            if abs(at) > EPS:
                out.append("set not at 0 h")
            night_from = session_end = shop["set_session_h"]
        elif s["kind"] == "touch":
            if at < shop["set_session_h"] + 1.0 - EPS or at < session_end - EPS:
                out.append(f"touch at {at} h too early")
            if at + shop["pass_session_h"] > 9.0 + EPS:
                out.append(f"touch at {at} h is not on the day of the set")
            session_end = at + shop["pass_session_h"]
        elif s["kind"] == "pass":
            if at < night_from + shop["pass_interval_h"] - EPS or at < session_end - EPS:
                out.append(f"pass at {at} h: interval shorter than {shop['pass_interval_h']} h")
            night_from = session_end = at + shop["pass_session_h"]
        elif s["kind"] == "deliver" and at < session_end - EPS:
            out.append("delivered before the last session ended")
    return out
