"""What differs between kept reference levels and the present levels, by fixture and role."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from slotwatch.house.schema import House
from slotwatch.model.reference_levels import KeptFixture, Levels, Reference, UniverseLevels, channels_of, patched
from slotwatch.wire.universe import SLOTS


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
    """A fixture that was not compared, and why: mode-changed, not-patched, no-data, moving or new."""

    fixture: str
    reason: str
    text: str


@dataclass(frozen=True, slots=True)
class Comparison:
    """A reference compared with the present levels."""

    compared: int
    """Fixtures."""
    differences: tuple[Difference, ...]
    not_compared: tuple[NotCompared, ...]
    moved: tuple[tuple[str, str, str], ...]
    """(fixture, place then, place now) of those that the patch moved."""
    moving: int
    """Channels left out because they were moving when the reference was kept."""


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
    differences, moving, restless = _differences(reference, pairs, live, tolerance)
    not_compared += [NotCompared(one.name, "moving", "all of it moved when the reference was kept") for one in restless]
    return Comparison(len(pairs) - len(restless), differences, tuple(not_compared), tuple(moved), moving)


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
) -> tuple[tuple[Difference, ...], int, tuple[KeptFixture, ...]]:
    """The fixtures that differ, how many channels were left out as moving, and the fixtures without any other."""
    if not pairs:
        return (), 0, ()
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
    # The least step of 8 bits is 0.39 %; a level that was rounded on its path must not differ for the last digit.
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
    moves = np.bincount(owner[is_moving], minlength=len(pairs))
    restless = tuple(pairs[index][0] for index in np.flatnonzero((moves > 0) & (moves == counts)).tolist())
    return tuple(made), int(np.count_nonzero(is_moving)), restless


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
