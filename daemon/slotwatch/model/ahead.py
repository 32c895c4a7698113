"""What the model changes by itself while nothing comes, and when: only then does time have to pass in it step by step.

Times are monotonic nanoseconds; buckets are those of `model.windows`.
"""

from __future__ import annotations

import numpy as np

from slotwatch.durations import NEVER_NS
from slotwatch.model import cadence
from slotwatch.model.arrivals import Arrivals
from slotwatch.model.counters import PacketCounters
from slotwatch.model.forgetting import DAY_NS, BriefLooks
from slotwatch.model.occasions import Occasions
from slotwatch.model.stage import Stage
from slotwatch.model.streams import Streams
from slotwatch.model.windows import BUCKET_NS, FAR, SECOND

MINUTE = 60 * SECOND
MINUTE_NS = MINUTE * BUCKET_NS
BRIEF_BUCKETS = 10 * SECOND
"""How often universes and senders are forgotten that came only with a flood, or with a group that was left."""
OFFENCE_NS = 12_000_000_000
"""Rejected packets are counted over 10 s; some slack."""


class Ahead:
    """Reads the parts of a model and changes nothing."""

    def __init__(
        self,
        streams: Streams,
        occasions: Occasions,
        counters: PacketCounters,
        arrivals: Arrivals,
        stage: Stage,
        brief: BriefLooks,
    ) -> None:
        self._streams, self._sources, self._occasions = streams, streams.sources, occasions
        self._counters, self._arrivals, self._stage, self._brief = counters, arrivals, stage, brief

    @property
    def _has_left(self) -> bool:
        """Whether this computer left any group, so that universes may be forgotten that ended with that."""
        return bool(np.count_nonzero(self._streams.universes.left_ns))

    @property
    def kept(self) -> tuple[int, int, int]:
        """What is forgotten as time passes: how many streams, sources and lists there are."""
        return self._streams.filled, self._sources.filled, self._sources.lists.running

    def next_work(self, each: int, *, may_name: bool) -> int:
        """The first bucket from this one on at whose start anything may have to be done if nothing comes.

        may_name: whether a source may get another name from the nodes that are known.
        """
        every = BRIEF_BUCKETS if self._streams.is_crowded or self._has_left else MINUTE
        soonest = min(self._streams.windows.next_work(), -(-each // every) * every)
        return min(soonest, self.next_change(each, may_name=may_name)) if soonest > each else each

    def next_change(self, each: int, *, may_name: bool) -> int:
        """The first bucket from this one on at whose start what rules read may change if nothing comes.

        Counts of the last seconds do change: who reads them knows how long they stay (`Windows.next_change`).
        """
        second = -(-each // SECOND) * SECOND
        soonest = each + FAR
        end_ns = self._sources.lists.next_end_ns(self._sources.about)
        if end_ns is not None:
            soonest = max(second, (end_ns // (SECOND * BUCKET_NS) + 1) * SECOND)
        if may_name:
            soonest = second
        if self._has_left:
            soonest = min(soonest, -(-each // BRIEF_BUCKETS) * BRIEF_BUCKETS)
        streams, top = self._streams, self._streams.top
        live = streams.live[:top].nonzero()[0]
        if not len(live):
            return soonest
        # Norms are learnt of those that moved, percentiles worked out of those of which anything came.
        if np.count_nonzero((streams.frames_5s[live] > 1) & (streams.stepped_5s[live] > 0)):
            soonest = min(soonest, second)
        fresh = live[cadence.are_behind(streams, live)]
        return min(soonest, cadence.next_due(len(live), fresh, each)) if len(fresh) else soonest

    def soonest_loss_ns(self) -> int | None:
        """When the first of the live streams is lost if no more packets come; None: no stream is live."""
        table, top = self._streams, self._streams.top
        live = table.live[:top].nonzero()[0]
        if not len(live):
            return None
        due_ns = int((table.last_arrival_ns[live] + table.timeout_ns[live]).min())
        ending_ns = self._arrivals.endings.next_ns()
        return due_ns if ending_ns is None else min(due_ns, ending_ns)

    def holds_until_ns(self, now_ns: int, bucket: int, *, may_name: bool) -> int:
        """Until when nothing that rules read changes if nothing comes, but for counts of the last seconds; `now_ns`
        where that is not known."""
        streams = self._streams
        if not self._is_simple(now_ns):
            return now_ns
        soonest = min(self.next_change(bucket + 1, may_name=may_name), self.next_brief_look(bucket))
        ends_ns = [soonest * BUCKET_NS]
        loss_ns = self.soonest_loss_ns()
        if loss_ns is not None:
            ends_ns.append(loss_ns + 1)
        # Those who were not heard for a day are forgotten.
        last_ns = (streams.last_packet_ns[streams.rows()], self._sources.last_seen_ns[self._sources.rows()])
        ends_ns += [max(now_ns + MINUTE_NS, int(each.min()) + DAY_NS) for each in last_ns if len(each)]
        return min(ends_ns)

    def forgets_at_rest_ns(self, now_ns: int, longest_gap_ns: int) -> int | None:
        """When something is forgotten while all live streams continue; None if more may change than that.

        longest_gap_ns: between two packets of one stream.
        """
        streams, sources = self._streams, self._sources
        forgets_ns = self._brief.holds_until_ns(may_send=True)
        if forgets_ns is None or not self._is_simple(now_ns) or sources.lists.running or self._occasions.nodes:
            return None
        rows = streams.rows()
        live = streams.live[rows]
        if np.count_nonzero(streams.timeout_ns[rows[live]] <= longest_gap_ns):
            return None
        rows = rows[~live]
        last_ns = [*streams.last_packet_ns[rows].tolist()]
        last_ns += [int(sources.last_seen_ns[row]) for row in sources.rows().tolist() if sources.streams[row] == 0]
        return min(forgets_ns, min(last_ns, default=now_ns + DAY_NS) + DAY_NS)

    def next_brief_look(self, bucket: int) -> int:
        """The bucket after this one at whose start a look may forget what a flood left if nothing comes."""
        holds_ns = self._brief.holds_until_ns(may_send=False)
        if holds_ns == NEVER_NS:
            return bucket + FAR
        after = bucket if holds_ns is None else max(bucket, holds_ns // BUCKET_NS)
        return (after // BRIEF_BUCKETS + 1) * BRIEF_BUCKETS

    def _is_simple(self, now_ns: int) -> bool:
        """Whether no rejected packets, no slot priorities and no patch change anything by time alone."""
        streams, top = self._streams, self._streams.top
        if self._stage.active or self._arrivals.winners_stale:
            return False
        # That slot priorities run out is found soon after the last of them.
        is_live = np.count_nonzero(streams.live[:top])
        slots_ns = int(streams.last_slot_priority_ns[:top].max(initial=0)) if is_live else 0
        return now_ns - max(slots_ns, self._counters.last_offence_ns()) >= OFFENCE_NS
