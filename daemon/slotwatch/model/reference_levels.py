"""Reference levels: a house's levels at one moment, by fixture and role, kept for later comparison.

Levels are kept by fixture, so a fixture that the patch moved since is compared where it is now. A universe on which
nothing is patched is kept as one thing with that universe's slots.
"""

from __future__ import annotations

import json
import zlib
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from slotwatch.house.schema import House
from slotwatch.wire.universe import SLOTS

MOVING_SHARE = 0.05
"""What changes by more of full scale around the moment is moving, and is not compared."""
EXCLUDED_ROLES = frozenset({"control", "strobe"})
FINE = "-fine"
FORMAT = 1
LARGEST_BYTES = 256 << 20
"""No reference takes more when it is unpacked: 65,536 universes and their fixtures take 60 MiB."""

Levels = NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class UniverseLevels:
    """One universe at one moment."""

    levels: Levels
    """(512,)"""
    slots: int
    """How many slots its frames hold."""
    moving: NDArray[np.bool_]
    """(512,) slots that changed by more than MOVING_SHARE around the moment."""


@dataclass(frozen=True, slots=True)
class KeptFixture:
    """A fixture as it was patched at the moment."""

    name: str
    universe: str
    address: int
    slots: tuple[str, ...]
    label: str = ""
    profile: str = ""
    position: str = ""
    rack: str = ""
    is_universe: bool = False
    """Marks a universe on which nothing was patched."""

    @property
    def last_slot(self) -> int:
        return self.address + len(self.slots) - 1


@dataclass(frozen=True, slots=True)
class Reference:
    """Levels under a name. `universes` by their name without network, such as `e131/12`."""

    name: str
    at_wall_ns: int
    by: str
    fixtures: tuple[KeptFixture, ...]
    universes: Mapping[str, UniverseLevels]
    left_out: tuple[str, ...] = ()
    """Declared universes that did not arrive at the moment."""

    def levels_of(self, fixture: KeptFixture) -> Levels:
        """The levels of a fixture's slots; those that its frames do not hold are 0."""
        return self.universes[fixture.universe].levels[fixture.address - 1 : fixture.last_slot]


@dataclass(frozen=True, slots=True)
class RoleSlots:
    """One thing of a fixture that has a level: a slot, or a 16-bit pair of two."""

    role: str
    coarse: int
    """Offset from the fixture's address."""
    fine: int
    """Offset of the pair's second slot; -1 for a channel of 8 bits."""


@lru_cache(maxsize=4096)
def channels_of(slots: tuple[str, ...]) -> tuple[RoleSlots, ...]:
    """Give what is compared of a fixture with these roles: pairs as pairs; control and strobe left out.

    A role that occurs several times (cells) has its pairs in the order of the slots. A third and fourth byte
    of a channel are left out: they are under 0.002 % of full scale.
    """
    fines: dict[str, list[int]] = {}
    coarse_count: dict[str, int] = {}
    for at, role in enumerate(slots):
        if role.endswith(FINE):
            fines.setdefault(role[: -len(FINE)], []).append(at)
        else:
            coarse_count[role] = coarse_count.get(role, 0) + 1
    found: list[RoleSlots] = []
    seen: dict[str, int] = {}
    for at, role in enumerate(slots):
        base = role.partition(FINE)[0]
        if base in EXCLUDED_ROLES or (base != role and (base in coarse_count or not role.endswith(FINE))):
            continue
        nth = seen[role] = seen.get(role, 0) + 1
        pairs = fines.get(role, [])
        name = role or f"slot {at + 1}"
        if role and coarse_count.get(role, 0) > 1:
            name = f"{role} {nth}"
        found.append(RoleSlots(name, at, pairs[nth - 1] if role and nth <= len(pairs) else -1))
    return tuple(found)


class Moved(NamedTuple):
    """A channel whose level is not what it was. Levels are shares of full scale, 0 to 1."""

    role: str
    was: float
    now: float

    @property
    def by(self) -> float:
        return abs(self.now - self.was)


@dataclass(frozen=True, slots=True)
class Difference:
    """A fixture that differs, its channels by how much, the worst first."""

    fixture: KeptFixture
    universe: str
    """Where it is patched now."""
    address: int
    channels: tuple[Moved, ...]

    @property
    def worst(self) -> float:
        return self.channels[0].by


@dataclass(frozen=True, slots=True)
class NotCompared:
    """A fixture that was not compared, and why: mode-changed, not-patched, no-data or new."""

    fixture: str
    reason: str
    text: str


@dataclass(frozen=True, slots=True)
class Comparison:
    """A reference and the levels of now."""

    compared: int
    """Fixtures."""
    differences: tuple[Difference, ...]
    not_compared: tuple[NotCompared, ...]
    moved: tuple[tuple[str, str, str], ...]
    """(fixture, place then, place now) of those that the patch moved."""
    moving: int
    """Channels left out because they were moving when the reference was kept."""


