"""Whether the wall clock may be believed when old history is deleted.

A computer whose clock battery is empty starts years in the past, and a wrong correction may put it years ahead. Nothing
is deleted by such a clock: after a jump this program must first run for a day without another jump.
"""

from __future__ import annotations

from collections.abc import Mapping

DAY_MS = 86_400_000
FORWARD_MS = 8 * DAY_MS
"""A clock that is further on than this when the program starts again jumped. A house that plays once a week is not."""
BACK_MS = 3_600_000
"""A clock that is further back than this jumped."""


class Horizon:
    """Follows the wall clock of one history file, over restarts by the row that is kept in the file."""

    def __init__(self, row: Mapping[str, object] | None) -> None:
        """row: what `as_row` gave when the file was last written; None for a new file, whose clock is believed."""
        kept = row or {}
        self._wall_ms = _whole(kept.get("wall_ms"))
        steady_ms = _whole(kept.get("steady_ms"))
        self._steady_ms = DAY_MS if steady_ms is None else steady_ms
        self._at_ms: int | None = None

    @property
    def is_believed(self) -> bool:
        """Whether what is too old by this clock may be deleted."""
        return self._steady_ms >= DAY_MS

    def advance(self, wall_ms: int, monotonic_ms: int) -> bool:
        """Take the clocks as they are now; whether the wall clock jumped since they were last taken."""
        passed_ms = 0 if self._at_ms is None else monotonic_ms - self._at_ms
        expected_ms = wall_ms if self._wall_ms is None else self._wall_ms + passed_ms
        jumped = not -BACK_MS <= wall_ms - expected_ms <= FORWARD_MS
        self._steady_ms = 0 if jumped else min(self._steady_ms + passed_ms, DAY_MS)
        self._wall_ms, self._at_ms = wall_ms, monotonic_ms
        return jumped

    def as_row(self) -> dict[str, int]:
        """What the next run begins with: the wall clock, milliseconds since 1970, and how long it has held."""
        return {"wall_ms": self._wall_ms or 0, "steady_ms": self._steady_ms}


def _whole(value: object) -> int | None:
    return value if isinstance(value, int) and not isinstance(value, bool) and value >= 0 else None
