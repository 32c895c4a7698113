"""What leaves the tables of streams, sources and universes with time: who was heard for moments only, and who was not
heard for a day."""

from __future__ import annotations

import numpy as np

from slotwatch.model.admission import BRIEF_NS, DECLARED, FORGET_BRIEF_NS, MOST_BRIEF
from slotwatch.model.streams import Streams
from slotwatch.model.universes import LEAVING_NS, ended_by_leaving

DAY_NS = 86_400_000_000_000


def forget_left(streams: Streams, now_ns: int) -> None:
    """Forget universes that this computer asked for, that no declaration names and that ended when it left them."""
    universes = streams.universes
    if not np.count_nonzero(universes.left_ns):
        return
    gone = universes.used & ended_by_leaving(universes) & (universes.live == 0)
    gone &= now_ns - universes.left_ns > LEAVING_NS
    if gone.any():
        rows = streams.rows()
        for row in rows[gone[streams.universe[rows]]].tolist():
            streams.forget(row)


def forget_brief(streams: Streams, now_ns: int) -> None:
    """Forget what a flood left: undeclared streams and sources that were heard for moments only, long ago.

    A few of them are not a flood, and a person may look for them: they stay for a day, like the others.
    """
    if not streams.is_crowded:
        return
    rows = streams.rows()
    idle, brief, ranks, last_ns, _ = streams.standing(rows, now_ns)
    go = rows[idle & brief & (ranks < DECLARED) & (now_ns - last_ns > FORGET_BRIEF_NS)]
    if len(go) > MOST_BRIEF:
        for row in go.tolist():
            streams.forget(row)
    sources = streams.sources
    known = sources.rows()
    gone = (sources.streams[known] == 0) & (sources.declared[known] < 0)
    seen_ns = sources.last_seen_ns[known]
    gone &= (seen_ns - sources.first_seen_ns[known] < BRIEF_NS) & (now_ns - seen_ns > FORGET_BRIEF_NS)
    if np.count_nonzero(gone) > MOST_BRIEF or len(go) > MOST_BRIEF:
        for source in known[gone].tolist():
            sources.forget(source)


def forget_old(streams: Streams, now_ns: int) -> None:
    """Forget undeclared streams, and sources without any, that were not heard for a day."""
    top = streams.top
    for row in (streams.used[:top] & (now_ns - streams.last_packet_ns[:top] > DAY_NS)).nonzero()[0].tolist():
        if streams.sources.declared[streams.source[row]] < 0:
            streams.forget(row)
    sources = streams.sources
    top = sources.top
    old = sources.used[:top] & (sources.streams[:top] == 0) & (now_ns - sources.last_seen_ns[:top] > DAY_NS)
    for row in np.flatnonzero(old).tolist():
        sources.forget(row)