def patched(house: House, live: Mapping[str, UniverseLevels]) -> tuple[KeptFixture, ...]:
    """The house's fixtures as they are patched, and each universe that arrives and has none as one thing."""
    racks = {circuit.name: circuit.rack for circuit in house.circuits}
    fixtures = [
        KeptFixture(
            one.name,
            str(one.universe),
            one.address,
            one.slots,
            one.label,
            one.profile,
            one.position,
            racks.get(one.circuit, ""),
        )
        for one in house.fixtures
    ]
    used = {one.universe for one in fixtures}
    labels = {str(one.id): one.label for one in house.universes}
    return (
        *fixtures,
        *(
            KeptFixture(name, name, 1, ("",) * held.slots, labels.get(name, ""), is_universe=True)
            for name, held in live.items()
            if name not in used and held.slots
        ),
    )


def keep(
    name: str,
    at_wall_ns: int,
    by: str,
    house: House,
    live: Mapping[str, UniverseLevels],
    chosen: Iterable[Iterable[str]] = ((), (), ()),
) -> Reference:
    """Make a reference of what arrives now.

    chosen: universes, racks, positions; a fixture is kept if it is in any of them. All empty: the whole house.
    ValueError with a sentence if nothing is left to keep.
    """
    universes, racks, positions = (set(names) for names in chosen)
    fixtures = [one for one in patched(house, live) if one.last_slot <= SLOTS]
    if universes or racks or positions:
        fixtures = [
            one
            for one in fixtures
            if one.universe in universes or (one.rack and one.rack in racks) or (one.position in positions - {""})
        ]
        if not fixtures:
            raise ValueError("no fixture is on these universes, racks or positions")
    silent = dict.fromkeys(one.universe for one in fixtures if one.universe not in live)
    fixtures = [one for one in fixtures if one.universe in live]
    if not fixtures:
        raise ValueError("no levels arrive that could be kept")
    kept = {one.universe: live[one.universe] for one in fixtures}
    return Reference(name, at_wall_ns, by, tuple(fixtures), kept, tuple(silent))


def compare(reference: Reference, house: House, live: Mapping[str, UniverseLevels], tolerance: float) -> Comparison:
    """Compare, by fixture and role. tolerance: share of full scale above which a channel differs.

    Fixtures that differ come worst first.
    """
    now = _by_key(patched(house, live))
    not_compared: list[NotCompared] = []
    moved: list[tuple[str, str, str]] = []
    pairs: list[tuple[KeptFixture, KeptFixture]] = []
    kept = _by_key(reference.fixtures)
    for key, was in kept.items():
        one = now.get(key)
        if one is None and was.is_universe and was.universe in live:
            one = was  # something is patched there since: its slots are compared all the same
        if one is None:
            silent = ("no-data", f"no data arrives on {was.universe}")
            why = silent if was.is_universe else ("not-patched", "not patched now")
            not_compared.append(NotCompared(was.name, *why))
        elif one.slots != was.slots and not was.is_universe:
            text = f"its mode changed: {_mode(was)} then, {_mode(one)} now"
            not_compared.append(NotCompared(was.name, "mode-changed", text))
        elif one.universe not in live:
            not_compared.append(NotCompared(was.name, "no-data", f"no data arrives on {one.universe}"))
        else:
            pairs.append((was, one))
            if (was.universe, was.address) != (one.universe, one.address):
                moved.append((was.name, f"{was.universe} {was.address}", f"{one.universe} {one.address}"))
    scope = set(reference.universes)
    for key, one in now.items():
        if key not in kept and one.universe in scope and not one.is_universe:
            not_compared.append(NotCompared(one.name, "new", "patched since the reference was kept"))
    differences, moving = _differences(reference, pairs, live, tolerance)
    return Comparison(len(pairs), differences, tuple(not_compared), tuple(moved), moving)


def _mode(one: KeptFixture) -> str:
    return f"{one.profile or 'no profile'} with {len(one.slots)} slot{'' if len(one.slots) == 1 else 's'}"


def _by_key(fixtures: Iterable[KeptFixture]) -> dict[tuple[str, int], KeptFixture]:
    """By name; a fixture of several parts has its parts in the order of the patch."""
    found: dict[tuple[str, int], KeptFixture] = {}
    parts: dict[str, int] = {}
    for one in fixtures:
        part = parts[one.name] = parts.get(one.name, -1) + 1
        found[one.name, part] = one
    return found


