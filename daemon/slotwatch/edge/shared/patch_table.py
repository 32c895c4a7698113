"""The fixtures of a house as a table for the memory that processes share: what several have in common is kept once."""

from __future__ import annotations

from collections.abc import Iterable
from typing import NamedTuple

import msgspec

from slotwatch.house.schema import Fixture
from slotwatch.wire.universe import UniverseId


class SharedPart(NamedTuple):
    """What many fixtures have in common; each is as in `house.schema.Fixture`."""

    slots: tuple[str, ...]
    profile: str
    position: str
    faces_audience: bool
    accepted_overlap: bool
    file: str
    is_size_known: bool


class PatchRow(NamedTuple):
    """What is one fixture's own, and the places of its universe and kind in their lists."""

    name: str
    universe: int
    address: int
    label: str
    circuit: str
    row: int | None
    kind: int


class PatchTable(NamedTuple):
    universes: list[UniverseId]
    kinds: list[SharedPart]
    rows: list[PatchRow]


def of(fixtures: Iterable[Fixture]) -> PatchTable:
    """Put fixtures into a table."""
    universes: dict[UniverseId, int] = {}
    kinds: dict[SharedPart, int] = {}
    rows = []
    for one in fixtures:
        kind = SharedPart(
            one.slots,
            one.profile,
            one.position,
            one.faces_audience,
            one.accepted_overlap,
            one.file,
            one.is_size_known,
        )
        universe = universes.setdefault(one.universe, len(universes))
        place = kinds.setdefault(kind, len(kinds))
        rows.append(PatchRow(one.name, universe, one.address, one.label, one.circuit, one.row, place))
    return PatchTable(list(universes), list(kinds), rows)


def fixtures_of(encoded: bytes | msgspec.Raw) -> tuple[Fixture, ...]:
    """Read the fixtures of an encoded table. msgspec.DecodeError or IndexError if it is none."""
    universes, kinds, rows = msgspec.msgpack.decode(encoded, type=PatchTable)
    return tuple(_fixture(universes, kinds, row) for row in rows)


def _fixture(universes: list[UniverseId], kinds: list[SharedPart], row: PatchRow) -> Fixture:
    kind = kinds[row.kind]
    return Fixture(
        name=row.name,
        universe=universes[row.universe],
        address=row.address,
        slots=kind.slots,
        profile=kind.profile,
        label=row.label,
        position=kind.position,
        circuit=row.circuit,
        faces_audience=kind.faces_audience,
        accepted_overlap=kind.accepted_overlap,
        file=kind.file,
        row=row.row,
        is_size_known=kind.is_size_known,
    )
