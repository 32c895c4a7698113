"""Chance that is the same each time: a small generator of our own, so that a scenario is its seed."""

from __future__ import annotations

_MASK = (1 << 64) - 1


class Chance:
    """SplitMix64 (Steele, Lea and Flood 2014): one 64-bit word of state, any seed is good."""

    __slots__ = ("_state",)

    def __init__(self, seed: int) -> None:
        self._state = seed & _MASK

    def word(self) -> int:
        """Draw 64 bits."""
        self._state = (self._state + 0x9E3779B97F4A7C15) & _MASK
        mixed = self._state
        mixed = ((mixed ^ (mixed >> 30)) * 0xBF58476D1CE4E5B9) & _MASK
        mixed = ((mixed ^ (mixed >> 27)) * 0x94D049BB133111EB) & _MASK
        return mixed ^ (mixed >> 31)

    def below(self, limit: int) -> int:
        """Draw an integer from 0 to limit - 1 (the bias of a modulus is under 2^-32 here)."""
        return self.word() % limit

    def unit(self) -> float:
        """Draw from 0.0 up to, not including, 1.0."""
        return (self.word() >> 11) * (1.0 / (1 << 53))

    def between(self, low: float, high: float) -> float:
        return low + (high - low) * self.unit()

    def take_bytes(self, count: int) -> bytes:
        return b"".join(self.word().to_bytes(8, "big") for _ in range((count + 7) // 8))[:count]
