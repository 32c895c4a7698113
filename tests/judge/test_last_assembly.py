"""What an assembly kept is what working it out again gives. Reference: `find` and `give` themselves, asked again.

That replays which keep it say the same as replays that do not is shown in `tests/rehearse/test_leaps.py`.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import cast

from slotwatch.judge.context import RuleContext
from slotwatch.judge.last_assembly import LastAssembly
from slotwatch.judge.loss_group import LossGroup
from slotwatch.judge.verdict import Verdict
from slotwatch.snapshot import Confidence
from tests.judge.stage import S


@dataclass
class Moment:
    """What is asked of a pass."""

    revision: int | None
    at_ns: int


class Asked:
    """Finds a cause that awaits evidence until 22 s, and counts how often it was asked."""

    def __init__(self) -> None:
        self.times = 0

    def find(self) -> Verdict:
        self.times += 1
        return Verdict("source-lost", Confidence.HIGH, "It went silent.", ["One."], provisional=True, settles_ns=22 * S)


def _cause(
    last: LastAssembly, asked: Asked, moment: Moment, group: LossGroup, *, cases_changed: bool = False
) -> Verdict:
    ctx = cast(RuleContext, moment)
    last.begin(ctx, cases_changed=cases_changed)
    found = last.cause(ctx, group, asked.find)
    last.holds_until_ns(30 * S)
    return found


def test_a_cause_is_kept_while_nothing_changes() -> None:
    last, asked, group = LastAssembly(), Asked(), LossGroup(1, "silent", 1 * S, 2 * S)
    first = _cause(last, asked, Moment(7, 3 * S), group)
    first.evidence.append("What is changed of one must not change the other.")
    assert _cause(last, asked, Moment(7, 4 * S), group) == Asked().find()
    assert asked.times == 1


def test_a_cause_that_is_kept_becomes_final_in_time() -> None:
    last, asked, group = LastAssembly(), Asked(), LossGroup(1, "silent", 1 * S, 2 * S)
    _cause(last, asked, Moment(7, 3 * S), group)
    assert _cause(last, asked, Moment(7, 22 * S - 1), group).provisional
    assert not _cause(last, asked, Moment(7, 22 * S), group).provisional


def test_a_cause_is_found_anew_once_anything_changes() -> None:
    group = LossGroup(1, "silent", 1 * S, 2 * S)
    later = LossGroup(1, "silent", 1 * S, 2 * S, streams={4})
    for moment, of, cases_changed in (
        (Moment(8, 4 * S), group, False),  # the facts
        (Moment(7, 30 * S), group, False),  # what time alone changes
        (Moment(7, 4 * S), group, True),  # a case
        (Moment(7, 4 * S), later, False),  # the group
        (Moment(None, 4 * S), group, False),  # where it is not known how long anything holds
    ):
        last, asked = LastAssembly(), Asked()
        _cause(last, asked, Moment(7, 3 * S), group)
        _cause(last, asked, moment, of, cases_changed=cases_changed)
        assert asked.times == 2, moment
