"""Eighths of a turn as a builder says them."""

from __future__ import annotations


def fraction(turns: float) -> str:
    """+1/8, -3/4, +1 1/2, 0."""
    eighths = round(abs(float(turns)) * 8)
    if not eighths:
        return "0"
    whole, part = divmod(eighths, 8)
    text = str(whole) if whole else ""
    if part:
        top, bottom = part, 8
        while top % 2 == 0:
            top, bottom = top // 2, bottom // 2
        text = f"{text} {top}/{bottom}".strip()
    return ("-" if turns < 0 else "+") + text
