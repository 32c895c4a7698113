"""The patch from a CSV file: which fixture answers to which slots."""

from __future__ import annotations

from dataclasses import dataclass, field
from sys import intern

from slotwatch.errors import Problem
from slotwatch.house.cells import Addressing, WrongUniverse, cut_zeros, whole, yes
from slotwatch.house.schema import Fixture, Profile
from slotwatch.house.sheet import Column, Row, condensed, read_sheet
from slotwatch.wire.universe import SLOTS

COLUMNS = (
    Column(
        "fixture",
        ("fixture id", "fixture no", "fixture number", "unit id", "unit", "channel", "chan", "id"),
        True,
    ),
    Column("universe", ("univ", "uni", "dmx universe")),
    Column(
        "address",
        ("addr", "dmx address", "dmx", "start address", "start slot", "slot", "patch", "dmx start", "universe address"),
        True,
    ),
    Column("profile", ("mode", "fixture profile", "fixture mode", "dmx mode", "personality")),
    Column("footprint", ("slots", "dmx footprint", "slot count", "number of slots")),
    Column("label", ("name", "fixture name", "focus")),
    Column("position", ("pos", "hanging position", "location", "bar")),
    Column("circuit", ("circ", "cct", "ckt", "circuit no", "circuit number", "power circuit")),
    Column("faces_audience", ("faces audience", "audience", "audience facing")),
    Column("accepted_overlap", ("accepted overlap", "overlap accepted")),
)
EMPTY_SLOT = ""


@dataclass(slots=True)
class Patch:
    """Fixtures that were read, what could not be, and how columns were read."""

    fixtures: list[Fixture] = field(default_factory=list)
    problems: list[Problem] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    profiles: list[Profile] = field(default_factory=list)
    """Modes that the file brought with it."""


@dataclass(slots=True)
class ProfileTable:
    """Declared profiles, found also by a name in another case or with other spaces."""

    exact: dict[str, Profile]
    loose: dict[str, Profile]

    @classmethod
    def of(cls, profiles: list[Profile]) -> ProfileTable:
        return cls({p.name: p for p in profiles}, {_loose(p.name): p for p in profiles})

    def find(self, name: str) -> Profile | None:
        return self.exact.get(name) or self.loose.get(_loose(name))


def read_patch(
    file: str,
    data: bytes,
    addressing: Addressing,
    profiles: list[Profile],
    own_columns: tuple[tuple[str, str], ...] = (),
) -> Patch:
    """Read a CSV patch. HouseFileError if it is not a table; faults of single rows are in `problems`.

    A profile that is not declared is kept with the row's footprint (or one slot): the patch check names it.
    """
    sheet = read_sheet(file, data, COLUMNS, own_columns)
    patch = Patch(problems=list(sheet.problems), notes=[f"{file}: {sheet.readings}"])
    table = ProfileTable.of(profiles)
    cut = cut_zeros([row["address"] for row in sheet.rows])
    seen: dict[str, int] = {}
    for index, row in enumerate(sheet.rows):
        if index in cut:
            wanted = "the zeros at its end may have been cut by a spreadsheet; write 1/100 or use two columns"
            patch.problems.append(Problem(file, row.number, "address", row["address"], wanted))
            continue
        _read_row(file, row, addressing, table, patch, seen)
    patch.problems = condensed(patch.problems)
    return patch


def _read_row(
    file: str, row: Row, addressing: Addressing, table: ProfileTable, patch: Patch, seen: dict[str, int]
) -> None:
    def wrong(column: str, wanted: str) -> None:
        patch.problems.append(Problem(file, row.number, column, row[column] or "an empty cell", wanted))

    before = len(patch.problems)
    name = row["fixture"]
    if not name:
        wrong("fixture", "each row needs the fixture's name or number")
    elif name in seen:
        wrong("fixture", f"this fixture is in row {seen[name]} already; each may be listed once")
    else:
        seen[name] = row.number
    place = None
    try:
        place = addressing.place(row["universe"], row["address"])
    except ValueError as error:
        named = isinstance(error, WrongUniverse) and bool(row["universe"])
        wrong("universe" if named else "address", str(error))
    slots: tuple[str, ...] = ()
    try:
        slots = _slots(row, table)
    except ValueError as error:
        wrong("footprint", str(error))
    flags = []
    for column in ("faces_audience", "accepted_overlap"):
        try:
            flags.append(yes(row[column]))
        except ValueError as error:
            wrong(column, str(error))
    if len(patch.problems) > before or place is None:
        return
    profile = table.find(row["profile"])
    patch.fixtures.append(
        Fixture(
            name,
            place[0],
            place[1],
            slots,
            profile.name if profile else intern(row["profile"]),
            row["label"],
            intern(row["position"]),
            row["circuit"],
            flags[0],
            flags[1],
            file,
            row.number,
            is_size_known=profile is not None or bool(row["footprint"]),
        )
    )


def _slots(row: Row, table: ProfileTable) -> tuple[str, ...]:
    profile = table.find(row["profile"]) if row["profile"] else None
    written = whole(row["footprint"], 1, SLOTS) if row["footprint"] else None
    if profile is None:
        if not row["profile"] and written is None:
            raise ValueError("give the fixture's profile or its footprint")
        return (EMPTY_SLOT,) * (written or 1)
    if written is not None and written != profile.footprint:
        raise ValueError(f"profile {profile.name} has {profile.footprint} slots; the two must agree")
    return profile.slots


def _loose(name: str) -> str:
    return " ".join(name.replace("_", " ").replace("-", " ").lower().split())
