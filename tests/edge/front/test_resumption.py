"""What judging gets back from the history when it starts anew."""

from __future__ import annotations

import time
from pathlib import Path

from slotwatch.edge.front.history_archive import Archive
from slotwatch.edge.front.history_store import MILLISECOND_NS, Pending, Store
from slotwatch.edge.front.resumption import Memory
from slotwatch.views.records import record
from tests.views.fabricate import incident

SECOND_NS = 1_000_000_000


def test_what_is_open_and_what_closed_within_the_last_minute_is_known_again(tmp_path: Path) -> None:
    now_ns = time.time_ns()
    ages_s = {1: None, 2: 30, 3: 3600}
    found = {}
    for number, age_s in ages_s.items():
        closed_ns = None if age_s is None else now_ns - age_s * SECOND_NS
        kept = record(incident(number)) | {"opened_wall_ns": now_ns - 7200 * SECOND_NS, "closed_wall_ns": closed_ns}
        found[number, kept["opened_wall_ns"] // MILLISECOND_NS] = kept
    store = Store(tmp_path / "history.db")
    store.write(Pending(incidents=found))
    store.close()
    memory = Memory.of(Archive(tmp_path / "history.db"))
    assert sorted(one["id"] for one in memory.incidents) == [1, 2]
