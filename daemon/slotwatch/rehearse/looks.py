"""What a desk plays: a look is a function of the scenario's time in seconds to the bytes of its slots.

All are cheap (slices of tables), since a rehearsal asks for them at every frame of every universe.
"""

from __future__ import annotations

from collections.abc import Callable

Look = Callable[[float], bytes]

_UP = bytes(range(0, 256, 4))
_TRIANGLE = (_UP + _UP[::-1]) * 8
"""Levels that go up and down in steps of 4, 1,024 long."""
_WHEEL = len(_UP) * 2


def held(level: int = 128, slots: int = 512) -> Look:
    """A static look: one level in every slot."""
    frame = bytes((level,)) * slots
    return lambda t_s: frame


def fixed(frame: bytes) -> Look:
    return lambda t_s: frame


def scene(seed: int, slots: int = 512) -> Look:
    """A static look with a pattern of its own."""
    start = seed * 37 % _WHEEL
    frame = _TRIANGLE[start : start + slots]
    return lambda t_s: frame


def moving(hz: float = 44.0, offset: int = 0, slots: int = 512) -> Look:
    """An effect: every slot moves by 4 at each step, `hz` steps a second."""
    return lambda t_s: _TRIANGLE[(start := (int(t_s * hz + 1e-6) + offset) % _WHEEL) : start + slots]


def faded(start_s: float, seconds: float, low: int, high: int, slots: int = 512) -> Look:
    """A fade of every slot from one level to another, held before and after."""

    def levels(t_s: float) -> bytes:
        part = min(max((t_s - start_s) / seconds, 0.0), 1.0)
        return bytes((round(low + (high - low) * part),)) * slots

    return levels


def chased(step_s: float, width: int = 8, slots: int = 512, level: int = 255) -> Look:
    """A chase: one group of slots up at a time, silence between the steps."""

    def levels(t_s: float) -> bytes:
        at = int(t_s / step_s) * width % slots
        return bytes(at) + bytes((level,)) * width + bytes(slots - at - width)

    return levels


def changed_at(*changes: tuple[float, Look]) -> Look:
    """One look after another: (from second, look), the first one at 0."""

    def levels(t_s: float) -> bytes:
        now = changes[0][1]
        for start_s, look in changes:
            if t_s >= start_s:
                now = look
        return now(t_s)

    return levels


def patched(under: Look, *spots: tuple[int, Look]) -> Look:
    """Looks laid over others: (slot number of its first slot, look of a few slots)."""

    def levels(t_s: float) -> bytes:
        frame = bytearray(under(t_s))
        for slot, look in spots:
            part = look(t_s)
            frame[slot - 1 : slot - 1 + len(part)] = part
        return bytes(frame)

    return levels


def stepped(hz: float, look: Look) -> Look:
    """A look that is only looked at `hz` times a second, as a slow re-sampler does."""
    return lambda t_s: look(int(t_s * hz + 1e-6) / hz)


def late(look: Look, seconds: float) -> Look:
    """The same look, some time behind."""
    return lambda t_s: look(max(t_s - seconds, 0.0))


def flashed(hz: float, slots: int = 1, high: int = 255, low: int = 0) -> Look:
    """On and off, `hz` flashes a second."""
    return lambda t_s: bytes((low if int(t_s * hz * 2 + 1e-6) % 2 else high,)) * slots


def shortened(look: Look, slots: int) -> Look:
    return lambda t_s: look(t_s)[:slots]
