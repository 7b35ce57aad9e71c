"""A retension session walked nipple by nipple: what to turn next, what is left, undone, kept where it stops."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from models.errors import InputError
from tui import format as show
from tui.turns import fraction


@dataclass(frozen=True, slots=True, kw_only=True)
class Move:
    """One nipple turned once."""

    round: int  # 1, 2, ...
    position: int  # 1 to N
    turns: float  # + tightens


@dataclass(slots=True, kw_only=True)
class Walk:
    """The moves of one answer of `retension --json`, and how many of them are done."""

    moves: tuple[Move, ...]
    rounds: int
    now_N: tuple[float, ...]  # by position, before the first move
    after_N: tuple[float, ...]  # by position, after the last
    look_first: tuple[str, ...]  # readings that do not fit, in words
    session: str
    set_N: tuple[float, float]
    why: str
    done: int = 0
    spokes: int = field(default=0)

    @property
    def over(self) -> bool:
        """Nothing is left to turn."""
        return self.done >= len(self.moves)

    @property
    def current(self) -> Move | None:
        """The next move."""
        return None if self.over else self.moves[self.done]

    @property
    def left(self) -> tuple[int, float]:
        """Moves and turns (both ways counted) still to do."""
        rest = self.moves[self.done :]
        return len(rest), sum(abs(m.turns) for m in rest)

    def left_of(self, position: int) -> float:
        """Turns that this nipple still gets, with their sign."""
        return sum(m.turns for m in self.moves[self.done :] if m.position == position)

    def do(self) -> None:
        """The present move is done."""
        if not self.over:
            self.done += 1

    def undo(self) -> bool:
        """Back by one move; False at the first."""
        if self.done == 0:
            return False
        self.done -= 1
        return True

    def left_in_words(self) -> str:
        """How much is left."""
        moves, turns = self.left
        if not moves:
            return "nothing is left to turn"
        return f"left to do: {show.counted(moves, 'move')}, {fraction(turns).lstrip('+')} turns in all"

    def net_turns(self) -> list[float]:
        """Turns done so far, by position."""
        out = [0.0] * self.spokes
        for m in self.moves[: self.done]:
            out[m.position - 1] += m.turns
        return out


def walk_of(answer: Mapping[str, Any], where: str) -> Walk:
    """From the answer of `longhold retension --json`.

    Raises
    ------
    InputError
        It is no such answer.
    """
    wrong = f"{where}: not an answer of 'longhold retension --json'"
    try:
        rounds = [[(int(m["position"]), float(m["turns"])) for m in moves] for moves in answer["rounds"]]
        now = tuple(float(t) for t in answer["tension_now_N"])
        after = tuple(float(t) for t in answer["tension_after_N"])
        aim = answer["set_tension_N"]
        set_N = float(aim["left"]), float(aim["right"])
        outliers = tuple(f"position {o['position']}: {o['why']}" for o in answer["outliers"])
        session, why = str(answer["session"]), str(answer["why"])
    except (KeyError, TypeError, ValueError, OverflowError):
        raise InputError(wrong) from None
    moves = tuple(Move(round=k, position=p, turns=t) for k, one in enumerate(rounds, start=1) for p, t in one)
    if len(now) != len(after) or any(not 1 <= m.position <= len(now) for m in moves):
        raise InputError(wrong)
    if not all(map(math.isfinite, (*now, *after, *set_N, *(m.turns for m in moves)))):
        raise InputError(f"{wrong}: it holds a number without end")
    return Walk(
        moves=moves,
        rounds=len(rounds),
        now_N=now,
        after_N=after,
        look_first=outliers,
        session=session,
        set_N=set_N,
        why=why,
        spokes=len(now),
    )
