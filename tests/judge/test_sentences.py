"""Each rule's whole sentence, as a person reads it when it is raised. It is in the rule's row or in sentences.toml.

`test_every_rule` looks at those of its rows, which it plays anyway. A wrong word, a gap where a placeholder was, or a
number that reads badly shows as a difference.
"""

from __future__ import annotations

from collections.abc import Callable

import pytest

from slotwatch.judge.catalog import CATALOG
from slotwatch.wire.observation import LineSeen, QuerySeen
from tests.judge.cases import FROM_S, desk, see
from tests.judge.cases_control import HOUSE
from tests.judge.cases_patch import pair_of
from tests.judge.stage import Stage, house_of
from tests.judge.still import one_stream
from tests.judge.test_bridge import Tap, held
from tests.judge.test_every_rule import FIRST, SENTENCES
from tests.judge.test_flow_rules import ROWS, WELL, Row
from tests.judge.test_lights_left_on import shown as lit_in_the_dark
from tests.judge.test_unlike_usual import summary as worse_than_usual

OF_ROWS = list({row.rule: row for row in reversed(ROWS)}.values())


def differing_line() -> str:
    tap = Tap()
    tap.run(4, held, lambda t: bytes([100] * 6 + [180] + [100] * 505))
    return tap.rules()[0].summary


def faulty_line() -> str:
    tap = Tap()
    tap.judge.observe(LineSeen(tap.now_ns, 1, True, faults=0, breaks=0))
    tap.run(1, held, held)
    tap.judge.observe(LineSeen(tap.now_ns, 1, True, faults=12, breaks=60))
    tap.run(2, held, held)
    return tap.rules()[0].summary


def missing_port() -> str:
    tap = Tap()
    tap.judge.observe(LineSeen(tap.now_ns, 1, False, trouble="/dev/ttyUSB0 is not there; plug the adapter in"))
    tap.run(3.5, held, None)
    return next(one.summary for one in tap.judge.incidents(tap.now_ns) if one.rule == "line-port-missing")


def silent_querier() -> str:
    shown = Stage(HOUSE, desk(hz=5.0))
    shown.see(*see(FROM_S, QuerySeen, 0, "10.0.0.254", "igmp2", 125.0))  # type: ignore[arg-type]
    return shown.run(FROM_S + 260.2).rule("querier-absent").summary


def colliding_patch() -> str:
    return Stage(house_of((1,), fixtures=pair_of(6)), joined=False).run(2.0).rule("patch-conflict").summary


def lit_lamp() -> str:
    (found,) = lit_in_the_dark(8.0, {102: 255})
    return found.summary


def flapping() -> str:
    row = OF_ROWS[0]
    still = one_stream(house_of((1,)))
    still.run(7.0, **WELL)
    for _ in range(4):
        still.run(2.0, **{**WELL, **row.always, **row.over}).run(3.0, **WELL)
    still.run(1.0, **{**WELL, **row.always, **row.over})
    return still.reported[0].summary


OTHERWISE: dict[str, Callable[[], str]] = {
    "line-differs": differing_line,
    "line-faulty": faulty_line,
    "line-port-missing": missing_port,
    "querier-absent": silent_querier,
    "patch-conflict": colliding_patch,
    "lights-left-on": lit_lamp,
    "flapping": flapping,
    "unlike-usual": worse_than_usual,
}


def test_every_rule_has_its_sentence() -> None:
    assert SENTENCES.keys() == CATALOG.keys(), "a case of the rule has no sentence"
    assert FIRST.keys() | {row.rule for row in OF_ROWS} | OTHERWISE.keys() == CATALOG.keys()


@pytest.mark.parametrize("row", OF_ROWS, ids=lambda row: row.rule)
def test_a_rule_that_compares_columns_says_its_sentence(row: Row) -> None:
    still = one_stream(house_of((1,)))
    still.run(7.0, **WELL).run(1.0, **{**WELL, **row.always, **row.over})
    assert [one.summary for one in still.of(row.rule)] == [SENTENCES[row.rule]]


@pytest.mark.parametrize(
    "rule", [pytest.param(one, marks=pytest.mark.slow if one == "querier-absent" else ()) for one in OTHERWISE]
)
def test_a_rule_that_needs_more_says_its_sentence(rule: str) -> None:
    assert OTHERWISE[rule]() == SENTENCES[rule]
