"""What the decoders say of a batch: one column per field, the same for every protocol."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray


class PacketKind(IntEnum):
    """What a packet is, once it was accepted. NONE where it was rejected."""

    NONE = 0
    LEVELS = 1
    """Start code 0x00 (E1.31 data, Art-Net Dmx, a line's frame)."""
    SLOT_PRIORITY = 2
    """E1.31 start code 0xDD: shares the universe's sequence, never levels."""
    OTHER_START_CODE = 3
    """Any other start code (also Art-Net Nzs, RDM on a line): counted by code, never read as levels."""
    E131_SYNC = 4
    E131_DISCOVERY = 5
    ART_SYNC = 6
    ART_POLL = 7
    ART_POLL_REPLY = 8
    ART_OTHER = 9
    """A known opcode that slotwatch does not read (time code, RDM, diagnostics …)."""


@dataclass(slots=True)
class Fields:
    """Decoded columns of a batch, each of length N. Where status is not OK every other field is 0."""

    status: NDArray[np.uint8]
    """`wire.reject.Reject`."""
    kind: NDArray[np.uint8]
    """`Kind`."""
    odd: NDArray[np.uint16]
    """`wire.reject.Odd` bits. RESERVED_GROUP etc. included."""
    universe: NDArray[np.uint16]
    """E1.31 universe, Art-Net port-address, or the line's number; for E131_SYNC the sync address."""
    priority: NDArray[np.uint8]
    """E1.31 0 to 200; 100 where the protocol has none."""
    sequence: NDArray[np.uint8]
    """As sent. Art-Net 0 means not used."""
    options: NDArray[np.uint8]
    """E1.31 option bits (OPTION_PREVIEW, OPTION_TERMINATED, OPTION_FORCE_SYNC); 0 elsewhere."""
    start_code: NDArray[np.uint8]
    sync_address: NDArray[np.uint16]
    slots: NDArray[np.uint16]
    """Slots that are present (0 to 512), start code not counted. For E131_DISCOVERY the universes listed."""
    first_slot: NDArray[np.uint16]
    """Column of `Batch.data` that holds slot 1 (126 for E1.31, 18 for Art-Net, 1 for a line)."""
    source_id: NDArray[np.uint8]
    """(N, 16) the CID; for Art-Net zeros with the physical port in the last byte; for a line zeros."""


OPTION_PREVIEW = 0x80
OPTION_TERMINATED = 0x40
OPTION_FORCE_SYNC = 0x20


def empty(rows: int) -> Fields:
    """Make columns of zeros, which say OK and NONE: a decoder fills in what it finds."""
    return Fields(
        status=np.zeros(rows, np.uint8),
        kind=np.zeros(rows, np.uint8),
        odd=np.zeros(rows, np.uint16),
        universe=np.zeros(rows, np.uint16),
        priority=np.zeros(rows, np.uint8),
        sequence=np.zeros(rows, np.uint8),
        options=np.zeros(rows, np.uint8),
        start_code=np.zeros(rows, np.uint8),
        sync_address=np.zeros(rows, np.uint16),
        slots=np.zeros(rows, np.uint16),
        first_slot=np.zeros(rows, np.uint16),
        source_id=np.zeros((rows, 16), np.uint8),
    )


def scatter(into: Fields, rows: NDArray[np.intp], part: Fields) -> None:
    """Write the rows of a part back to their places in the whole."""
    for name in COLUMNS:
        getattr(into, name)[rows] = getattr(part, name)


COLUMNS: tuple[str, ...] = tuple(Fields.__slots__)
