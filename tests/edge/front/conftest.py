"""How long the front waits for others is raised here: a busy computer must not reach a limit that no test is about.

A test of such a limit sets its own.
"""

from __future__ import annotations

import pytest

from slotwatch.edge.front import alertmanager, elsewhere, front, heartbeat, history_writer, mqtt, notice_ways
from tests.patience import PATIENCE_S


@pytest.fixture(autouse=True)
def patient(monkeypatch: pytest.MonkeyPatch) -> None:
    for module in (alertmanager, elsewhere, heartbeat, mqtt, notice_ways):
        monkeypatch.setattr(module, "ANSWER_WITHIN_S", PATIENCE_S)
    monkeypatch.setattr(history_writer, "CONFIRM_WITHIN_S", PATIENCE_S)
    monkeypatch.setattr(front, "RESUMED_WITHIN_S", PATIENCE_S)
