"""A universe that is worse for five minutes than in any of the last shows; just under and just over each number.

The figures of the first test are those of an example: the last 20 shows 26 to 31 ms, 61 ms tonight.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any
from uuid import UUID

import numpy as np
import pytest

from slotwatch.house.schema import House, Phase
from slotwatch.judge.catalog import RULES
from slotwatch.judge.orders import SetPhase
from slotwatch.judge.rule import Rule
from slotwatch.judge.rules.packet_loss import PacketLossParameters
from slotwatch.model.usual_standing import LOSS_LIMIT_PERCENT
from slotwatch.snapshot import Incident, Severity
from slotwatch.wire.observation import UsualFigure, UsualOfUniverse, UsualSeen
from tests.judge.cases import with_numbers
from tests.judge.stage import house_of
from tests.judge.still import Still, one_stream
from tests.judge.test_flow_rules import WELL

SOURCE = str(UUID(bytes=b"\x01" * 16))
HZ = UsualFigure(40.0, 0.2, 39.5, 40.4, 20)
P99 = UsualFigure(28.0, 1.0, 26.0, 31.0, 20)
MISSING = UsualFigure(0.0, 0.0, 0.0, 0.1, 20)
P50 = UsualFigure(15.0, 0.0, 15.0, 15.0, 20)
USUAL = UsualOfUniverse("e131/1", SOURCE, HZ, P99, MISSING, P50)
"""Limits: 30 Hz (25 %), 58 ms (2 frames of 15 ms), 0.2 %."""
TONIGHT: dict[str, Any] = {"hz": 40.0, "p99_ms": 28.0, "missing_percent": 0.0, "minutes": 5}


def run(
    usual: UsualOfUniverse = USUAL, rules: Sequence[Rule] = RULES, house: House | None = None, **tonight: Any
) -> Still:
    """Two seconds after the figures of five minutes were finished."""
    still = one_stream(house or house_of((1,)), rules=rules)
    still.judge.command(SetPhase(Phase(tonight.pop("phase", Phase.SHOW)), confirm=True))
    still.judge.observe(UsualSeen(still.now_ns, (usual,)))
    still.universes.winner[0] = 0
    return minutes(still, **tonight)


def minutes(still: Still, seconds: float = 2.0, **tonight: Any) -> Still:
    values = {**TONIGHT, **tonight}
    still.universes.recent_minutes[0] = values.pop("minutes")
    for name, value in values.items():
        getattr(still.universes, f"recent_{name}")[0] = value
    return still.run(seconds, **WELL)


def reported(still: Still) -> list[Incident]:
    return still.of("unlike-usual")


def summary() -> str:
    return reported(run(p99_ms=61.0))[0].summary


def test_the_example() -> None:
    (found,) = reported(run(p99_ms=61.0))
    assert "99 of 100 intervals within 61 ms tonight, 26 to 31 ms in the last 20 shows." in found.summary
    assert (found.severity, found.universes) == (Severity.NOTE, ("e131/1",))


@pytest.mark.parametrize(
    ("under", "over", "words"),
    [
        (
            {"hz": 30.1},
            {"hz": 29.9},
            "frames come at 29.9 Hz while levels move tonight, 39.5 to 40.4 Hz in the last 20 shows",
        ),
        ({"p99_ms": 57.9}, {"p99_ms": 58.1}, "99 of 100 intervals within 58 ms tonight"),
        ({"missing_percent": 0.19}, {"missing_percent": 0.21}, "0.2 % of the frames are missing tonight"),
    ],
)
def test_just_under_and_just_over_what_matters(under: dict[str, Any], over: dict[str, Any], words: str) -> None:
    assert run(**under).reported == []
    (found,) = run(**over).reported
    assert words in found.summary


@pytest.mark.parametrize(
    ("usual", "under", "over"),
    [
        (replace(USUAL, sustained_hz=UsualFigure(40, 3, 38, 41, 20)), {"hz": 25.1}, {"hz": 24.9}),
        (replace(USUAL, sustained_p99_ms=UsualFigure(28, 8, 26, 31, 20)), {"p99_ms": 67.9}, {"p99_ms": 68.1}),
    ],
)
def test_five_median_deviations_where_that_is_more(
    usual: UsualOfUniverse, under: dict[str, Any], over: dict[str, Any]
) -> None:
    assert run(usual, **under).reported == []
    assert len(run(usual, **over).reported) == 1


def test_what_one_of_the_shows_had_is_not_unlike_them() -> None:
    usual = replace(USUAL, sustained_p99_ms=UsualFigure(28, 1, 26, 80, 20))
    assert run(usual, p99_ms=79.0).reported == []
    assert len(run(usual, p99_ms=81.0).reported) == 1


def test_better_than_usual_is_no_fault() -> None:
    assert run(hz=80.0, p99_ms=5.0).reported == []


def test_every_one_of_five_judged_minutes_must_be_outside() -> None:
    assert run(p99_ms=np.array([90, 90, 57, 90, 90])).reported == []
    assert run(p99_ms=90.0, minutes=4).reported == []
    assert len(run(p99_ms=np.array([61, 90, 62, 90, 90])).reported) == 1


def test_another_source_in_control_is_not_compared() -> None:
    assert run(replace(USUAL, source="10.20.0.9"), p99_ms=90.0).reported == []


def test_what_is_not_known_says_nothing() -> None:
    unknown = UsualOfUniverse("e131/1", SOURCE, None, None, None, None)
    assert run(unknown, hz=1.0, p99_ms=900.0, missing_percent=5.0).reported == []
    assert run(replace(USUAL, universe="e131/2"), p99_ms=900.0).reported == []


@pytest.mark.parametrize("phase", Phase)
def test_it_is_a_warning_before_the_show_and_a_note_at_all_other_times(phase: Phase) -> None:
    (found,) = reported(run(p99_ms=61.0, phase=phase))
    assert found.severity == (Severity.WARNING if phase is Phase.PRE_SHOW else Severity.NOTE)


def test_before_the_show_it_is_a_reason_not_to_be_ready_where_it_would_matter() -> None:
    still = run(p99_ms=61.0, phase=Phase.PRE_SHOW)
    ready = still.judge.readiness(still.model, still.now_ns)
    assert [reason.rule for reason in ready.reasons] == ["unlike-usual"]
    house = house_of((1,))
    house = replace(house, universes=(replace(house.universes[0], expected=False),))
    (found,) = reported(run(p99_ms=61.0, phase=Phase.PRE_SHOW, house=house))
    assert found.severity == Severity.NOTE


def test_it_is_over_a_minute_after_the_first_usual_minute() -> None:
    still = run(p99_ms=61.0)
    minutes(still, 58.0, p99_ms=np.array([61, 61, 61, 61, 28]))
    assert reported(still)[0].closed_ns is None
    minutes(still, 4.0, p99_ms=np.array([61, 61, 61, 61, 28]))
    assert reported(still)[0].closed_ns is not None


def moved(
    parameter: str, value: float, under: dict[str, Any], over: dict[str, Any], usual: UsualOfUniverse = USUAL
) -> Any:
    """A row for tests/judge/test_parameters.py: the number at another value, just under and just over it."""
    from tests.judge.moved import Moved

    def play(rules: Sequence[Rule], is_over: bool) -> Sequence[Incident]:
        return run(usual, rules, **(over if is_over else under)).reported

    return Moved("unlike-usual", parameter, value, play)


MOVED = [
    moved(
        "mads",
        10,
        {"p99_ms": 107.0},
        {"p99_ms": 109.0},
        replace(USUAL, sustained_p99_ms=UsualFigure(28, 8, 26, 31, 20)),
    ),
    moved("rate_ratio", 0.5, {"hz": 20.1}, {"hz": 19.9}),
    moved("late_frames", 4.0, {"p99_ms": 87.0}, {"p99_ms": 89.0}),
    moved("missing_percent", 0.6, {"missing_percent": 0.59}, {"missing_percent": 0.61}),
]


def test_both_delays_are_its_own() -> None:
    still = run(rules=with_numbers("unlike-usual", on_delay_s=4.0, off_delay_s=10.0), p99_ms=61.0, seconds=3.0)
    assert still.reported == []
    minutes(still, 3.0, p99_ms=61.0)
    assert len(still.reported) == 1
    minutes(still, 9.0)
    assert reported(still)[0].closed_ns is None
    minutes(still, 4.0)
    assert reported(still)[0].closed_ns is not None


def test_a_trend_is_shown_before_the_limit_of_packet_loss() -> None:
    """The model may not read the rules, so the number is written twice."""
    assert 100 * PacketLossParameters().loss_ratio == LOSS_LIMIT_PERCENT