def _differences(
    reference: Reference,
    pairs: list[tuple[KeptFixture, KeptFixture]],
    live: Mapping[str, UniverseLevels],
    tolerance: float,
) -> tuple[tuple[Difference, ...], int]:
    """The fixtures that differ, and how many channels were left out as moving."""
    if not pairs:
        return (), 0
    rows_then = {name: row for row, name in enumerate(reference.universes)}
    rows_now = {name: row for row, name in enumerate(live)}
    then = np.stack([one.levels for one in reference.universes.values()]).reshape(-1)
    moving = np.stack([one.moving for one in reference.universes.values()]).reshape(-1)
    now = np.stack([one.levels for one in live.values()]).reshape(-1)
    offsets = [_offsets(was.slots) for was, _ in pairs]
    counts = [len(coarse) for coarse, _ in offsets]
    owner = np.repeat(np.arange(len(pairs)), counts)
    coarse = np.concatenate([one for one, _ in offsets])
    fine = np.concatenate([one for _, one in offsets])
    base_then = np.array([rows_then[was.universe] * SLOTS + was.address - 1 for was, _ in pairs])[owner]
    base_now = np.array([rows_now[one.universe] * SLOTS + one.address - 1 for _, one in pairs])[owner]
    was_level = _shares(then, base_then, coarse, fine)
    now_level = _shares(now, base_now, coarse, fine)
    is_moving = moving[base_then + coarse]
    # The least step of 8 bits is 0.39 %; a level that was rounded on its way must not differ for the last digit.
    differs = (np.abs(now_level - was_level) > tolerance + 1e-9) & ~is_moving
    first = np.concatenate([[0], np.cumsum(counts)])
    # Sorted and cut as arrays: a look in which all 2,000 fixtures differ has some 20,000 rows.
    which = np.flatnonzero(differs)
    which = which[np.lexsort((-np.abs(now_level - was_level)[which], owner[which]))]
    owners = owner[which]
    roles = [_roles(was.slots) for was, _ in pairs]
    offsets_in = (which - first[owners]).tolist()
    names = [roles[index][at] for index, at in zip(owners.tolist(), offsets_in, strict=True)]
    rows = list(map(Moved, names, was_level[which].tolist(), now_level[which].tolist()))
    starts = np.flatnonzero(np.diff(owners, prepend=-1)).tolist()
    ends = [*starts[1:], len(rows)] if starts else []
    made = [
        Difference(pairs[index][0], pairs[index][1].universe, pairs[index][1].address, tuple(rows[start:end]))
        for index, start, end in zip(owners[starts].tolist(), starts, ends, strict=True)
    ]
    made.sort(key=lambda one: -one.worst)
    return tuple(made), int(np.count_nonzero(is_moving))


@lru_cache(maxsize=4096)
def _roles(slots: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(one.role for one in channels_of(slots))


@lru_cache(maxsize=4096)
def _offsets(slots: tuple[str, ...]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    channels = channels_of(slots)
    return (
        np.array([one.coarse for one in channels], np.int64),
        np.array([one.fine for one in channels], np.int64),
    )


def _shares(
    levels: Levels, base: NDArray[np.int64], coarse: NDArray[np.int64], fine: NDArray[np.int64]
) -> NDArray[np.float64]:
    """Levels as shares of full scale: of 255, and of 65,535 for a pair."""
    high = levels[base + coarse].astype(np.float64)
    low = levels[base + np.maximum(fine, 0)]
    shares: NDArray[np.float64] = np.where(fine >= 0, (high * 256 + low) / 65535, high / 255)
    return shares


# --- as bytes ---------------------------------------------------------------------------------------------------


def pack(reference: Reference) -> bytes:
    """Write a reference: a line of JSON, then 512 levels and 64 bytes of moving slots of each universe; compressed."""
    head = {
        "format": FORMAT,
        "name": reference.name,
        "at_wall_ns": reference.at_wall_ns,
        "by": reference.by,
        "fixtures": [asdict(one) for one in reference.fixtures],
        "universes": [[name, one.slots] for name, one in reference.universes.items()],
        "left_out": reference.left_out,
    }
    parts = [json.dumps(head, separators=(",", ":")).encode(), b"\n"]
    for one in reference.universes.values():
        parts += [one.levels.tobytes(), np.packbits(one.moving).tobytes()]
    return zlib.compress(b"".join(parts), 6)


def unpack(octets: bytes) -> Reference:
    """Read what `pack` wrote. ValueError with a sentence if it is something else."""
    try:
        reader = zlib.decompressobj()
        text = reader.decompress(octets, LARGEST_BYTES)
        line, _, body = text.partition(b"\n")
        head: dict[str, Any] = json.loads(line)
        if head["format"] != FORMAT or not reader.eof:
            raise ValueError("of another format")
        step = SLOTS + SLOTS // 8
        if len(body) != step * len(head["universes"]):
            raise ValueError("cut off")
        rows = np.frombuffer(body, np.uint8).reshape(-1, step)
        universes = {
            str(name): UniverseLevels(row[:SLOTS], int(slots), np.unpackbits(row[SLOTS:]).astype(np.bool_))
            for (name, slots), row in zip(head["universes"], rows, strict=True)
        }
        fixtures = tuple(KeptFixture(**{**one, "slots": tuple(one["slots"])}) for one in head["fixtures"])
        if any(
            one.universe not in universes or not 1 <= one.address <= one.last_slot + 1 <= SLOTS + 1 for one in fixtures
        ):
            raise ValueError("a fixture is outside")
        return Reference(
            head["name"], int(head["at_wall_ns"]), head["by"], fixtures, universes, tuple(head["left_out"])
        )
    except (zlib.error, KeyError, TypeError, ValueError, RecursionError) as error:
        raise ValueError(f"these reference levels cannot be read: {error}") from None
