"""A watched time compares like the number that it is, and knows when a comparison would come out otherwise.

Source of what is expected: the same comparison with plain numbers, at each time after the one that is watched.
"""

from __future__ import annotations

import operator
from collections.abc import Callable
from itertools import pairwise

import numpy as np
import pytest

from slotwatch.durations import NEVER_NS
from slotwatch.watched_time import TimeWatch

NOW_NS = 1_000
LONG_NS = 400
COMPARISONS = [operator.lt, operator.le, operator.gt, operator.ge]
Question = Callable[[int], object]


def first_change_ns(question: Question) -> int:
    """Ask with plain numbers until the answer is another one."""
    before = np.asarray(question(NOW_NS)).tolist()
    later = range(NOW_NS + 1, NOW_NS + LONG_NS)
    return next((t_ns for t_ns in later if np.asarray(question(t_ns)).tolist() != before), NEVER_NS)


@pytest.mark.parametrize("compare", COMPARISONS)
@pytest.mark.parametrize("limit", [900, 999, 1_000, 1_001, 1_100, 1_100.5])
def test_a_number_is_compared(compare: Callable[..., bool], limit: float) -> None:
    watch = TimeWatch(NOW_NS)
    assert compare(watch.moment, limit) == compare(NOW_NS, limit)
    assert watch.holds_until_ns == first_change_ns(lambda now_ns: compare(now_ns, limit))


@pytest.mark.parametrize("compare", COMPARISONS)
def test_ages_are_compared_all_at_once(compare: Callable[..., object]) -> None:
    last_ns = np.array([0, 700, 850, 900, 990, 1_000, 1_050], np.int64)
    questions: list[Question] = [
        lambda now_ns: compare(now_ns - last_ns, 100),
        lambda now_ns: compare(100, now_ns - last_ns),
        lambda now_ns: compare(now_ns - 100, last_ns),
        lambda now_ns: compare(last_ns, now_ns - 100),
        lambda now_ns: compare((now_ns - last_ns)[last_ns > 800], np.array([160, 110, 10, 1, 7])),
        lambda now_ns: compare(now_ns - last_ns - 30, last_ns // 9),
        lambda now_ns: compare(now_ns - last_ns[3], 100),
    ]
    for question in questions:
        watch = TimeWatch(NOW_NS)
        assert np.asarray(question(watch.moment)).tolist() == np.asarray(question(NOW_NS)).tolist()
        assert watch.holds_until_ns == first_change_ns(question)


@pytest.mark.parametrize("compare", COMPARISONS)
def test_every_time_at_which_an_answer_changes_is_kept_where_it_is_wanted(compare: Callable[..., object]) -> None:
    """However many ages are compared at once."""
    last_ns = np.arange(500, 1_000, 3)
    watch = TimeWatch(NOW_NS, keeps_all=True)
    compare(watch.moment - last_ns, 400)
    answers = [(t_ns, np.asarray(compare(t_ns - last_ns, 400)).tolist()) for t_ns in range(NOW_NS, NOW_NS + LONG_NS)]
    changes_ns = {t_ns for (_, before), (t_ns, now) in pairwise(answers) if now != before}
    assert watch.all_ends_ns is not None and len(changes_ns) > 64
    assert {t_ns for t_ns in watch.all_ends_ns if t_ns < NOW_NS + LONG_NS} == changes_ns


def test_whatever_else_is_done_with_it_is_not_known_to_hold() -> None:
    last_ns = np.array([700, 900], np.int64)
    questions: list[Question] = [
        lambda now_ns: now_ns // 100,
        lambda now_ns: (now_ns - 700) / 2 > 100,
        lambda now_ns: 2_000 - now_ns > 3,
        lambda now_ns: last_ns - now_ns > -200,
        lambda now_ns: np.minimum(now_ns - last_ns, 150),
        lambda now_ns: (now_ns - last_ns).max() > 250,
        lambda now_ns: (now_ns - last_ns)[0] > 250,
        lambda now_ns: (now_ns - last_ns).tolist(),
        lambda now_ns: np.where(last_ns > 800, now_ns - last_ns, 0),
        lambda now_ns: len(f"silent for {now_ns - 5}"),
        lambda now_ns: abs(now_ns - 1_100) < 50,
        lambda now_ns: now_ns - 10 > now_ns - 20,
        lambda now_ns: int(now_ns),
    ]
    for place, question in enumerate(questions):
        watch = TimeWatch(NOW_NS)
        assert np.asarray(question(watch.moment)).tolist() == np.asarray(question(NOW_NS)).tolist(), place
        assert watch.holds_until_ns == NOW_NS, place


def test_a_time_that_was_kept_does_not_grow() -> None:
    kept = TimeWatch(900).moment
    watch = TimeWatch(NOW_NS)
    assert not watch.moment - kept > 150
    assert watch.holds_until_ns == 1_051
