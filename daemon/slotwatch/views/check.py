"""What `slotwatch check` finds in a house file that can be used: one value, written as lines or as JSON."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import PurePath

import msgspec
from msgspec import Struct

from slotwatch.house.conflicts import Conflict
from slotwatch.house.racks import NOTE, wiring
from slotwatch.house.schema import House
from slotwatch.snapshot import Severity
from slotwatch.snapshot.readiness import ExceptionInForce

STOPS_THE_START = "certificate-unusable"
NOT_CHECKED = "not-checked"
"""What the user who asks may not read, and another one perhaps may."""
NO_CIRCUITS = "no circuits are declared; list them with their load_w in a CSV file that [circuits] names"
KINDS = ("networks", "sources", "universes", "fixtures", "circuits", "racks", "receivers", "lines", "routes")


class FoundConflict(Struct, frozen=True):
    """One thing that is wrong with the declared house, and where it is declared."""

    kind: str
    severity: str
    file: str
    row: int | None
    universe: str | None
    slots: tuple[int, int] | None
    """First and last slot."""
    fixtures: tuple[str, ...]
    text: str

    @property
    def is_fault(self) -> bool:
        """Whether it is a warning or worse."""
        return self.severity != Severity.NOTE.word


class SupplyLoad(Struct, frozen=True):
    """What one supply line of a rack would draw with everything at full. An estimate."""

    supply: int
    full_a: float
    limit_a: float | None


class DeclaredRackLoad(Struct, frozen=True):
    """What a rack would draw with everything at full: an estimate from the declared loads."""

    rack: str
    load_w: float
    supplies: tuple[SupplyLoad, ...]
    note: str


class CheckReport(Struct, frozen=True):
    """Everything that is known of a house file without a network."""

    usable: bool
    house: str
    counts: dict[str, int]
    """How many of each kind the house declares."""
    conflicts: tuple[FoundConflict, ...]
    racks: tuple[DeclaredRackLoad, ...]
    notes: tuple[str, ...]
    accepted: tuple[ExceptionInForce, ...]
    """Exceptions that hold today."""

    @property
    def faults(self) -> int:
        """Number of warnings and worse."""
        return sum(one.is_fault for one in self.conflicts)


def check_report(house: House, found: Sequence[Conflict], accepted: Sequence[ExceptionInForce] = ()) -> CheckReport:
    """Make the report of a house from what was found wrong with it."""
    return CheckReport(
        usable=True,
        house=house.name,
        counts={kind: len(getattr(house, kind)) for kind in KINDS},
        conflicts=tuple(
            FoundConflict(
                kind=one.kind,
                severity=one.severity.word,
                file=PurePath(one.file).name,
                row=one.row,
                universe=str(one.universe) if one.universe else None,
                slots=one.slots,
                fixtures=tuple(one.fixtures),
                text=one.text,
            )
            for one in found
        ),
        racks=_racks(house),
        notes=tuple(house.notes),
        accepted=tuple(accepted),
    )


def check_json(report: CheckReport) -> dict[str, object]:
    """Return the report as JSON values."""
    values: dict[str, object] = msgspec.to_builtins(report)
    return values


def check_text(report: CheckReport) -> list[str]:
    """Return the report as lines: what is declared, how files were read, and each fault with its place."""
    held = ", ".join(f"{n} {kind if n != 1 else kind[:-1]}" for kind, n in report.counts.items() if n)
    lines = [f"{report.house}: {held or 'nothing is declared yet'}"]
    lines += [f"  note     {note}" for note in report.notes]
    for rack in report.racks:
        if not rack.load_w:
            why = "no circuit of it has a load (load_w)" if report.counts["circuits"] else NO_CIRCUITS
            lines.append(f"  note     {rack.rack}: its current is not estimated: {why}")
            continue
        supplies = ", ".join(f"{one.full_a:g} A on line {one.supply}" for one in rack.supplies)
        lines.append(f"  estimate {rack.rack}: {rack.load_w / 1000:g} kW declared; with everything at full {supplies}")
    if report.racks:
        lines.append(f"  caution  {NOTE}")
    for row in report.accepted:
        where = f" on {', '.join(row.universes)}" if row.universes else ""
        until = f" until {row.until}" if row.until else ""
        by = f", by {row.by} from incident {row.incident}" if row.incident else ""
        lines.append(f"  accepted {row.rule}{where}{until}{by}: {row.reason}")
    for one in report.conflicts:
        place = one.file + (f":{one.row}" if one.row is not None else "")
        lines.append(f"  {one.severity:<8} {place}: {one.text}")
    faults, own = report.faults, any(one.kind == NOT_CHECKED for one in report.conflicts)
    rest = (
        " Files that you may not read were not checked: run this as root, or as a member of their group." if own else ""
    )
    if faults:
        starts = all(one.kind != STOPS_THE_START for one in report.conflicts)
        outcome = "the house can be used all the same" if starts else "slotwatch does not start with it"
        lines.append(f"{faults} fault{'s' if faults != 1 else ''} found; {outcome}.{rest}")
    else:
        lines.append(f"No fault found.{rest}")
    return lines


def _racks(house: House) -> tuple[DeclaredRackLoad, ...]:
    return tuple(
        DeclaredRackLoad(
            rack=wired.rack.name,
            load_w=round(sum(way.load_w for way in wired.ways), 1),
            supplies=tuple(
                SupplyLoad(number, round(wired.supply_full_a(number), 1), wired.rack.supply_limit_a)
                for number in range(1, wired.rack.supplies + 1)
            ),
            note=NOTE,
        )
        for wired in wiring(house)
    )
