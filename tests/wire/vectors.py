"""Golden packets, each with its source, and a way to make a batch of any octets."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from slotwatch.wire import batch as batches
from slotwatch.wire.batch import FLAG_TRUNCATED, ROW_BYTES, Batch
from slotwatch.wire.universe import Protocol

CID = bytes.fromhex("11112222333344445555666677778888")
_ROOT = "001000004153432d45312e3137000000"

# Built by hand from the tables of ANSI E1.31-2018 (4-1 to 4-3) and field-decoded by tshark 4.0 (data), by two
# public E1.31 libraries (sync, discovery).
E131_DATA = bytes.fromhex(
    _ROOT
    + "70720000000411112222333344445555666677778888705c000000026465736b"
    + 60 * "00"
    + "6400002a000007700f02a10000000100050001020304"
)
E131_SYNC = bytes.fromhex(_ROOT + "70210000000811112222333344445555666677778888700b000000010500090000")
E131_DISCOVERY = bytes.fromhex(
    _ROOT
    + "70700000000811112222333344445555666677778888705a000000026465736b"
    + 60 * "00"
    + "000000007010000000010000000100020007012c"
)
# Field-decoded by tshark 4.0: sequence 1, port-address 0x0123, slots 10 20.
ART_DMX = bytes.fromhex("4172742d4e6574000050000e0100230100021020")
ART_POLL = bytes.fromhex("4172742d4e6574000020000e0610")
ART_SYNC = bytes.fromhex("4172742d4e6574000052000e0000")
# A public Art-Net library's own test: universe 1, ten slots.
ART_DMX_TEN = bytes.fromhex("4172742d4e6574000050000e01000100000a0102030405060708090a")
# ANSI E1.31-2018 appendix B, table B-13, as a public test suite quotes it: 638 octets, name "Source_A", priority
# 100, sync address 7962, sequence 154, universe 1, lengths 0x726e 0x7258 0x720b, count 0x0201.
E131_APPENDIX_B = bytes.fromhex(
    _ROOT
    + "726e00000004ef07c8dd00644401a3a2459ef8e61438725800000002"
    + b"Source_A".hex()
    + 56 * "00"
    + "641f1a9a000001720b02a100000001020100"
) + bytes(512)
# Table B-14: lengths 0x7021 0x700b, sequence 0x70, sync address 7962.
E131_SYNC_APPENDIX_B = bytes.fromhex(_ROOT + "702100000008ef07c8dd00644401a3a2459ef8e61438700b00000001701f1a0000")

E131_VECTORS = (E131_DATA, E131_SYNC, E131_DISCOVERY, E131_APPENDIX_B, E131_SYNC_APPENDIX_B)
ART_VECTORS = (ART_DMX, ART_POLL, ART_SYNC, ART_DMX_TEN)


def patched(packet: bytes, offset: int, octets: bytes) -> bytes:
    """Put octets in the place of those at an offset."""
    return packet[:offset] + octets + packet[offset + len(octets) :]


def batch_of(
    packets: Sequence[bytes],
    protocol: int | Sequence[int] = Protocol.E131,
    dst: bytes = bytes(16),
    leftover: int = 0xA5,
) -> Batch:
    """Lay packets out as the intake does: rows hold the leftovers of earlier packets beyond each length."""
    made = batches.empty(len(packets))
    made.data[:] = leftover
    for row, packet in enumerate(packets):
        kept = packet[:ROW_BYTES]
        made.data[row, : len(kept)] = np.frombuffer(kept, np.uint8)
        made.length[row] = len(kept)
        made.flags[row] = FLAG_TRUNCATED if len(packet) > ROW_BYTES else 0
    made.protocol[:] = protocol
    made.dst[:] = np.frombuffer(dst, np.uint8)
    made.src_port[:] = 3
    return made
