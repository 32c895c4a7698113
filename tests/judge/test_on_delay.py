"""An on-delay begins when a condition becomes true, also when it was true a moment before.

Source of what is expected: the on-delay of `docs/rules.md`, the time for which a condition holds before its incident
opens.
"""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from slotwatch.judge.binding import TICK_NS, UNIVERSES, Finding, RuleBinding
from slotwatch.judge.catalog import CATALOG
from slotwatch.judge.flapping import Flapping
from slotwatch.judge.looks import Looks
from slotwatch.judge.rule_state import RuleState

RULE = CATALOG["backup-in-control"]
MS = 1_000_000


def context(now_ms: int) -> Any:
    """One pass over one universe, of which the condition below knows all that it needs."""
    return SimpleNamespace(
        now_ns=now_ms * MS,
        at_ns=now_ms * MS,
        looked_ns=0,
        revision=None,
        listener=SimpleNamespace(marked_until_ns=0, stalled_ns=lambda since_ns, now_ns: 0),
        crowd=SimpleNamespace(since_ns=0),
        births=lambda over: [1],
    )


@pytest.mark.parametrize("gone_ms", [(), (1200,), (1200, 1250), (1200, 1250, 1900), (1200, 4000)])
def test_an_on_delay_begins_anew_when_the_condition_comes_back(gone_ms: tuple[int, ...]) -> None:
    """gone_ms: the looks at which it is not true."""
    begin_ms = 1000
    true = True
    binding = RuleBinding(
        UNIVERSES,
        lambda ctx: np.array([true]),
        lambda ctx, row: Finding(group="", since_ns=0, universes=(row,)),
        TICK_NS,
    )
    state = RuleState(RULE, binding, Flapping(), Looks(binding.every_ns))
    step_ms = TICK_NS // MS
    raised_ms = None
    for now_ms in range(begin_ms, 20_000, step_ms):
        true = now_ms not in gone_ms
        state.look(context(now_ms))
        if state.raised:
            raised_ms = now_ms
            break
    since_ms = max((one + step_ms for one in gone_ms), default=begin_ms)
    assert raised_ms == since_ms + round(RULE.on_delay_s * 1000)
