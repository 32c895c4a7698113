"""The fence between loads and stores of shared memory. On x86-64 only the call itself can be tested."""

from __future__ import annotations

import pytest

from slotwatch.edge.shared import ordering


def test_this_kernel_knows_the_barrier() -> None:
    """Linux has MEMBARRIER_CMD_GLOBAL_EXPEDITED since 4.16 (man 2 membarrier)."""
    assert ordering.by_membarrier()


def test_a_processor_without_a_known_call_number_says_so() -> None:
    assert not ordering.by_membarrier("riscv64")


@pytest.mark.parametrize(("machine", "is_free"), [("x86_64", True), ("aarch64", False), ("riscv64", False)])
def test_only_a_processor_that_keeps_the_order_does_without(machine: str, is_free: bool) -> None:
    found = ordering.fence_of(machine)
    assert (found not in (ordering.by_membarrier, ordering.by_lock)) == is_free
    found()


def test_a_lock_is_taken_where_the_call_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ordering, "GLOBAL_EXPEDITED", 1 << 30)  # no kernel has this command (EINVAL)
    assert not ordering.by_membarrier()
    assert ordering.fence_of("aarch64") is ordering.by_lock
    ordering.by_lock()
