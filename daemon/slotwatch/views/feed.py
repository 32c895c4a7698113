"""What changed between two snapshots, in the few bytes a page needs: the server-sent events.

Events and their data (JSON; `at` is the snapshot's own wall time, so that a page can see when judging hangs):

`house`      the API's house object, whole when something in it changed, else once a second `{"at", "uptime_s"}`.
`universes`  `{"at", "columns": [names], "rows": [[values]], "gone": [names]}`; names are keys of the API's universe
             object. A listener first gets every column of every row; later rows come with CHANGING columns when
             one of them changed, and with SLOW columns in turn. One such event at a time.
`incident`   one incident object at each of its revisions.
`levels`     of the one universe a listener asked for: `{"universe", "at", "levels", "slot_sources", …}`.
`universe`   that universe without its slots, once a second.

A listener merges by `universe`. Rates are quantised: a rate goes out again only when it moved by more than
RATE_STEP_HZ and RATE_STEP_RATIO, so that jitter costs nothing. 512 universes at 44 Hz with every frame different
cost about 8 kB/s.
"""

from __future__ import annotations

import json
from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from slotwatch.durations import NANOSECONDS
from slotwatch.house.schema import House
from slotwatch.snapshot import Incident, Snapshot
from slotwatch.views import incidents as incident_views
from slotwatch.views.counted import COUNTED
from slotwatch.views.sheet import Sheet
from slotwatch.views.universes import universe, universe_facts, universe_levels

RATE_STEP_HZ = 0.5
RATE_STEP_RATIO = 0.02
TURN_S = 10.0
"""Every universe's slow columns go out once in this time …"""
ALL_AT_ONCE = 32
"""… or once a second in a house of at most this many."""
STEADY_NS = 1_000_000_000
LATE_NS = 2 * STEADY_NS
"""How long the slow columns wait while rows change; then the changed rows wait for the next batch."""

CHANGING = (
    "universe",
    "state",
    "refresh_hz",
    "slots",
    "priority",
    "winning_source",
    "winning_name",
    "sent_by_routes",
    "sources",
    "last_frame_at",
    "incidents",
)
SLOW = ("universe", "refresh_hz", "frames", "lost_frames", "interval_ms", "last_frame_at", "last_change_at")

_EXACT = ("state", "slots", "priority", "winning_stream", "streams")
"""Columns of the snapshot whose every change goes out at once."""

Event = tuple[str, Mapping[str, object]]


def encode(events: list[Event]) -> bytes:
    """Write events as text/event-stream. Text from the network is JSON-escaped, so it cannot end a line."""
    return "".join(f"event: {name}\ndata: {_json(data)}\n\n" for name, data in events).encode()


def everything(sheet: Sheet, house: dict[str, object]) -> list[Event]:
    """What a listener needs first: the house, all universes with all columns, all open incidents."""
    rows = [universe(sheet, row) for row in range(len(sheet.snapshot.universe_names))]
    columns = list(rows[0]) if rows else ["universe"]
    found: list[Event] = [("house", streamed(house))]
    found.append(("universes", {"at": sheet.at, "columns": columns, "rows": [list(row.values()) for row in rows]}))
    return found + [
        ("incident", incident_views.incident(one)) for one in sheet.snapshot.incidents if one.closed_ns is None
    ]


def streamed(house: dict[str, object]) -> dict[str, object]:
    """The house as it is streamed: without the rows of fixtures that were asked, which a page asks for separately."""
    listener = house["listener"]
    asking = listener.get("asking") if isinstance(listener, dict) else None
    if not isinstance(listener, dict) or not isinstance(asking, dict):
        return house
    short = {key: value for key, value in asking.items() if key != "rows"}
    return {**house, "listener": {**listener, "asking": short}}


