"""Memory ordering: in which order processes see each other's writes to shared memory.

x86-64 needs nothing: it makes stores visible in program order and does loads in program order. The stores of one
string instruction, with which memory is copied, may pass each other, but no later store passes them (Intel 64 and
IA-32 Architectures Software Developer's Manual, volume 3, chapter "Memory Ordering"). So a count that is stored
after the rows it counts is seen after them.

arm64 promises neither (Arm Architecture Reference Manual for A-profile, B2.3): a reader may see the count before
the rows, and may load rows after the count that it loaded last. There `fence` ends every earlier load and store
before any later one begins, by the system call membarrier (man 2 membarrier, MEMBARRIER_CMD_GLOBAL_EXPEDITED).
Where a kernel or a filter refuses that call, a lock is released and taken: a store-release before a load-acquire,
which arm64 keeps in order.

Each place that shares memory says beside its code what must come last, and calls `fence` there.
"""

from __future__ import annotations

import ctypes
import platform
import threading
from collections.abc import Callable

GLOBAL_EXPEDITED = 1 << 1
"""MEMBARRIER_CMD_GLOBAL_EXPEDITED of linux/membarrier.h."""
_CALL_NUMBERS = {"x86_64": 324, "aarch64": 283}
"""Linux's numbers of membarrier: asm/unistd_64.h and asm-generic/unistd.h."""

_lock = threading.Lock()
_libc = ctypes.PyDLL(None, use_errno=True)


def by_membarrier(machine: str = "") -> bool:
    """Order earlier loads and stores before later ones by the system call; False where it cannot be had."""
    number = _CALL_NUMBERS.get(machine or platform.machine())
    return number is not None and _libc.syscall(number, GLOBAL_EXPEDITED, 0, 0) == 0


def by_lock() -> None:
    """Order earlier loads and stores before later ones by releasing a lock and taking it again."""
    for _ in range(2):
        _lock.acquire()
        _lock.release()


def _nothing() -> None:
    """x86-64 keeps the order without a fence."""


def fence_of(machine: str) -> Callable[[], object]:
    """Give what orders loads and stores on this kind of processor, named as by `uname -m`."""
    if machine in ("x86_64", "AMD64"):
        return _nothing
    return by_membarrier if by_membarrier(machine) else by_lock


fence: Callable[[], object] = fence_of(platform.machine())
"""Everything before it is loaded and stored before anything after it."""
