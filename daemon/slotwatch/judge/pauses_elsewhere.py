"""Whether another listener hears the long pauses of a stream too."""

from __future__ import annotations

from dataclasses import replace

from slotwatch.judge.context import RuleContext
from slotwatch.judge.elsewhere import IntervalsThere, intervals_there
from slotwatch.model.cadence import INTERVALS


class PausesElsewhere:
    """Keeps of each stream what another listener heard of its newest pause that its figures held.

    They are of the newest `INTERVALS` frames, so that a pause is too new for them at first and too old later.
    """

    def __init__(self) -> None:
        self._heard: dict[int, tuple[int, IntervalsThere]] = {}
        """By stream row, of which there is a bounded number: when its pauses in a row began, and what was heard."""

    def there(self, ctx: RuleContext, row: int) -> IntervalsThere | None:
        """Give what another listener hears of a stream that pauses; None: no other listener is known to hear it.

        Nothing is known of its pauses there before an answer held one of them.
        """
        streams = ctx.streams
        began_ns, ended_ns = int(streams.pauses_began_ns[row]), int(streams.pause_end_ns[row])
        found = intervals_there(ctx.listener.elsewhere, ctx, row, ended_ns)
        if found is None:
            return None
        if found.known and found.answered_ns - ended_ns < INTERVALS * int(streams.median_interval_ns[row]):
            self._heard[row] = began_ns, found
        of_ns, heard = self._heard.get(row, (0, found))
        if of_ns == began_ns and heard.declared == found.declared:
            return heard
        self._heard.pop(row, None)
        return replace(found, known=False)
