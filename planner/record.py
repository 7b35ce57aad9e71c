"""WHEEL.json, the record of one wheel: what was planned for it and what was done to it, in order."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import Annotated, Any, Literal, Self

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from models.batch import Batch
from models.errors import CannotAnswer, InputError
from models.written import Above0, NotNegative, Number, Table, Whole, as_tuple, between, checked
from planner.build import Build, build_of
from planner.schedule import Schedule, schedule_of

KIND = "wheel record"
FORMAT = 1
KEPT = ("batch", "holds", "steps", "passes", "set_begins", "untreated", "forecast", "target_N", "limits", "warnings")
Kind = Literal["planned", "stretched", "slack", "laced", "turned", "session", "delivered", "reading", "void"]
KINDS: tuple[Kind, ...] = (
    "planned",
    "stretched",
    "slack",
    "laced",
    "turned",
    "session",
    "delivered",
    "reading",
    "void",
)


def _utc(value: datetime) -> datetime:
    if value.tzinfo is None:
        raise ValueError("a time with its offset, such as 2025-03-02T21:40:00Z")
    return value.astimezone(UTC)


Moment = Annotated[datetime, AfterValidator(_utc)]
Numbers = Annotated[tuple[Number, ...], BeforeValidator(as_tuple)]
Positions = Annotated[tuple[Annotated[Whole, between(1, 72, "(a position)")], ...], BeforeValidator(as_tuple)]
MOST_N = 10_000.0  # no spoke bears more: a slip of the pen
Tight = Annotated[Above0, between(0, MOST_N, "N")]
Celsius = Annotated[Number, between(-40, 90, "degC")]


class Sheet(Table):
    """One round of readings, by position."""

    tension_N: Numbers  # of the spoke with the gauge off
    sd_N: Numbers | None = None  # of each; None: as the build file says
    lateral_mm: Numbers | None = None
    radial_mm: Numbers | None = None
    dish_mm: Number | None = None
    temperature_C: Celsius | None = None

    @model_validator(mode="after")
    def _alike(self) -> Self:
        for name in ("sd_N", "lateral_mm", "radial_mm"):
            values = getattr(self, name)
            if values is not None and len(values) != len(self.tension_N):
                raise ValueError(f"{name} holds {len(values)} numbers, tension_N {len(self.tension_N)}")
        return self


class Entry(Table):
    """What all entries have."""

    n: Whole  # 1, 2, ...
    at_utc: Moment  # when it happened
    noted_utc: Moment  # when it was written down
    words: str = ""  # the builder's own


class Sides(Table):
    """Set tension of each side."""

    left: Tight
    right: Tight


class Planned(Entry):
    """The schedule that is followed from here on (schedule.json, without what else was weighed)."""

    kind: Literal["planned"] = "planned"
    schedule: dict[str, Any]


class Stretched(Entry):
    """Spokes had their time on the frame; ``at_utc`` is when the load was taken off."""

    kind: Literal["stretched"] = "stretched"
    positions: Positions
    load_N: Tight
    hours: NotNegative
    temperature_C: Celsius


class Slack(Entry):
    """Spokes hang slack from now on, where that is not the end of their night."""

    kind: Literal["slack"] = "slack"
    positions: Positions


class Laced(Entry):
    """All spokes in the wheel at a small tension."""

    kind: Literal["laced"] = "laced"
    tension_N: Annotated[NotNegative, between(0, MOST_N, "N")]


class Turned(Entry):
    """Nipples turned within a session, after a reading and before the next one."""

    kind: Literal["turned"] = "turned"
    turns: Numbers
    before_N: Numbers  # as read before, at the shop's temperature
    after_N: Numbers  # as foretold for after


class SessionDone(Entry):
    """A set, touch or pass that is over; ``at_utc`` is its start."""

    kind: Literal["session"] = "session"
    session: Literal["set", "touch", "pass"]
    hours: Above0
    tension_N: Sides
    temperature_C: Celsius | None = None
    turns: Numbers | None = None
    before: Sheet | None = None
    after: Sheet | None = None


class Delivered(Entry):
    """The wheel left the shop."""

    kind: Literal["delivered"] = "delivered"


class Reading(Entry):
    """All spokes read, nipples left alone."""

    kind: Literal["reading"] = "reading"
    readings: Sheet


class Void(Entry):
    """An entry that was wrong counts no longer; it stays in the file."""

    kind: Literal["void"] = "void"
    entry: Whole


AnyEntry = Annotated[
    Planned | Stretched | Slack | Laced | Turned | SessionDone | Delivered | Reading | Void,
    Field(discriminator="kind"),
]


class Record(Table):
    """A whole WHEEL.json."""

    kind: Literal["wheel record"]
    format: Literal[1]
    made_with: str = ""
    id: str
    name: str
    begun_utc: Moment
    build: dict[str, Any]
    batch: dict[str, Any]
    positions: Annotated[tuple[str, ...], BeforeValidator(as_tuple)] | None = None  # labels of the spokes, by position
    entries: Annotated[tuple[AnyEntry, ...], BeforeValidator(as_tuple)] = ()

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        for i, entry in enumerate(self.entries, start=1):
            if entry.n != i:
                raise ValueError(f"entries: number {i} is called {entry.n}: entries were removed or moved")
        return self

    @property
    def the_build(self) -> Build:
        """The build as it was when the record began."""
        return build_of(self.build, f"record of '{self.name}': build")

    @property
    def the_batch(self) -> Batch:
        """The batch as it was known when the record began."""
        return Batch.from_dict(self.batch)

    def standing(self) -> Iterator[AnyEntry]:
        """Entries that count, by when they happened (then by number)."""
        void = {e.entry for e in self.entries if isinstance(e, Void)}
        kept = [e for e in self.entries if e.n not in void and not isinstance(e, Void)]
        yield from sorted(kept, key=lambda e: (e.at_utc, e.n))

    @property
    def planned(self) -> Planned | None:
        """The schedule in force; None: none was given."""
        plans = [e for e in self.standing() if isinstance(e, Planned)]
        return max(plans, key=lambda e: e.n) if plans else None

    @property
    def schedule(self) -> Schedule | None:
        """Its steps."""
        plan = self.planned
        if plan is None:
            return None
        return schedule_of(plan.schedule["steps"], self.the_build.shop.temperature_C)

    @property
    def sessions(self) -> list[SessionDone]:
        """Sessions that took place, in order."""
        return [e for e in self.standing() if isinstance(e, SessionDone)]

    @property
    def set_utc(self) -> datetime | None:
        """Start of the set; None: not yet."""
        done = self.sessions
        return done[0].at_utc if done else None

    @property
    def laced(self) -> Laced | None:
        """When it was laced; None: not yet."""
        return next((e for e in self.standing() if isinstance(e, Laced)), None)

    @property
    def delivered(self) -> Delivered | None:
        """When it was delivered; None: not yet."""
        return next((e for e in self.standing() if isinstance(e, Delivered)), None)

    @property
    def turned(self) -> list[Turned]:
        """Nipples turned since the last session that is over."""
        done = self.sessions
        since = done[-1].at_utc + timedelta(hours=done[-1].hours) if done else None
        return [e for e in self.standing() if isinstance(e, Turned) and (since is None or e.at_utc >= since)]

    def stretched(self) -> dict[int, Stretched]:
        """The last night on the frame of each position that had one."""
        return {p: e for e in self.standing() if isinstance(e, Stretched) for p in e.positions}

    def slack_since(self) -> dict[int, datetime]:
        """Since when each spoke that is not laced hangs slack."""
        out: dict[int, datetime] = {}
        for e in self.standing():
            if isinstance(e, Stretched | Slack):
                out |= dict.fromkeys(e.positions, e.at_utc)
            elif isinstance(e, Laced):
                out = {}
        return out


def hours_between(start: datetime, end: datetime) -> float:
    """Elapsed hours."""
    return (end - start).total_seconds() / 3600.0


def refuse_disproved(schedule: Mapping[str, Any]) -> None:
    """A plan whose own proof, a night of spare spokes, left the band that its batch promised is not followed.

    Raises
    ------
    CannotAnswer
        With what was measured and what was promised at the end of that night.
    """
    proof = schedule.get("proof")
    if not isinstance(proof, Mapping) or proof.get("within") is not False:
        return
    words = ""
    try:
        measured, band = float(proof["tension_N"][-1]), proof["expected_N"]
        words = f" ({measured:.0f} N at its end, promised were {band['p05'][-1]:.0f} to {band['p95'][-1]:.0f} N)"
    except (KeyError, IndexError, TypeError, ValueError):
        pass
    raise CannotAnswer(
        f"this plan is refused: in the night of spare spokes (key 'proof') their tension left the band{words}; fit the "
        "batch again with that run, then plan again"
    )


def kept_of(schedule: Mapping[str, Any]) -> dict[str, Any]:
    """What the record keeps of schedule.json.

    Raises
    ------
    InputError
        It has no steps, or they are not as they should be.
    CannotAnswer
        Its proof speaks against it.
    """
    refuse_disproved(schedule)
    steps = schedule.get("steps")
    if not isinstance(steps, list) or not steps:
        raise InputError("key 'steps' is missing or empty: not a schedule that can be followed")
    schedule_of(steps)
    keys = (
        "batch",
        "holds",
        "steps",
        "passes",
        "set_begins",
        "untreated",
        "forecast",
        "target_N",
        "limits",
        "warnings",
        "proof",
    )
    return {k: schedule[k] for k in keys if k in schedule}


def written(moment: datetime) -> str:
    """A moment as files have it: 2025-03-02T21:40:00Z."""
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def record_of(content: Mapping[str, Any], where: str) -> Record:
    """A record from the content of its file.

    Raises
    ------
    InputError
        One message: another kind of file, another version's, or the key that is wrong.
    """
    if content.get("kind") != KIND:
        raise InputError(f"{where}: not a wheel's record (key 'kind' is not '{KIND}'); 'longhold wheel new' makes one")
    if content.get("format") != FORMAT:
        raise InputError(
            f"{where}: written in format {content.get('format')!r}, this version of longhold reads format {FORMAT}"
        )
    record = checked(Record, content, where)
    build = build_of(record.build, f"{where}: build")
    try:
        Batch.from_dict(record.batch)
    except InputError as error:
        raise InputError(f"{where}: batch: {error}") from None
    n = build.wheel.spokes
    if record.positions is not None and len(record.positions) != n:
        raise InputError(f"{where}: positions holds {len(record.positions)} labels, the wheel has {n} spokes")
    for entry in record.entries:
        try:
            _fits(entry, n, len(record.entries))
        except InputError as error:
            raise InputError(f"{where}: entry {entry.n} ({entry.kind}): {error}") from None
    return record


def _fits(entry: AnyEntry, spokes: int, count: int) -> None:
    """Raises InputError where an entry does not fit a wheel of so many spokes."""
    match entry:
        case Stretched() | Slack():
            if not entry.positions:
                raise InputError("positions: at least one")
            if max(entry.positions) > spokes or len(set(entry.positions)) != len(entry.positions):
                raise InputError(f"positions lie in 1 to {spokes}, each once")
        case Turned():
            for name in ("turns", "before_N", "after_N"):
                _as_many(name, getattr(entry, name), spokes)
        case SessionDone():
            if entry.turns is not None:
                _as_many("turns", entry.turns, spokes)
            for name in ("before", "after"):
                sheet = getattr(entry, name)
                if sheet is not None:
                    _as_many(f"{name}.tension_N", sheet.tension_N, spokes)
        case Reading():
            _as_many("readings.tension_N", entry.readings.tension_N, spokes)
        case Planned():
            kept_of(entry.schedule)
        case Void():
            if not 1 <= entry.entry <= count or entry.entry == entry.n:
                raise InputError(f"entry {entry.entry} does not exist")


def _as_many(name: str, values: Sequence[float], spokes: int) -> None:
    if len(values) != spokes:
        raise InputError(f"{name} holds {len(values)} numbers, the wheel has {spokes} spokes")
