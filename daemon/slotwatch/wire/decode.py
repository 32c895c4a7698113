"""Decode a batch: the one door from received bytes to columns."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from slotwatch.wire import artnet, dmx512, e131, fields
from slotwatch.wire.batch import FLAG_TRUNCATED, Batch
from slotwatch.wire.fields import Fields
from slotwatch.wire.reject import Reject
from slotwatch.wire.universe import Protocol


def decode(batch: Batch) -> Fields:
    """Give every packet of a batch its verdict and its fields. Any bytes at all are taken; nothing raises.

    The columns are new memory: they outlive the ring that the batch is a view of.
    """
    protocol = batch.protocol
    if not len(batch):
        return fields.empty(0)
    first = int(protocol[0])
    if (protocol == first).all():
        return _decode_one(batch, first, None)
    out = fields.empty(len(batch))
    out.status[:] = Reject.NOT_THIS_PROTOCOL
    for number in Protocol:
        rows = np.flatnonzero(protocol == number)
        if len(rows):
            fields.scatter(out, rows, _decode_one(batch, number, rows))
    return out


def _decode_one(batch: Batch, protocol: int, rows: NDArray[np.intp] | None) -> Fields:
    length, flags, dst = batch.length, batch.flags, batch.dst
    if rows is not None:
        length, flags, dst = length[rows], flags[rows], dst[rows]
    truncated = (flags & FLAG_TRUNCATED) != 0
    cut = truncated if truncated.any() else None
    if protocol == Protocol.E131:
        return e131.decode(batch.data, length, np.ascontiguousarray(dst), cut, rows)
    if protocol == Protocol.ARTNET:
        return artnet.decode(batch.data, length, cut, rows)
    if protocol == Protocol.LINE:
        line = batch.src_port if rows is None else batch.src_port[rows]
        return dmx512.decode(batch.data[:, 0] if rows is None else batch.data[rows, 0], length, line)
    out = fields.empty(len(length))
    out.status[:] = Reject.NOT_THIS_PROTOCOL
    return out
