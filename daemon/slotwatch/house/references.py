"""What one part of the house file says about another: names that must exist, loops, slots never to be routed."""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

from slotwatch.house.document import Entry
from slotwatch.house.rule_names import RULE_NAMES, WITHOUT_UNIVERSES
from slotwatch.house.schema import Excluded, Line, Route
from slotwatch.wire.universe import Protocol, UniverseId


@dataclass(slots=True)
class Built:
    """Tables with the values made from them, so that a fault that is found later still names its line."""

    rows: list[tuple[Entry, Any]] = field(default_factory=list)
    entries: list[Entry] = field(default_factory=list)
    """Also those of which no value could be made: what is right in them is still checked."""

    @property
    def values(self) -> tuple[Any, ...]:
        return tuple(value for _, value in self.rows)


def check_unique(built: Built, key: str, what: str) -> None:
    """No two may have the same name (or universe)."""
    seen: dict[str, int] = {}
    for entry in built.entries:
        name = str(entry[key])
        if key not in entry.given:
            continue
        if name in seen:
            entry.wrong(key, f"{what} {name} is declared in line {seen[name]} already")
        seen.setdefault(name, entry.line)


def check_universes(universes: Built, source_names: Iterable[str]) -> None:
    """Declared once, and only by sources that are declared."""
    known = list(source_names)
    seen: dict[UniverseId, int] = {}
    for entry, universe in universes.rows:
        if universe.id in seen:
            key = "number" if "number" in entry.given else "universe"
            entry.wrong(key, f"universe {universe.id} is declared in line {seen[universe.id]} already")
        seen.setdefault(universe.id, entry.line)
    for entry in universes.entries:
        for index, name in enumerate(entry["sources"]):
            if name not in known:
                entry.wrong("sources", _nearest(name, known, "source under [[sources]]"), index)


def check_declared(entries: Iterable[Entry], key: str, declared: set[UniverseId]) -> None:
    """Every universe that these entries name under `key` is declared."""
    for entry in entries:
        named = entry[key]
        if named is None:
            continue
        if isinstance(named, UniverseId):
            _check_one(entry, key, named, declared, None)
        elif named and isinstance(named[0], UniverseId):
            _check_one(entry, key, named[0], declared, None)
        else:
            for index, (universe, _) in enumerate(named):
                _check_one(entry, key, universe, declared, index)


def _check_one(entry: Entry, key: str, universe: UniverseId, declared: set[UniverseId], index: int | None) -> None:
    if universe.protocol is not Protocol.LINE and universe not in declared:
        entry.wrong(key, f"{universe} is not declared under [[universes]]", index)


def check_rules(built: Built, key: str) -> None:
    """Names of rules are rules."""
    for entry in built.entries:
        listed = isinstance(entry[key], tuple)
        for index, name in enumerate(entry[key] if listed else [entry[key]]):
            if name and name not in RULE_NAMES:
                entry.wrong(key, _nearest(name, sorted(RULE_NAMES), "rule"), index if listed else None)


def check_accepted(accepted: Built) -> None:
    """An exception can hold: a rule that names no universe is not accepted for some."""
    for entry in accepted.entries:
        if entry["rule"] in WITHOUT_UNIVERSES and entry["universes"]:
            entry.wrong("universes", f"{entry['rule']} names no universe: leave this out to accept it everywhere")


def check_loops(routes: Built, lines: tuple[Line, ...]) -> None:
    """No route's output comes back into its own input, directly or through other routes.

    Unicast to another device cannot come back unless that device sends it on; that is watched while the route runs.
    """
    rows: list[tuple[Entry, Route]] = routes.rows
    inputs: dict[UniverseId, list[Route]] = {}
    for route in _in_circles([route for _, route in rows if route.target is not None and route.to_address is None]):
        inputs.setdefault(route.source, []).append(route)
    for entry, route in rows:
        if any(line.port == route.target_serial for line in lines):
            entry.wrong("to", "this serial port is listened to under [[lines]]")
        path = _way_back(route, inputs)
        if path:
            names = " feeds ".join(one.name for one in path)
            entry.wrong("to", f"a loop: {names} feeds {route.name} again" if path[1:] else "a loop: it feeds itself")


def _in_circles(routes: list[Route]) -> list[Route]:
    """Leave out those whose input nothing feeds, then those that are fed from there; and the same against the flow."""
    for begins, ends in (("source", "target"), ("target", "source")):
        onward: dict[Any, list[Any]] = {}
        for route in routes:
            onward.setdefault(getattr(route, begins), []).append(getattr(route, ends))
        fed = Counter(getattr(route, ends) for route in routes)
        unfed = [universe for universe in onward if not fed[universe]]
        while unfed:
            for universe in onward.pop(unfed.pop(), ()):
                fed[universe] -= 1
                if not fed[universe]:
                    unfed.append(universe)
        routes = [route for route in routes if getattr(route, begins) in onward]
    return routes


def _way_back(start: Route, inputs: dict[UniverseId, list[Route]]) -> list[Route]:
    """Routes from `start` until one feeds it; empty if none does. inputs: those in circles, by their source."""
    before: dict[int, Route] = {}
    line, seen = deque([start] if start.source in inputs else []), set()
    while line:
        one = line.popleft()
        if _feeds(one, start):
            path = [one]
            while path[-1] is not start:
                path.append(before[id(path[-1])])
            return path[::-1]
        if (one.target, one.to_network) in seen or one.target is None:
            continue
        seen.add((one.target, one.to_network))
        for other in inputs.get(one.target, ()):
            if id(other) not in before and _feeds(one, other):
                before[id(other)] = one
                line.append(other)
    return []


def _feeds(one: Route, other: Route) -> bool:
    if one.target is None or one.target != other.source or one.to_address is not None:
        return False
    networks = (one.to_network or 0, other.source_network)
    return networks[1] is None or networks[0] == networks[1]


def check_excluded(routes: Built, excluded: tuple[Excluded, ...]) -> None:
    """No route takes from, or writes onto, slots that are declared as dangerous."""
    for entry, route in routes.rows:
        first, last = route.slots
        landed = (route.to_slot, route.to_slot + last - first)
        for row in excluded:
            if row.universe == route.source and first <= row.last and row.first <= last:
                entry.wrong("slots" if "slots" in entry.given else "from", _never(row))
            if row.universe == route.target and landed[0] <= row.last and row.first <= landed[1]:
                entry.wrong("to", _never(row))


def _never(row: Excluded) -> str:
    return (
        f"slots {row.first} to {row.last} of {row.universe} are excluded as {row.kind} in line {row.line}: "
        "they are never routed"
    )


def _nearest(name: str, known: list[str], what: str) -> str:
    import difflib  # only a wrong name needs it

    near = difflib.get_close_matches(name, known, 1, 0.5)
    if near:
        return f"not a known {what}; the nearest is {near[0]}"
    return f"not a known {what}; known: {', '.join(dict.fromkeys(known)) or 'none'}"
