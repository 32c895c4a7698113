"""How loud each class of rule is in each phase, word by word as the outside description has it."""

from __future__ import annotations

import pytest

from slotwatch.house.schema import Phase
from slotwatch.judge.catalog import CATALOG
from slotwatch.judge.phases import grade
from slotwatch.snapshot import Severity

CRITICAL, WARNING, NOTE = Severity.CRITICAL, Severity.WARNING, Severity.NOTE
# A critical rule of each class: dark, get-in, rehearsal, pre-show, show, post-show.
TABLE = {
    "universe-lost": (NOTE, NOTE, WARNING, CRITICAL, CRITICAL, NOTE),
    "sync-missing": (NOTE, NOTE, WARNING, CRITICAL, CRITICAL, NOTE),
    "source-conflict": (WARNING, WARNING, CRITICAL, CRITICAL, CRITICAL, WARNING),
    "non-dim-partial": (NOTE, WARNING, CRITICAL, CRITICAL, CRITICAL, WARNING),
    "malformed-packets": (CRITICAL,) * 6,
    "host-overrun": (CRITICAL,) * 6,
    "link-down": (NOTE, *(CRITICAL,) * 5),
    "join-failed": (NOTE, *(CRITICAL,) * 5),
    "querier-absent": (NOTE, *(CRITICAL,) * 5),
}


@pytest.mark.parametrize("rule", TABLE)
def test_loudness_by_phase(rule: str) -> None:
    assert tuple(grade(CATALOG[rule], CRITICAL, phase) for phase in Phase) == TABLE[rule]
