"""Guided work as plain prompts, for a place without a screen: the same sheets and walks as the screens have."""

from __future__ import annotations

from collections.abc import Awaitable, Callable

from bench.frame import FrameReading
from models.errors import InputError, LongholdError
from planner.build import Build
from tui import format as show
from tui import planplay
from tui.placing import GO, Placing, interlocks
from tui.planplay import KNOBS, Played
from tui.proving import Proving
from tui.summary import steps_in_words, verdict
from tui.turns import fraction
from tui.typed import Sheet
from tui.walk import Walk

Say = Callable[[str], None]
Ask = Callable[[str], str]  # shows a prompt and gives a line; "q" at the end of input
READINGS_HELP = "a number takes it; - undoes; + leaves this one out; t switches reading/tension; q leaves"


def readings(sheet: Sheet, keep: Callable[[Sheet], None], ask: Ask, say: Say) -> bool:
    """Type a round of readings line by line; False where it was left unfinished (what was read is kept)."""
    say(READINGS_HELP)
    again: dict[int, str] = {}
    while True:
        if sheet.done:
            say(f"all {sheet.count} spokes are read" + ("" if not again else f"; look again at {_listed(again)}"))
            line = ask("Enter ends, - undoes, a position goes there: ").strip().lower()
            if line in ("", "q"):
                return True
            if line.isdigit() and 1 <= int(line) <= sheet.count:
                sheet.cursor = int(line) - 1
                line = ask(_prompt(sheet)).strip().lower()
        else:
            line = ask(_prompt(sheet)).strip().lower()
        if line == "q":
            return False
        if line == "-":
            position = sheet.undo()
            say("nothing to undo" if position is None else f"position {position + 1} is taken back")
        elif line == "+":
            sheet.move(1)
        elif line == "t":
            say(sheet.switch() or f"now type in {sheet.unit}")
        elif line:
            position = sheet.cursor
            problem = sheet.put(line)
            if problem is not None:
                say(f"! {problem}")
                continue
        else:
            continue
        keep(sheet)
        before, again = again, sheet.odd()
        for i in sorted(again):
            if i not in before:
                say(f"! position {i + 1}: {again[i]}")


def _listed(positions: dict[int, str]) -> str:
    return ", ".join(str(i + 1) for i in sorted(positions))


def _prompt(sheet: Sheet) -> str:
    i = sheet.cursor
    likely = sheet.likely_N(i)
    hint = "" if likely is None else f", likely about {show.number(likely)} N"
    return f"[{sheet.read}/{sheet.count}] position {i + 1}, {sheet.side(i)}{hint}; {sheet.unit}: "


def turns(walk: Walk, keep: Callable[[Walk], None], ask: Ask, say: Say) -> bool:
    """Walk a session move by move; False where it was left unfinished (where it stands is kept)."""
    say("Enter: done, next; -: back by one; q: leave. + tightens; hold the spoke's end against twist")
    for words in walk.look_first:
        say(f"! LOOK FIRST at {words}")
    while not walk.over:
        move = walk.current
        assert move is not None
        i = move.position - 1
        which = f"round {move.round}/{walk.rounds}, " if walk.rounds > 1 else ""
        line = ask(
            f"[{walk.done + 1}/{len(walk.moves)}] {which}position {move.position}: {fraction(move.turns)}   "
            f"(now {walk.now_N[i]:.0f} N, {walk.after_N[i]:.0f} N in the end; {walk.left_in_words()}) "
        )
        word = line.strip().lower()
        if word == "q":
            return False
        if word == "-":
            say("back by one" if walk.undo() else "this is the first one")
        elif word == "":
            walk.do()
        else:
            say("Enter, - or q")
            continue
        keep(walk)
    say("all turns are done: read all spokes again")
    return True


async def placing(placing: Placing, look: Callable[[], Awaitable[FrameReading]], ask: Ask, say: Say) -> bool:
    """Place spokes station by station; True once the word was given and nothing stands in the way."""
    say("for each station: a new spoke, both ends seated, not twisted, slack. Enter takes the label in brackets;")
    say("another label may be typed; 'empty' leaves the station out; - goes back; q leaves")
    while True:
        if placing.all_said:
            line = ask(f"{len(placing.on_stations)} spokes are placed. Everybody clear? Type {GO} to begin: ")
        else:
            reading = await look()
            i = placing.cursor
            load = show.with_unit(reading.stations[i].load_N, "N", 1)
            line = ask(f"station {placing.names[i]} ({load}) [{placing.labels[i]}]: ")
        word = line.strip()
        if word.lower() == "q":
            return False
        if word == "-":
            placing.back()
            continue
        reading = await look()
        if not placing.all_said:
            label = "" if word.lower() == "empty" else word or placing.labels[placing.cursor]
            problem = placing.accept(label, reading)
            if problem is not None:
                say(f"! {problem}")
            continue
        stands = interlocks(reading)
        if word.lower() != GO:
            say(f"! type {GO}, or q to leave")
        elif stands:
            say(f"! not yet: {', '.join(stands)}")
        elif not placing.on_stations:
            say("! no station has a spoke; - goes back")
        else:
            return True


async def frame(proof: Proving, look: Callable[[], Awaitable[FrameReading]], ask: Ask, say: Say) -> bool:
    """Prove a frame act by act; False where it was left unfinished."""
    say("do what is asked, keep it so, then Enter; s leaves it out; - goes back; q leaves")
    while True:
        act = proof.current
        if act is None:
            say("all was seen" + (f", but for: {', '.join(proof.left_out)}" if proof.left_out else ""))
            return True
        if proof.first is None:
            proof.see(await look())  # how it stands before anything is done
            if proof.current is not act:
                say(f"{act.name}: seen already")
                continue
        word = ask(f"[{len(proof.done) + 1}/{len(proof.acts)}] {act.words} ").strip().lower()
        if word == "q":
            return False
        if word == "s":
            proof.leave_out()
        elif word == "-":
            proof.back()
        elif word:
            say("! Enter, s, - or q")
        else:
            amiss = proof.see(await look())
            if proof.current is act:
                say(f"! not seen{f': {amiss}' if amiss else ''}")


def plan(build: Build, make: Callable[[Build, Callable[[str], None]], Played], ask: Ask, say: Say) -> Build:
    """Change requirements line by line and plan again; the build as it was left."""
    say(f"NAME VALUE changes and plans again ({', '.join(k.key for k in KNOBS)}); Enter plans as it is; q leaves")
    again = True
    while True:
        if again:
            try:
                found = make(build, lambda _words: None)
            except LongholdError as error:
                say(f"! {error}")
            else:
                say("   ".join(f"{k.words} {planplay.text(build, k)}" for k in KNOBS))
                steps = steps_in_words(found.schedule["steps"])
                for words in (*verdict(found.schedule), *(f"  {i}. {t}" for i, t in enumerate(steps, start=1))):
                    say(words)
                for row in planplay.tradeoff_rows(found.schedule):
                    say(f"  {row}")
        line = ask("change: ").strip().lower()
        again = True
        if line == "q":
            return build
        name, _, raw = line.partition(" ")
        knob = next((k for k in KNOBS if k.key == name), None)
        if not line:
            continue
        try:
            if knob is None:
                raise InputError(f"'{name}' is none of {', '.join(k.key for k in KNOBS)}")
            build = planplay.changed(build, knob, _number(raw))
        except InputError as error:
            say(f"! {error}")
            again = False


def _number(raw: str) -> float:
    try:
        return float(raw.replace(",", "."))
    except ValueError:
        raise InputError(f"'{raw}' is no number") from None
