"""How long judging idles between two turns, and whether intake may idle with it.

A turn costs nearly the same however much it finds, for its caches are cold after idling (measured: 2 ms for 32
packets, half of it again for 64), so an ordinary house is judged a few times a second. How long the engine itself
can wait is `Engine.rest_ns`; it is shorter while somebody looks at the page, and while so much arrives that a
batch worth judging is there sooner. Each tenth of a second it checks whether packets bring a change
(`Engine.brings_change`), so that nothing is reported later for it.

Both processes wake on the same grid of tenths of a second, intake first, so that judging finds fresh packets.
"""

from __future__ import annotations

from slotwatch.durations import NEVER_NS
from slotwatch.edge.shared.channel import Channel
from slotwatch.edge.shared.messages.intake import FromIntake, Idle, ToIntake

GATHERED_ROWS = 1024
"""With this many rows in the ring the next turn comes at once, or after the shortest rest. A batch costs some 0.3 ms
whatever it holds: with 256 rows a packet cost half as much again as with 1,024."""
SHORTEST_REST_NS = 17_000_000
"""A full gigabit brings 3,000 rows meanwhile: a turn, and waking for it, cost the same whatever it finds."""
BEHIND_ROWS = 5 * GATHERED_ROWS
"""With this many rows in the ring at the end of a turn, the next one comes at once: judging has fallen behind."""
GRID_NS = 100_000_000
PAST_NS = 12_000_000
"""Time past the grid after which intake has had its turn."""
WATCHED_REST_NS = 200_000_000
"""While somebody looks: events go out at most four times a second."""
WATCHED_FOR_NS = 12_000_000_000
"""How long the front's last message counts that somebody reads; it comes every 5 s."""
LATE_NS = 200_000_000
"""A turn that is later than due by this much is reported as a stall."""


class Pace:
    """When one judging process idles."""

    def __init__(self, intake: Channel[ToIntake, FromIntake], now_ns: int) -> None:
        self._intake = intake
        self._intake_rests = False
        self.is_resting = False
        """Whether it idles now because the house is settled."""
        self._due_ns = self._turned_ns = now_ns
        self._watched_until_ns = self._rested_ns = 0

    def watch(self, now_ns: int) -> None:
        """Somebody looks at the page."""
        self._watched_until_ns = now_ns + WATCHED_FOR_NS

    def is_watched(self, now_ns: int) -> bool:
        """Whether somebody looks at the page."""
        return now_ns < self._watched_until_ns

    def intake_woke(self) -> None:
        """Intake was restarted, or no longer idles because many packets came at once."""
        self._intake_rests = False

    def late_ns(self, now_ns: int) -> int:
        """How much later than due this turn begins, where that is a stall; else 0."""
        late_ns = now_ns - self._due_ns
        return late_ns if late_ns > LATE_NS else 0

    def may_rest(self, now_ns: int, rows: int) -> bool:
        """Whether this many rows may wait longer in the ring, unless they bring a change."""
        return now_ns < self._rested_ns - GRID_NS // 2 and rows < GATHERED_ROWS

    def gathered_in_ns(self, now_ns: int, rows: int, waiting: int) -> int:
        """How long a batch worth judging takes to arrive, at the rate of the turn that ends now with this many rows.

        waiting: rows that came while it judged these.
        """
        if waiting >= GATHERED_ROWS:
            return 0
        return GATHERED_ROWS * (now_ns - self._turned_ns) // rows if rows else NEVER_NS

    def rest_ms(self, now_ns: int, rows: int, waiting: int, wanted_ns: int) -> int:
        """Milliseconds to the next look at the ring.

        rows: what the turn that ends now has judged. waiting: what came meanwhile. wanted_ns: how long the engine can
        wait while nothing changes.
        """
        longest_ns = min(wanted_ns, WATCHED_REST_NS) if self.is_watched(now_ns) else wanted_ns
        longest_ns = min(longest_ns, self.gathered_in_ns(now_ns, rows, waiting))
        self._turned_ns = now_ns
        self._tell_intake(longest_ns >= GRID_NS)
        self.is_resting = longest_ns > GRID_NS
        if longest_ns < GRID_NS:
            self._rested_ns = now_ns
            self._due_ns = now_ns if waiting >= BEHIND_ROWS else now_ns + max(SHORTEST_REST_NS, longest_ns)
            return (self._due_ns - now_ns) // 1_000_000
        self._rested_ns = _on_grid(now_ns + longest_ns)
        return self.look_again_ms(now_ns)

    def look_again_ms(self, now_ns: int) -> int:
        """Milliseconds to the next look, on the grid."""
        self._due_ns = _on_grid(now_ns + GRID_NS)
        if self._due_ns - now_ns < GRID_NS // 2:
            self._due_ns += GRID_NS
        return (self._due_ns - now_ns) // 1_000_000

    def _tell_intake(self, rests: bool) -> None:
        if rests != self._intake_rests:
            self._intake_rests = rests
            self._intake.send(Idle(rests))


def _on_grid(t_ns: int) -> int:
    """The last moment before `t_ns` at which this process wakes."""
    return (t_ns - PAST_NS) // GRID_NS * GRID_NS + PAST_NS