class Changes:
    """Remembers what was sent last, and says what is new. One for all listeners."""

    def __init__(self) -> None:
        self._names: tuple[str, ...] = ()
        self._sent: dict[str, NDArray[np.generic]] = {}
        self._incidents_of: dict[str, list[int]] = {}
        self._revisions: dict[int, int] = {}
        self._house: dict[str, object] = {}
        self._house_ns = 0
        self._turn_ns = 0
        self._turn_row = 0
        self._owed: set[str] = set()
        """Universes that changed and were not sent, since another event went first."""

    def take(self, sheet: Sheet, house: dict[str, object]) -> list[Event]:
        """Compare with what was sent before; the first call only remembers."""
        snapshot = sheet.snapshot
        is_first = not self._sent
        found = [*self._take_house(snapshot, house), *self._take_universes(sheet), *self.take_incidents(snapshot)]
        return [] if is_first else found

    def take_incidents(self, snapshot: Snapshot) -> list[Event]:
        """Incidents that were opened, revised or closed since; these need not wait for the next batch."""
        found: list[Event] = []
        held: dict[int, int] = {}
        for one in snapshot.incidents:
            held[one.id] = _mark(one)
            if self._revisions.get(one.id) != held[one.id]:
                found.append(("incident", incident_views.incident(one)))
        self._revisions = held
        return found

    def _take_house(self, snapshot: Snapshot, house: dict[str, object]) -> list[Event]:
        house = streamed(house)
        fixed = {key: value for key, value in house.items() if key not in ("at", "uptime_s", "listener")}
        fixed["listener"] = _steady(house["listener"])
        due = snapshot.now_ns - self._house_ns >= STEADY_NS or not self._house_ns
        if fixed != self._house:
            self._house, self._house_ns = fixed, snapshot.now_ns
            return [("house", house)]
        if due:
            self._house_ns = snapshot.now_ns
            return [("house", {"at": house["at"], "uptime_s": house["uptime_s"]})]
        return []

    def _take_universes(self, sheet: Sheet) -> list[Event]:
        snapshot = sheet.snapshot
        if snapshot.universe_names != self._names or not self._sent:
            return self._take_names(sheet)
        changed = self._changed(snapshot) | self._renamed_incidents(sheet) | self._waiting(sheet)
        is_late = snapshot.now_ns - self._turn_ns >= LATE_NS
        if changed.any() and not is_late:
            self._owed = set()
            self._remember(snapshot, changed)
            return [_batch(sheet, CHANGING, np.flatnonzero(changed).tolist())]
        self._owed = {snapshot.universe_names[row] for row in np.flatnonzero(changed).tolist()}
        turn = list(self._in_turn(snapshot))
        return [_batch(sheet, SLOW, turn)] if turn else []

    def _take_names(self, sheet: Sheet) -> list[Event]:
        """Universes came or went: those that are new go out whole. Rows may have moved, so all is remembered again."""
        snapshot = sheet.snapshot
        before = set(self._names)
        new = [row for row, name in enumerate(snapshot.universe_names) if name not in before]
        gone = sorted(before - set(snapshot.universe_names))
        known = dict(zip(self._names, range(len(self._names)), strict=True))
        rows = np.array([known.get(name, -1) for name in snapshot.universe_names], np.int64)
        moved = rows >= 0
        if self._sent:
            # What was sent of each name moves to its new row.
            carried = {name: _carry(column, rows, snapshot.universes[name]) for name, column in self._sent.items()}
            self._sent = carried
        self._names = snapshot.universe_names
        renamed = self._renamed_incidents(sheet)
        if self._sent:
            changed = (self._changed(snapshot) | renamed | self._waiting(sheet)) & moved
            self._owed = {snapshot.universe_names[row] for row in np.flatnonzero(changed).tolist()}
        else:
            self._turn_ns = snapshot.now_ns
        self._remember(snapshot, np.ones(len(snapshot.universe_names), bool))
        if not new and not gone:
            return []
        columns = tuple(universe(sheet, 0)) if snapshot.universe_names else ("universe",)
        name, data = _batch(sheet, columns, new)
        return [(name, {**data, "gone": gone} if gone else data)]

    def _changed(self, snapshot: Snapshot) -> NDArray[np.bool_]:
        """(U,) rows that differ from what was sent by more than jitter."""
        columns = snapshot.universes
        changed: NDArray[np.bool_] = np.zeros(len(snapshot.universe_names), bool)
        for name in _EXACT:
            changed |= columns[name] != self._sent[name]
        now, sent = columns["refresh_hz"].astype(np.float32), self._sent["refresh_hz"].astype(np.float32)
        changed |= np.isnan(now) != np.isnan(sent)
        with np.errstate(invalid="ignore"):
            changed |= np.abs(now - sent) > np.maximum(RATE_STEP_HZ, RATE_STEP_RATIO * sent)
        return changed

    def _waiting(self, sheet: Sheet) -> NDArray[np.bool_]:
        """(U,) rows of universes that are still to be sent."""
        waiting: NDArray[np.bool_] = np.zeros(len(sheet.snapshot.universe_names), bool)
        for name in self._owed:
            if (row := sheet.rows_by_name.get(name)) is not None:
                waiting[row] = True
        return waiting

    def _remember(self, snapshot: Snapshot, rows: NDArray[np.bool_]) -> None:
        for name in (*_EXACT, "refresh_hz"):
            now = snapshot.universes[name]
            held = self._sent.get(name)
            if held is None or len(held) != len(now):
                self._sent[name] = now.copy()
            else:
                held[rows] = now[rows]

    def _renamed_incidents(self, sheet: Sheet) -> NDArray[np.bool_]:
        now = sheet.incidents_of
        changed: NDArray[np.bool_] = np.zeros(len(sheet.snapshot.universe_names), bool)
        for name in now.keys() | self._incidents_of.keys():
            if now.get(name) != self._incidents_of.get(name) and (row := sheet.rows_by_name.get(name)) is not None:
                changed[row] = True
        self._incidents_of = dict(now)
        return changed

    def _in_turn(self, snapshot: Snapshot) -> range:
        """Rows whose slow columns are due now."""
        count = len(snapshot.universe_names)
        passed_s = (snapshot.now_ns - self._turn_ns) / NANOSECONDS
        if count <= ALL_AT_ONCE:
            if passed_s < 1.0:
                return range(0)
            self._turn_ns = snapshot.now_ns
            return range(count)
        many = min(count, int(count * min(passed_s, TURN_S) / TURN_S))
        if not many:
            return range(0)
        self._turn_ns = snapshot.now_ns
        first = self._turn_row if self._turn_row < count else 0
        last = min(count, first + many)
        self._turn_row = last
        return range(first, last)


