"""A replay leaves out ticks that change nothing, and says the same as one that leaves out none.

Source of what is expected: the same engine with every tick. `python -m tests.rehearse.leaps` compares more.
"""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable, Iterable, Iterator
from typing import Any

import numpy as np
import pytest

from slotwatch.durations import NANOSECONDS, NEVER_NS
from slotwatch.edge.tools.captures import Chunk
from slotwatch.house.schema import House
from slotwatch.judge import rule_ahead
from slotwatch.judge.assembler import Assembler
from slotwatch.judge.clusters import Clusterer
from slotwatch.judge.last_answer import LastAnswer
from slotwatch.judge.rule_state import RuleState
from slotwatch.judge.verdict import Verdict
from tests.rehearse.leaps import Drawn, differences, drawn, drawn_many, drawn_rest, drawn_sparse, stretched

FEW_PACKETS = 60
FEW_BURSTS = 12
A_WHILE_S = 600.0
FEW_ITEMS = 150
A_FEW_MINUTES_S = 200.0
MANY = (2, 5, 9, 11, 16, 18)


def compare(captures: Iterable[tuple[Drawn, House]]) -> tuple[int, int]:
    """Compare every one, and give the sums of the ticks with leaps and without. Which of them reports something, or
    has something to leap over, depends on how they are drawn; together they must."""
    leaping_ticks = plain_ticks = reported = 0
    for capture in captures:
        found, leaping, plain = differences(*capture)
        assert not found, "\n".join(found)
        leaping_ticks, plain_ticks = leaping_ticks + leaping.ticks, plain_ticks + plain.ticks
        reported += len(plain.events)
    assert reported, "nothing was reported, so nothing was compared"
    return leaping_ticks, plain_ticks


def test_a_replay_with_leaps_says_the_same_at_the_same_times() -> None:
    seeds = (1, 3, 4, 5, 6, 305, 419, 450, 481, 719, 767, 9751190)
    leaping, plain = compare([*(drawn(seed, FEW_PACKETS) for seed in seeds), drawn(3004, 200)])
    assert leaping < plain


def part_of(drawn_one: tuple[Drawn, House], from_s: float, to_s: float) -> tuple[Drawn, House]:
    """What a drawn capture holds between two times."""
    (capture, house), (from_ns, to_ns) = drawn_one, (round(from_s * NANOSECONDS), round(to_s * NANOSECONDS))
    made = []
    for chunk in capture.made:
        first, end = np.searchsorted(chunk.batch.t_ns, (from_ns, to_ns)).tolist()
        seen = [one for one in chunk.observations if from_ns <= one.t_ns < to_ns]
        made.append(Chunk(chunk.batch.part(slice(first, end)), seen))
    return Drawn(made, to_ns), house


def test_what_is_explained_while_the_listener_was_away_is_so_with_leaps_too() -> None:
    """A loss lasts only because the own link has just come back, and then preview data explains it."""
    leaping, plain = compare([part_of(drawn(9750255), 15_180.0, 15_345.0)])
    assert leaping < plain


def test_a_sparse_capture_says_the_same_whatever_its_gaps() -> None:
    leaping, plain = compare(drawn_sparse(seed, FEW_BURSTS) for seed in (1, 2, 4, 5, 8, 12))
    assert leaping * 2 < plain, "half of the ticks and more change nothing"


def test_a_house_at_rest_is_leapt_over_and_the_same_is_said() -> None:
    leaping, plain = compare(drawn_rest(seed, A_WHILE_S) for seed in (3, 7, 8))
    assert leaping < plain


def test_many_universes_are_leapt_over_too() -> None:
    """More of them than a flood would leave: at rest, and sending now and then."""
    leaping, plain = compare(drawn_many(seed, A_FEW_MINUTES_S) for seed in MANY)
    assert leaping * 3 < plain * 2


def test_a_random_night_that_goes_on_far_slower_says_the_same() -> None:
    leaping, plain = compare(stretched(seed, FEW_ITEMS) for seed in (9, 22, 25, 21))
    assert leaping < plain


def _never(self: object, *args: object) -> int:
    return NEVER_NS


def _never_and_quiet(state: RuleState, ctx: object) -> int:
    state.quiet_until_ns = NEVER_NS
    return NEVER_NS


def _not_yet(self: object, now_ns: int) -> None:
    pass


def _at_once(self: Verdict, now_ns: int) -> None:
    self.provisional = False


def _nothing(self: object, ctx: object) -> bool:
    return False


@pytest.mark.parametrize(
    ("of", "name", "wrong", "captures"),
    [
        (Assembler, "holds_until_ns", _never, lambda: (drawn(seed, FEW_PACKETS) for seed in (3, 4, 5, 6))),
        (rule_ahead, "holds_until_ns", _never_and_quiet, lambda: sparse(5)),
        (Clusterer, "settle", _not_yet, lambda: sparse(2)),
        (Verdict, "settle", _at_once, lambda: sparse(8)),
        (LastAnswer, "finds_any", _nothing, lambda: sparse(12)),
    ],
    ids=["incidents", "rules", "too-late-final", "too-early-final", "asked-early"],
)
def test_one_wrong_promise_is_found(
    monkeypatch: pytest.MonkeyPatch,
    of: object,
    name: str,
    wrong: Callable[..., Any],
    captures: Callable[[], Iterator[tuple[Drawn, House]]],
) -> None:
    """That a part says too long a time, or a wrong one, until when nothing changes: the comparison must show it in one
    of several captures. Whether it does in a certain one depends on how that is drawn."""
    monkeypatch.setattr(of, name, wrong)
    assert any(differences(*capture)[0] for capture in captures())


def sparse(first: int) -> Iterator[tuple[Drawn, House]]:
    """Sparse captures: one in which a wrong promise showed, and others."""
    return (drawn_sparse(seed, FEW_BURSTS) for seed in (first, 1, 2, 4, 5, 8, 12))


def test_what_is_said_does_not_depend_on_how_python_orders_sets() -> None:
    """Reference: the same replay in processes of which each has another order (PYTHONHASHSEED)."""
    program = (
        "import sys; from tests.rehearse.leaps import drawn_sparse, replayed; "
        "said = replayed(*drawn_sparse(19, 20), leaps=True); print(said.events, said.incidents)"
    )
    said = {
        subprocess.run(
            [sys.executable, "-c", program],
            env={**os.environ, "PYTHONHASHSEED": seed},
            capture_output=True,
            text=True,
            check=True,
        ).stdout
        for seed in ("1", "2", "3")
    }
    assert len(said) == 1 and "opened" in said.pop()
