"""What single cells of paperwork mean: universes, addresses and numbers as people write them.

Every reader raises ValueError with what would be right; nothing ambiguous is guessed.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from slotwatch.wire import universe as universes
from slotwatch.wire.universe import SLOTS, Protocol, UniverseId

ABSOLUTE_LAST = 32768
"""64 universes: the most that absolute addresses are written for (DIN SPEC 15801's formula, any number)."""

_WHOLE = re.compile(r"(\d{1,7})(?:[.,]0+)?")
_PAIR = re.compile(r"(?:(e131|artnet)/)?(\d{1,5})\s*([/.:,])\s*(\d{1,3})", re.IGNORECASE)
_AMOUNT = re.compile(r"(\d+(?:[.,]\d+)?)\s*(w|kw|a|ma|h|v)?", re.IGNORECASE)
_THOUSANDS = re.compile(r"[1-9]\d{0,2}[.,]\d{3}")
_SCALE = {"kw": 1000.0, "ma": 0.001}


class WrongUniverse(ValueError):
    """The fault is in what names the universe, not in the address."""


@dataclass(slots=True)
class Addressing:
    """How this house's paperwork names universes and addresses."""

    protocol: Protocol | None
    """The only protocol of the house, for bare universe numbers; None where it has two."""
    table: dict[str, UniverseId] = field(default_factory=dict)
    """`[patch] universes`: what the file's own universe numbers are on the wire."""
    absolute_from: UniverseId | None = None

    def universe(self, text: str) -> UniverseId:
        """A universe cell. WrongUniverse if the universe cannot be determined."""
        if text in self.table:
            return self.table[text]
        found = _WHOLE.fullmatch(text)
        if found and found[1].lstrip("0") in self.table:
            return self.table[found[1].lstrip("0")]
        if found:
            if self.protocol is None:
                raise WrongUniverse("this house has two protocols: write e131/1 or artnet/0")
            text = f"{self.protocol.word}/{found[1]}"
        try:
            universe, network = universes.parse(text.lower())
        except ValueError as error:
            raise WrongUniverse(str(error).partition(" is not a universe; ")[2] or str(error)) from None
        if network is not None:
            raise WrongUniverse("write the universe without a network")
        return universe

    def place(self, universe: str, address: str) -> tuple[UniverseId, int]:
        """The universe and the slot from 1 of a patch row."""
        whole = _WHOLE.fullmatch(address)
        if whole and universe:
            return self.universe(universe), _slot(int(whole[1]))
        if whole:
            return self._absolute(int(whole[1]))
        pair = _PAIR.fullmatch(address)
        if not pair:
            raise ValueError("an address from 1 to 512 is expected, or universe and address as 1/101 or 1.101")
        if universe and not pair[1] and self.protocol is None and pair[2] not in self.table:
            raise ValueError(f"this house has two protocols: write {pair[4]} alone, the universe has its own column")
        named = self.universe(f"{pair[1]}/{pair[2]}" if pair[1] else pair[2])
        if universe and self.universe(universe) != named:
            raise WrongUniverse(f"the address names {named}, but the universe column says {universe}")
        return named, _slot(int(pair[4]))

    def _absolute(self, number: int) -> tuple[UniverseId, int]:
        """universe = (absolute - 1) // 512 + 1, address = (absolute - 1) % 512 + 1 (DIN SPEC 15801)."""
        if self.absolute_from is None:
            raise ValueError("no universe is given; for absolute addresses write absolute_from under [patch]")
        if not 1 <= number <= ABSOLUTE_LAST:
            raise ValueError(f"an absolute address from 1 to {ABSOLUTE_LAST} is expected")
        first = self.absolute_from
        universe = UniverseId(first.protocol, first.number + (number - 1) // SLOTS)
        if not universe.is_valid:
            raise ValueError(f"counted from {first} this is {universe}, which does not exist")
        return universe, (number - 1) % SLOTS + 1


def cut_zeros(addresses: list[str]) -> set[int]:
    """Indices of cells such as `1.1` in a column that else writes `1.001`: a spreadsheet cut zeros off.

    1.1 may then have been 1.100, so its meaning is not certain.
    """
    pairs = [(i, found) for i, text in enumerate(addresses) if (found := _PAIR.fullmatch(text)) and found[3] in ".,"]
    if not any(len(found[4]) == 3 and found[4][0] == "0" for _, found in pairs):
        return set()
    return {i for i, found in pairs if len(found[4]) < 3}


def amount(text: str, most: float) -> float:
    """A number with a decimal point or comma and perhaps its unit: `1000`, `0,5 kW`, `12.5 A`."""
    found = _AMOUNT.fullmatch(text)
    if not found:
        raise ValueError("a number is expected, such as 1000 or 12.5")
    if _THOUSANDS.fullmatch(found[1]):
        whole = re.sub("[.,]", "", found[1])
        raise ValueError(f"this may mean {whole} or {found[1].replace(',', '.')}: write it without a separator")
    value = float(found[1].replace(",", ".")) * _SCALE.get((found[2] or "").lower(), 1.0)
    if value > most:
        raise ValueError(f"a number from 0 to {most:g} is expected")
    return value


def whole(text: str, low: int, high: int) -> int:
    """A whole number in this range; `12.0` and `12,0` are whole too."""
    found = _WHOLE.fullmatch(text)
    if not found or not low <= int(found[1]) <= high:
        raise ValueError(f"a whole number from {low} to {high} is expected")
    return int(found[1])


def yes(text: str) -> bool:
    """Whether a yes-or-empty cell says yes."""
    word = text.strip().lower()
    if word in ("yes", "y", "x", "true", "1", "ja", "oui", "si"):
        return True
    if word in ("", "no", "n", "false", "0", "-", "nein", "non"):
        return False
    raise ValueError("yes or an empty cell is expected")


def _slot(number: int) -> int:
    if not 1 <= number <= SLOTS:
        raise ValueError(f"an address from 1 to {SLOTS} is expected")
    return number
