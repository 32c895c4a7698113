"""What is wrong with the patch before any light is on: judged from the declared house alone.

Every finding names its row. `judge` reads the same values for its `patch-conflict` rule.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass

from slotwatch.house.racks import wiring
from slotwatch.house.schema import Circuit, Fixture, House, Rack
from slotwatch.snapshot import Severity
from slotwatch.wire.universe import Protocol, UniverseId

LAST_SLOT = 512


@dataclass(frozen=True, slots=True)
class Conflict:
    """One finding. `file` and `row` say where it is; `row` is None where a file has no rows."""

    kind: str
    """overlap | doubled | past-512 | unknown-profile | pair-split | undeclared-universe | way-twice |
    circuit-without-rack | unknown-circuit | racks-overlap | way-differs | way-nameplate | supply-nameplate.
    `check` adds source-never-matches, page-read-only, certificate-unusable, certificate-out-of-date, secret-unusable,
    no-fixtures, no-circuits, no-universes and not-checked."""
    severity: Severity
    fixtures: tuple[str, ...]
    universe: UniverseId | None
    slots: tuple[int, int] | None
    """First and last slot it is about."""
    text: str
    file: str = ""
    row: int | None = None


def conflicts(house: House) -> tuple[Conflict, ...]:
    """Everything wrong with the declared patch, by file and row."""
    found = [
        *_doubled_and_overlaps(house),
        *_fixtures_alone(house),
        *_undeclared(house),
        *_circuits(house),
        *_circuits_of_fixtures(house),
        *_racks(house),
        *_nameplates(house),
    ]
    return tuple(sorted(found, key=lambda one: (one.file, one.row or 0, one.kind)))


def _about(
    kind: str, severity: Severity, fixture: Fixture, text: str, *others: Fixture, slots: tuple[int, int] | None = None
) -> Conflict:
    names = tuple(dict.fromkeys((fixture.name, *(other.name for other in others))))
    where = slots or (fixture.address, min(fixture.last_slot, LAST_SLOT))
    return Conflict(kind, severity, names, fixture.universe, where, text, fixture.file, fixture.row)


def _doubled_and_overlaps(house: House) -> Iterator[Conflict]:
    by_universe: dict[UniverseId, list[Fixture]] = defaultdict(list)
    for fixture in house.fixtures:
        if not fixture.accepted_overlap:
            by_universe[fixture.universe].append(fixture)
    for fixtures in by_universe.values():
        groups: dict[tuple[int, str, int], list[Fixture]] = defaultdict(list)
        for fixture in fixtures:
            groups[(fixture.address, fixture.profile, fixture.footprint)].append(fixture)
        for first, *rest in groups.values():
            if rest:
                names = ", ".join(fixture.name for fixture in rest)
                verb = "has" if len(rest) == 1 else "have"
                text = f"{names} {verb} the same address and profile as {_named(first)}"
                yield _about("doubled", Severity.NOTE, rest[0], text, first, *rest[1:])
        yield from _overlaps([group[0] for group in groups.values()])


def _overlaps(fixtures: list[Fixture]) -> Iterator[Conflict]:
    """One sweep by address. A later fixture is compared with the one that reaches furthest into it."""
    reaching: Fixture | None = None
    for fixture in sorted(fixtures, key=lambda one: (one.address, -one.footprint)):
        if reaching is not None and fixture.address <= reaching.last_slot:
            first, last = fixture.address, min(fixture.last_slot, reaching.last_slot)
            # The row that is named is the later one of the paper: it was probably the last to be typed.
            one, other = (fixture, reaching) if (fixture.row or 0) >= (reaching.row or 0) else (reaching, fixture)
            text = f"{one.name} overlaps {_named(other)} on {one.universe}, {_slots(first, last)}"
            yield _about("overlap", Severity.WARNING, one, text, other, slots=(first, last))
        if reaching is None or fixture.last_slot > reaching.last_slot:
            reaching = fixture


def _fixtures_alone(house: House) -> Iterator[Conflict]:
    fine: dict[tuple[str, ...], tuple[str, ...]] = {}
    for fixture in house.fixtures:
        if fixture.last_slot > LAST_SLOT:
            text = f"{fixture.name} runs past slot 512: {fixture.footprint} slots from {fixture.address}"
            yield _about("past-512", Severity.WARNING, fixture, f"{text} end at {fixture.last_slot}")
        if fixture.slots not in fine:
            fine[fixture.slots] = _lone_fine(fixture.slots)
        for role in fine[fixture.slots]:
            text = f"{fixture.name}: {role} is not in one universe with its coarse slot, so the two can change apart"
            yield _about("pair-split", Severity.WARNING, fixture, text)


def _undeclared(house: House) -> Iterator[Conflict]:
    """One finding for each profile or universe that fixtures name and the house does not declare."""
    known = {profile.name for profile in house.profiles}
    declared = {universe.id for universe in house.universes}
    by_profile: dict[str, list[Fixture]] = defaultdict(list)
    by_universe: dict[UniverseId, list[Fixture]] = defaultdict(list)
    for fixture in house.fixtures:
        if fixture.profile and fixture.profile not in known:
            by_profile[fixture.profile].append(fixture)
        if fixture.universe not in declared and fixture.universe.protocol is not Protocol.LINE:
            by_universe[fixture.universe].append(fixture)
    for profile, fixtures in by_profile.items():
        # What an MVR file says is not written by hand.
        instead = ", or give the footprint in place of the profile" if fixtures[0].row is not None else ""
        text = (
            f"{_many(fixtures, 'has', 'have')} a profile that is not declared: {profile}; declare it as [[profiles]]"
            f' name = "{profile}" with its slots{instead}'
        )
        yield _about("unknown-profile", Severity.WARNING, fixtures[0], text, *fixtures[1:])
    for universe, fixtures in by_universe.items():
        text = (
            f"{_many(fixtures, 'is', 'are')} patched on {universe}, which the house does not declare; declare it in"
            " [[universes]]"
        )
        yield _about("undeclared-universe", Severity.WARNING, fixtures[0], text, *fixtures[1:])


def _many(fixtures: list[Fixture], is_one: str, are_many: str) -> str:
    if len(fixtures) == 1:
        return f"{fixtures[0].name} {is_one}"
    return f"{len(fixtures):,} fixtures ({fixtures[0].name} is the first) {are_many}"


def _lone_fine(slots: tuple[str, ...]) -> tuple[str, ...]:
    """Fine roles without their coarse role among the same slots."""
    roles = set(slots)
    return tuple(role for role in dict.fromkeys(slots) if role.endswith("-fine") and role[:-5] not in roles)


def _circuits(house: House) -> Iterator[Conflict]:
    racks = {rack.name: rack for rack in house.racks}
    used: dict[tuple[str, int], Circuit] = {}
    for circuit in house.circuits:
        rack = racks.get(circuit.rack)
        slot = _way_slot(rack, circuit.way)
        universe = rack.universe if rack else None
        if rack is None:
            text = f"circuit {circuit.name} is on a rack that is not declared: {circuit.rack}"
            yield Conflict("circuit-without-rack", Severity.WARNING, (), None, None, text, circuit.file, circuit.row)
        elif circuit.way > rack.ways:
            text = f"circuit {circuit.name} is on way {circuit.way} of {rack.name}, which has {rack.ways}"
            yield Conflict(
                "circuit-without-rack", Severity.WARNING, (), universe, None, text, circuit.file, circuit.row
            )
        other = used.setdefault((circuit.rack, circuit.way), circuit)
        if other is not circuit:
            text = f"{circuit.rack} way {circuit.way} is used twice: by circuit {other.name} and circuit {circuit.name}"
            yield Conflict("way-twice", Severity.WARNING, (), universe, slot, text, circuit.file, circuit.row)


def _circuits_of_fixtures(house: House) -> Iterator[Conflict]:
    if not house.circuits:
        return
    by_name = {circuit.name: circuit for circuit in house.circuits}
    loosely = {circuit.name.lstrip("0"): circuit.name for circuit in house.circuits}
    racks = {rack.name: rack for rack in house.racks}
    for fixture in house.fixtures:
        if not fixture.circuit:
            continue
        circuit = by_name.get(fixture.circuit)
        if circuit is None:
            near = loosely.get(fixture.circuit.lstrip("0"))
            hint = f"; the list has {near} (did a spreadsheet cut the zeros?)" if near else ""
            text = f"{fixture.name} is fed by circuit {fixture.circuit}, which the circuit list does not have{hint}"
            yield _about("unknown-circuit", Severity.NOTE, fixture, text)
            continue
        rack = racks.get(circuit.rack)
        if fixture.footprint == 1 and rack is not None and _in_rack(fixture, rack):
            way = fixture.address - rack.address + 1
            if way != circuit.way:
                verb = f"but circuit {circuit.name} is way {circuit.way}"
                text = f"{fixture.name} is patched to way {way} of {rack.name}, {verb}"
                yield _about("way-differs", Severity.NOTE, fixture, text)


def _racks(house: House) -> Iterator[Conflict]:
    for index, rack in enumerate(house.racks):
        for other in house.racks[:index]:
            first = max(rack.address, other.address)
            last = min(rack.address + rack.ways, other.address + other.ways) - 1
            if rack.universe == other.universe and first <= last:
                text = (
                    f"{rack.name} and {other.name} answer to the same slots, {_slots(first, last)} of {rack.universe}"
                )
                yield Conflict(
                    "racks-overlap", Severity.NOTE, (), rack.universe, (first, last), text, house.file, rack.line
                )


def _nameplates(house: House) -> Iterator[Conflict]:
    """Declared loads over limits with everything at full: an estimate, before anything is plugged."""
    rows = {(circuit.rack, circuit.way): circuit for circuit in reversed(house.circuits)}
    for wired in wiring(house):
        rack = wired.rack
        for way in wired.ways:
            circuit = rows.get((rack.name, way.number))
            if circuit is not None and way.full_a > way.limit_a:
                text = (
                    f"{rack.name} way {way.number}: {way.load_w:g} W are declared, an estimated {way.full_a:.1f} A of"
                )
                yield Conflict(
                    "way-nameplate",
                    Severity.WARNING,
                    (),
                    rack.universe,
                    (way.slot, way.slot),
                    f"{text} {way.limit_a:g} A allowed",
                    circuit.file,
                    circuit.row,
                )
        for supply in range(1, rack.supplies + 1):
            full_a = wired.supply_full_a(supply)
            if rack.supply_limit_a is not None and full_a > rack.supply_limit_a:
                allowed = f"{rack.supply_limit_a:g} A allowed"
                text = f"{rack.name} supply line {supply}: an estimated {full_a:.0f} A of {allowed}"
                yield Conflict(
                    "supply-nameplate",
                    Severity.NOTE,
                    (),
                    rack.universe,
                    None,
                    f"{text} with everything at full",
                    house.file,
                    rack.line,
                )


def _in_rack(fixture: Fixture, rack: Rack) -> bool:
    return fixture.universe == rack.universe and rack.address <= fixture.address < rack.address + rack.ways


def _way_slot(rack: Rack | None, way: int) -> tuple[int, int] | None:
    return None if rack is None else (rack.address + way - 1, rack.address + way - 1)


def _slots(first: int, last: int) -> str:
    return f"slot {first}" if first == last else f"slots {first} to {last}"


def _named(fixture: Fixture) -> str:
    return f"{fixture.name} (row {fixture.row})" if fixture.row is not None else fixture.name
