"""Whether packets only repeat what is known, found without decoding them.

A datagram is routine if one just like it came lately from the same place, but for its slots, and its sequence number
is the next one. Of such packets nothing new can begin but what their levels do and what their rate does, which takes
seconds to be reported; so a reader that waits for a batch worth judging may wait longer. Everything else is new.

Data and synchronization can be routine; for the places of their sequence numbers see ANSI E1.31-2018 tables 4-1
and 6-1, Art-Net 4 ArtDmx.
"""

from __future__ import annotations

from typing import Protocol as Interface

import numpy as np
from numpy.typing import NDArray

from slotwatch.wire.batch import Batch, addresses_of, is_plain, joined
from slotwatch.wire.universe import Protocol

MOST_KNOWN = 4096
"""Datagrams that are remembered, one a stream; then all is forgotten, and every stream counts as new once."""
FORGET_NS = 5_000_000_000
"""A stream that was not heard for so long counts as new: Art-Net's keep-alive is due every 4 s."""
HEAD_WORDS = 16
E131_ROOT_EXTENDED, E131_FRAME_SYNC, ART_SYNC_HIGH = 8, 1, 0x52
"""Last octets of a synchronization packet's vectors (E1.31-2018 table 6-1), high octet of ArtSync's OpCode."""
_E131, _ARTNET = int(Protocol.E131), int(Protocol.ARTNET)
_E131_SYNC, _ART_SYNC = len(Protocol) + 1, len(Protocol) + 2
"""Kinds in addition to the protocols' own."""
_PLACES = {_E131: (111, 126), _ARTNET: (12, 18), _E131_SYNC: (44, 49), _ART_SYNC: (12, 14)}
"""Place of the sequence number (of ArtSync: a zero), and how many octets are header."""


def _masks() -> NDArray[np.uint64]:
    """(kinds, HEAD_WORDS) which octets of a header all packets of a stream have alike."""
    masks = np.zeros((_ART_SYNC + 1, HEAD_WORDS * 8), np.uint8)
    for kind, (number_at, header) in _PLACES.items():
        masks[kind, :header] = 0xFF
        masks[kind, number_at] = 0
    return masks.view("<u8")


_MASKS = _masks()
_NUMBER_AT = np.array([_PLACES.get(kind, (0, 0))[0] for kind in range(_ART_SYNC + 1)])
_WEIGHTS = (np.arange(1, HEAD_WORDS + 5, dtype=np.uint64) * np.uint64(0x9E3779B97F4A7C15)) | np.uint64(1)
_HEAD_WEIGHTS, _WAY_WEIGHTS = _WEIGHTS[:HEAD_WORDS], _WEIGHTS[HEAD_WORDS:]


class CompiledLook(Interface):
    """The function of `looking.c`. It takes the address of an array of 64-bit words."""

    def look(self, words: int) -> bool: ...


class Routine:
    """What came lately, a stream for a stream."""

    def __init__(self, compiled: CompiledLook | None = None) -> None:
        """compiled: looks in place of numpy, with the same result."""
        self._known: dict[int, tuple[int, int]] = {}
        """By a hash of what a stream's datagrams have alike: the last sequence number, and when it came."""
        self._compiled = None if compiled is None else _Compiled(compiled)

    def brings_change(self, batch: Batch, first: int = 0, end: int | None = None) -> bool:
        """Whether any of the rows [first, end) is more than routine. Wants every packet once, in order of arrival;
        remembers all."""
        end = len(batch) if end is None else end
        if self._compiled is not None:
            return self._compiled.brings_change(batch, first, end)
        changed = False
        known = self._known
        for mark, number, t_ns in _marks(batch.part(slice(first, end))):
            last = known.get(mark)
            if last is None or t_ns - last[1] > FORGET_NS or not _follows(number, last[0]):
                changed = True
                if len(known) >= MOST_KNOWN:
                    known.clear()
            known[mark] = number, t_ns
        return changed


class _Compiled:
    """The compiled look over batches. Rows of the same batch as before, a ring's, cost no new addresses."""

    def __init__(self, compiled: CompiledLook) -> None:
        self._look = compiled.look
        self._known = np.zeros(2 * MOST_KNOWN, _KNOWN)
        self._known["number"] = -1
        protocols = (_MASKS, _WEIGHTS, _NUMBER_AT)
        self._words = np.zeros(_COUNT_AT + 3, np.int64)
        self._words[_FIRST_AT + 2 :] = (
            *(one.ctypes.data for one in protocols),
            *(len(_MASKS), _E131, _ARTNET, _E131_SYNC, _ART_SYNC),
            *(E131_ROOT_EXTENDED, E131_FRAME_SYNC, ART_SYNC_HIGH),
            *(self._known.ctypes.data, len(self._known), 0, MOST_KNOWN, FORGET_NS),
        )
        self._view, self._address = self._words.data, self._words.ctypes.data
        self._batch: Batch | None = None
        self._plain: Batch | None = None

    def brings_change(self, batch: Batch, first: int, end: int) -> bool:
        if batch is not self._batch:
            self._take(batch)
        self._view[_FIRST_AT], self._view[_FIRST_AT + 1] = first, end
        return self._look(self._address)

    @property
    def count(self) -> int:
        """How many datagrams are remembered."""
        return self._view[_COUNT_AT]

    def _take(self, batch: Batch) -> None:
        """Look into this batch from now on."""
        self._plain = batch if is_plain(batch) else joined([batch])
        self._words[:_FIRST_AT] = addresses_of(self._plain)
        self._batch = batch if self._plain is batch else None  # what was copied may change


_KNOWN = np.dtype([("mark", "<u8"), ("t_ns", "<i8"), ("number", "<i8")])
_FIRST_AT, _COUNT_AT = 10, 25
"""Places of the compiled look's words."""


def _follows(number: int, before: int) -> bool:
    """E1.31 counts to 255 and on to 0, Art-Net on to 1; 0 for all is Art-Net that does not count."""
    return number == (before + 1) & 0xFF or (number == 1 and before == 255) or number == before == 0


def _marks(batch: Batch) -> list[tuple[int, int, int]]:
    """A hash of what a stream's datagrams have alike, the sequence number and the arrival of each row."""
    kind, data = batch.protocol.copy(), batch.data
    kind[(kind == _E131) & (data[:, 21] == E131_ROOT_EXTENDED) & (data[:, 43] == E131_FRAME_SYNC)] = _E131_SYNC
    kind[(kind == _ARTNET) & (data[:, 9] == ART_SYNC_HIGH)] = _ART_SYNC
    # Octets behind a packet that is shorter yet are left over from others: then it only seems to be new.
    words = data[:, : HEAD_WORDS * 8].view("<u8") & _MASKS[kind]
    ways = np.concatenate((batch.src.view("<u8"), batch.dst.view("<u8")), axis=1)
    rest = batch.length.astype(np.uint64) << np.uint64(24)
    rest |= batch.network.astype(np.uint64) << np.uint64(8) | kind << np.uint8(4) | batch.flags
    marks = np.einsum("ij,j->i", words, _HEAD_WEIGHTS)
    marks ^= np.einsum("ij,j->i", ways, _WAY_WEIGHTS) + rest * _HEAD_WEIGHTS[0]
    numbers = data[np.arange(len(kind)), _NUMBER_AT[kind]]
    return list(zip(marks.tolist(), numbers.tolist(), batch.t_ns.tolist(), strict=True))
