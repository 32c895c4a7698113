"""Which packets with the stream-terminated bit are believed.

A source that stops a stream sends three such packets in a row (ANSI E1.31-2018 6.2.6), each with the next sequence
number. Anyone on the wire can send one with the source's own address. So one alone ends nothing while the source
continues: it counts with the second in a row, or once nothing followed for as long as an idle source may be silent.
Where the stream has gone on after several lately, only silence counts. One whose number does not fit its series is not
believed at all (`model.series`), but counts where the stream goes on: receivers obey it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from slotwatch.model.announced_ends import DOUBTED_NS
from slotwatch.model.segments import Rows
from slotwatch.model.streams import Streams

ALONE_NS = 1_100_000_000
"""An idle source sends every 0.8 to 1.0 s (E1.31 6.6.2). If nothing comes for this long after one such packet, it has
stopped."""
PAUSE_NS = 5_000_000_000
"""After so long without one that is not believed, such packets are counted anew."""
OFTEN = 2
"""After so many that the stream's next frame belied, two in a row count no more."""


class Endings:
    """Ends that were seen once, until they are believed or the stream continues."""

    def __init__(self, streams: Streams) -> None:
        self._streams = streams
        self._alone: dict[int, tuple[int, int]] = {}
        """Stream row to when the packet came and the row's generation."""
        self._began: dict[int, int] = {}
        self._over: dict[int, tuple[int, int]] = {}
        """Stream row to the first of two in a row that were believed lately, and the row's generation."""
        self._unfit: dict[int, tuple[int, int]] = {}
        """Stream row to the first one since its last frame that does not fit, and the row's generation."""

    def believe(
        self,
        stream: Rows,
        t_ns: NDArray[np.int64],
        ends: NDArray[np.bool_],
        unfit: NDArray[np.bool_],
        frames: NDArray[np.bool_],
    ) -> NDArray[np.bool_]:
        """Say which of these ends count. The rows are sorted by stream.

        unfit: those whose numbers do not fit. frames: live levels, accepted or not.
        """
        table, believed = self._streams, np.zeros(len(ends), np.bool_)
        self._began.clear()
        for row in np.unique(stream[ends | unfit]).tolist():
            first, last = stream.searchsorted((row, row + 1)).tolist()
            since_ns, generation = self._alone.pop(row, (0, 0))
            if since_ns and not self._is_alone(row, since_ns, generation):
                since_ns = 0
            over_ns, unfit_ns = self._lasting_over(row), self._lasting_unfit(row)
            was_over = is_over = not bool(table.live[row])
            for place in range(first, last):
                at_ns = int(t_ns[place])
                if ends[place]:
                    if since_ns and not is_over and not self._is_often_belied(row, at_ns):
                        is_over, over_ns = True, since_ns
                    believed[place] = is_over
                    since_ns = since_ns or (0 if is_over else at_ns)
                elif unfit[place]:
                    self._note_strange(row, at_ns)
                    table.last_unfit_end_ns[row] = at_ns
                    unfit_ns = unfit_ns or at_ns
                elif frames[place]:
                    self._weigh(row, over_ns or since_ns or unfit_ns, at_ns)
                    since_ns, over_ns, unfit_ns, is_over, was_over = 0, 0, 0, False, False
            generation = int(table.generation[row])
            if unfit_ns:
                self._unfit[row] = unfit_ns, generation
            if over_ns:
                self._over[row] = over_ns, generation
                if not was_over:
                    self._began[row] = over_ns
            elif since_ns:
                self._alone[row] = since_ns, generation
        return believed

    def date(self) -> None:
        """Have the streams that ended by what was believed last end with the first of those packets."""
        for row, since_ns in self._began.items():
            self._streams.lost_ns[row] = since_ns

    def settle(self, now_ns: int) -> bool:
        """Believe those after which nothing came for long enough; whether there were any."""
        table = self._streams
        over = []
        for row in list(self._over):
            over_ns = self._lasting_over(row)
            if over_ns and now_ns - over_ns <= ALONE_NS:
                self._over[row] = over_ns, int(table.generation[row])
        for row, (since_ns, generation) in list(self._alone.items()):
            if not self._is_alone(row, since_ns, generation):
                del self._alone[row]
            elif now_ns - since_ns > ALONE_NS:
                del self._alone[row]
                over.append(row)
                table.live[row], table.lost_ns[row] = False, since_ns
                table.last_terminated_ns[row] = since_ns
        return bool(over)

    def next_ns(self) -> int | None:
        """When `settle` has something to do next; None: nothing waits."""
        return min((since_ns + ALONE_NS for since_ns, _ in self._alone.values()), default=None)

    def _is_alone(self, row: int, since_ns: int, generation: int) -> bool:
        """Whether such a packet is still the last of a stream; one that a frame followed is counted."""
        table = self._streams
        if table.generation[row] != generation:
            return False
        if table.last_arrival_ns[row] > since_ns:
            self._count_false(row, since_ns)
            return False
        return bool(table.live[row])

    def _lasting_over(self, row: int) -> int:
        """Take out the end of a stream that two in a row made; 0 if there is none, or the stream goes on since."""
        ended_ns, generation = self._over.pop(row, (0, 0))
        if not ended_ns or self._streams.generation[row] != generation:
            return 0
        if not self._streams.live[row]:
            return ended_ns
        self._weigh(row, ended_ns, int(self._streams.since_ns[row]))
        return 0

    def _lasting_unfit(self, row: int) -> int:
        """Take out the first end that does not fit; 0 if there is none, or the stream went on since."""
        since_ns, generation = self._unfit.pop(row, (0, 0))
        if not since_ns or self._streams.generation[row] != generation:
            return 0
        if self._streams.last_arrival_ns[row] <= since_ns:
            return since_ns
        self._count_false(row, since_ns)
        return 0

    def _weigh(self, row: int, ended_ns: int, next_ns: int) -> None:
        """Count an end that the stream's next frame belied soon after. ended_ns: 0 if there was none."""
        if ended_ns and next_ns - ended_ns <= ALONE_NS:
            self._count_false(row, ended_ns)

    def _is_often_belied(self, row: int, t_ns: int) -> bool:
        table = self._streams
        return bool(table.false_ends[row] >= OFTEN and t_ns - table.last_false_end_ns[row] <= PAUSE_NS)

    def _count_false(self, row: int, at_ns: int) -> None:
        """Count one that the stream's next frame belied."""
        table = self._streams
        self._note_strange(row, at_ns)
        if at_ns - table.last_false_end_ns[row] > PAUSE_NS:
            table.false_ends[row] = 0
        table.false_ends[row] += 1
        table.last_false_end_ns[row] = at_ns

    def _note_strange(self, row: int, at_ns: int) -> None:
        """Keep since when such packets have come that are not the source's own, without a pause of DOUBTED_NS."""
        table = self._streams
        newest_ns = max(int(table.last_false_end_ns[row]), int(table.last_unfit_end_ns[row]))
        if not newest_ns or at_ns - newest_ns > DOUBTED_NS:
            table.strange_ends_since_ns[row] = at_ns
