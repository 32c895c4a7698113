"""Freed memory goes back to the system: seen in what the kernel counts for this process."""

from __future__ import annotations

import ctypes
from pathlib import Path

import pytest

from slotwatch.edge.shared.memory_return import EVERY_NS, MemoryReturn

BLOCKS, BLOCK_BYTES = 1500, 64 << 10


def _resident_bytes() -> int:
    return int(Path("/proc/self/statm").read_text().split()[1]) * 4096


@pytest.mark.skipif(not hasattr(ctypes.CDLL(None), "malloc_trim"), reason="the C library has no malloc_trim")
def test_what_lies_between_blocks_in_use_is_given_back() -> None:
    library = ctypes.CDLL(None)
    library.malloc.restype = ctypes.c_void_p
    library.malloc.argtypes = (ctypes.c_size_t,)
    library.free.argtypes = (ctypes.c_void_p,)
    taken = [library.malloc(BLOCK_BYTES) for _ in range(BLOCKS)]
    for block in taken:
        ctypes.memset(block, 1, BLOCK_BYTES)
    for block in taken[:-1]:  # the last one stays and holds the end of the heap
        library.free(block)
    before = _resident_bytes()
    memory = MemoryReturn(0)
    assert not memory.turn(EVERY_NS - 1)
    assert _resident_bytes() > before - BLOCKS * BLOCK_BYTES // 4
    assert memory.turn(EVERY_NS)
    assert _resident_bytes() < before - BLOCKS * BLOCK_BYTES // 2
    library.free(taken[-1])


def test_it_is_due_again_only_after_a_while() -> None:
    memory = MemoryReturn(5)
    assert [memory.turn(now_ns) for now_ns in (5 + EVERY_NS, 6 + EVERY_NS, 5 + 2 * EVERY_NS)] == [True, False, True]