class UniverseChanges:
    """The same for the one universe whose own page is open."""

    def __init__(self, name: str) -> None:
        self.name = name
        self._levels: dict[str, object] = {}
        self._facts_ns = 0

    def everything(self, sheet: Sheet, house: House | None) -> list[Event]:
        """What a page of this universe needs first; nothing while no such universe is known."""
        row = sheet.row_of(self.name)
        if row is None:
            return []
        return [
            ("universe", {"at": sheet.at, **universe_facts(sheet, row, house)}),
            ("levels", {"universe": self.name, "at": sheet.at, **universe_levels(sheet, row)}),
        ]

    def take(self, sheet: Sheet, house: House | None) -> list[Event]:
        row = sheet.row_of(self.name)
        if row is None:
            return []
        found: list[Event] = []
        if sheet.snapshot.now_ns - self._facts_ns >= STEADY_NS:
            self._facts_ns = sheet.snapshot.now_ns
            found.append(("universe", {"at": sheet.at, **universe_facts(sheet, row, house)}))
        levels = universe_levels(sheet, row)
        changed = {key: value for key, value in levels.items() if self._levels.get(key) != value}
        self._levels = dict(levels)
        if changed:
            found.append(("levels", {"universe": self.name, "at": sheet.at, **changed}))
        return found


def _batch(sheet: Sheet, columns: tuple[str, ...], rows: list[int]) -> Event:
    found = []
    for row in rows:
        whole: Mapping[str, object] = universe(sheet, row)
        found.append([whole[name] for name in columns])
    return "universes", {"at": sheet.at, "columns": list(columns), "rows": found}


def _carry(sent: NDArray[np.generic], rows: NDArray[np.int64], now: NDArray[np.generic]) -> NDArray[np.generic]:
    """What was sent, at the rows that its universes have now; new ones count as just sent."""
    carried = now.copy()
    carried[rows >= 0] = sent[rows[rows >= 0]]
    return carried


def _steady(value: object) -> object:
    """Own health without what differs every time (spans, shares), and what a flood would count up with every packet:
    a changed word or a count of faults is sent."""
    if isinstance(value, dict):
        return {key: _steady(v) for key, v in value.items() if not isinstance(v, float) and key not in COUNTED}
    if isinstance(value, list):
        return [_steady(held) for held in value]
    return value


def _mark(one: Incident) -> int:
    return hash((one.revision, one.closed_ns is None, one.acknowledged is None, one.severity, len(one.timeline)))


def _json(data: Mapping[str, object]) -> str:
    return json.dumps(data, separators=(",", ":"), allow_nan=False, default=str)
