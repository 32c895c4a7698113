"""A snapshot as the API's objects: the one place that replay, the HTTP server and the report take them from.

Every function takes a Snapshot, or a Sheet where several objects of one snapshot are wanted.
"""

from __future__ import annotations

from collections.abc import Sequence

from slotwatch.house.schema import House
from slotwatch.snapshot import Incident, Snapshot
from slotwatch.views import fixtures as _fixtures
from slotwatch.views import house as _house
from slotwatch.views import incidents as _incidents
from slotwatch.views import racks as _racks
from slotwatch.views import sources as _sources
from slotwatch.views import universes as _universes
from slotwatch.views.answers.faults import IncidentAnswer, ReadinessAnswer
from slotwatch.views.answers.stage import FixtureAnswer, HouseAnswer, PatchAnswer, RackAnswer, RouteAnswer
from slotwatch.views.answers.traffic import SourceAnswer, UniverseAnswer
from slotwatch.views.records import rig_check_record
from slotwatch.views.routes import route_answer
from slotwatch.views.sheet import Sheet

Reading = Snapshot | Sheet


def sheet_of(reading: Reading) -> Sheet:
    return reading if isinstance(reading, Sheet) else Sheet(reading)


def universe(reading: Reading, row: int) -> UniverseAnswer:
    """The `universe` object of one row of Snapshot.universes."""
    return _universes.universe(sheet_of(reading), row)


def universes(reading: Reading) -> list[UniverseAnswer]:
    return _universes.universes(sheet_of(reading))


def universe_detail(reading: Reading, row: int, declared: House | None = None) -> dict[str, object]:
    """One universe with `levels`, `slot_sources`, `streams` and, where the house is given, its `fixtures`."""
    return _universes.universe_detail(sheet_of(reading), row, declared)


def source(reading: Reading, index: int) -> SourceAnswer:
    """The `source` object of one of Snapshot.sources."""
    return _sources.source(sheet_of(reading), index)


def sources(reading: Reading) -> list[SourceAnswer]:
    return _sources.sources(sheet_of(reading))


def receivers(reading: Reading) -> list[dict[str, object]]:
    return _sources.receivers(sheet_of(reading))


def incident(reading: Reading, found: Incident) -> IncidentAnswer:
    """The `incident` object, with its timeline. Its times are by its own wall offset."""
    del reading  # an incident has its own times, also after a restart
    return _incidents.incident(found)


def incidents(reading: Reading) -> list[IncidentAnswer]:
    """All that the snapshot holds, open and closed, in the order they were opened."""
    found = sorted(sheet_of(reading).snapshot.incidents, key=lambda one: one.id)
    return [_incidents.incident(one) for one in found]


def house(
    reading: Reading, declared: House | None = None, host: str = "", own: dict[str, object] | None = None
) -> HouseAnswer:
    """The house and this listener's own health."""
    return _house.house(sheet_of(reading), declared, host, own)


def readiness(
    reading: Reading, silence: str = "", trouble: Sequence[str] = (), unreached: Sequence[str] = ()
) -> ReadinessAnswer:
    """The half-hour call. silence: why what is known is old; trouble: what this listener cannot do now; unreached: to
    whom no message can be sent."""
    return _house.readiness(sheet_of(reading), silence, trouble, unreached)


def fixtures(reading: Reading, declared: House) -> list[FixtureAnswer]:
    return _fixtures.fixtures(sheet_of(reading), declared)


def patch(declared: House) -> PatchAnswer:
    return _fixtures.patch(declared)


def racks(reading: Reading, *, with_ways: bool = True) -> list[RackAnswer]:
    """Racks with their estimated currents, as judging estimates them."""
    made = _racks.rack_detail if with_ways else _racks.rack
    return [made(row) for row in sheet_of(reading).snapshot.racks]


def rack(reading: Reading, name: str) -> RackAnswer | None:
    """One rack with its ways; None if none has this name."""
    found = (row for row in sheet_of(reading).snapshot.racks if row.rack == name)
    return next((_racks.rack_detail(row) for row in found), None)


def routes(reading: Reading) -> list[RouteAnswer]:
    """Routes and their state."""
    return [route_answer(row) for row in sheet_of(reading).snapshot.routes]


def rig_check(reading: Reading) -> dict[str, object]:
    """The rig check that runs or ran last; `{"running": false}` before the first."""
    sheet = sheet_of(reading)
    found = sheet.snapshot.rig_check
    return {"running": False} if found is None else _sources.written(sheet, rig_check_record(found))


def hours(reading: Reading) -> list[dict[str, object]]:
    """Hours burnt, as judging estimates them."""
    return [row.as_object() for row in sheet_of(reading).snapshot.hours]
