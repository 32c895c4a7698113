"""Rules that are not asked while their subject is not there: what is said is the same as where all are asked.

Source of what is expected: the same engine with every rule asked whenever it is due.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from slotwatch.house.schema import House
from slotwatch.judge.rule_state import RuleState
from slotwatch.judge.rules import source_absent
from tests.rehearse.leaps import Drawn, Reported, drawn, drawn_sparse, replayed

FEW_PACKETS = 60
FEW_BURSTS = 8
CAPTURES = [(drawn, seed, FEW_PACKETS) for seed in (6, 305, 450)] + [
    (drawn_sparse, seed, FEW_BURSTS) for seed in (1, 12)
]


def replayed_asking_all(capture: Drawn, house: House, *, leaps: bool) -> Reported:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(RuleState, "is_idle", False)
        return said(capture, house, leaps=leaps)


def said(capture: Drawn, house: House, *, leaps: bool) -> Reported:
    """All but the number of ticks: fewer rules ask for some."""
    return replace(replayed(capture, house, leaps=leaps), ticks=0)


@pytest.mark.parametrize("leaps", [True, False])
@pytest.mark.parametrize(("draw", "seed", "most"), CAPTURES)
def test_what_is_said_is_the_same_if_every_rule_is_asked(
    draw: Callable[[int, int], tuple[Drawn, House]], seed: int, most: int, leaps: bool
) -> None:
    capture, house = draw(seed, most)
    expected = replayed_asking_all(capture, house, leaps=leaps)
    assert expected.events, "nothing was reported, so nothing was compared"
    assert said(capture, house, leaps=leaps) == expected


def test_a_wrong_subject_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    capture, house = drawn(6, FEW_PACKETS)
    expected = replayed_asking_all(capture, house, leaps=True)
    monkeypatch.setattr(source_absent, "declares_sources", lambda ctx: False)
    assert said(capture, house, leaps=True) != expected
