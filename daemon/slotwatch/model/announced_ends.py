"""Which streams ended because their own source announced it (ANSI E1.31-2018 6.2.6).

Anyone on the wire can send such a packet in a source's name. Where a source went on after one, or one had a number that
is not of its series, somebody else may send them: a later one proves nothing of the source, though receivers obey it.
"""

from __future__ import annotations

from typing import Protocol

import numpy as np
from numpy.typing import NDArray

Times = NDArray[np.int64]
DOUBTED_NS = 600_000_000_000
"""For so long before and after a packet that was not the source's own, none counts as its own."""


class EndColumns(Protocol):
    """Columns of the stream table, (S,)."""

    used: NDArray[np.bool_]
    source: NDArray[np.int32]
    since_ns: Times
    last_arrival_ns: Times
    last_terminated_ns: Times
    last_unfit_end_ns: Times
    last_false_end_ns: Times
    strange_ends_since_ns: Times


def announced_ends(streams: EndColumns) -> NDArray[np.bool_]:
    """(S,) streams whose source has sent since their last frame that they end."""
    ended = _obeyed_ends(streams)
    return ended & ~_have_strangers(streams) if np.count_nonzero(ended) else ended


def doubted_ends(streams: EndColumns) -> NDArray[np.bool_]:
    """(S,) streams of which such a packet came since their last frame, and proves nothing of the source."""
    ended = _obeyed_ends(streams)
    return ended & _have_strangers(streams) if np.count_nonzero(ended) else ended


def _obeyed_ends(streams: EndColumns) -> NDArray[np.bool_]:
    had_frames = streams.used & (streams.last_arrival_ns > 0)
    ended: NDArray[np.bool_] = had_frames & (streams.last_terminated_ns >= streams.last_arrival_ns)
    return ended


def _have_strangers(streams: EndColumns) -> NDArray[np.bool_]:
    """(S,) streams of sources in whose name somebody else sent such packets not long before or after their end."""
    unfit_ns = np.where(streams.last_unfit_end_ns >= streams.since_ns, streams.last_unfit_end_ns, 0)
    strange_ns = np.maximum(streams.last_false_end_ns, unfit_ns) * streams.used
    rows = strange_ns.nonzero()[0]
    source, count = streams.source[rows], int(streams.source.max(initial=0)) + 1
    newest_ns, first_ns = np.full(count, -DOUBTED_NS), np.full(count, np.iinfo(np.int64).max)
    np.maximum.at(newest_ns, source, strange_ns[rows])
    np.minimum.at(first_ns, source, streams.strange_ends_since_ns[rows])
    last_ns = streams.last_arrival_ns
    have: NDArray[np.bool_] = last_ns <= newest_ns[streams.source] + DOUBTED_NS
    return have & (last_ns >= first_ns[streams.source] - DOUBTED_NS)
