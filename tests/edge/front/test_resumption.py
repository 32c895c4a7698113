"""What judging gets back from the history when it starts again."""

from __future__ import annotations

import asyncio
import time
from dataclasses import replace
from pathlib import Path

import pytest

from slotwatch.durations import MILLISECOND_NS
from slotwatch.edge.front.alertmanager import Alertmanager
from slotwatch.edge.front.front import OUTGOING, SEEN_WITHIN_S
from slotwatch.edge.front.history import History
from slotwatch.edge.front.history_archive import Archive
from slotwatch.edge.front.history_store import Pending, Store
from slotwatch.edge.front.mqtt import MqttSender
from slotwatch.edge.front.notifications import Notifications
from slotwatch.edge.front.resumption import HEARD_MINUTES, Memory, Resumption
from slotwatch.edge.shared.watchdog import STUCK_S
from slotwatch.judge.orders import Absence, Resume
from slotwatch.snapshot import SourceRow
from slotwatch.snapshot.minutes import MinuteRow
from slotwatch.views.records import homes_of, homes_record, record
from tests.edge.front_house import running
from tests.patience import PATIENCE_S, cancelled
from tests.views.fabricate import NOW_NS, WALL_OFFSET_NS, house, incident, snapshot

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


def test_what_was_heard_in_the_newest_minutes_is_known_again(tmp_path: Path) -> None:
    last = 29_000_000
    rows = [("artnet/0", last - 1, 40), ("artnet/0", last, 0), ("artnet/1", last - HEARD_MINUTES, 40)]
    rows += [("e131/1", last - 3, 40), ("e131/1", last, 40)]
    store = Store(tmp_path / "history.db")
    store.write(Pending(minutes=[MinuteRow(at, name, frames, 1.0, 0.0, 0, 1, 0) for name, at, frames in rows]))
    store.close()
    assert Memory.of(Archive(tmp_path / "history.db")).heard == [("artnet/0", last - 1), ("e131/1", last)]


STARTED_MS = (NOW_NS - 100 * SECOND_NS + WALL_OFFSET_NS) // MILLISECOND_NS
"""When the made-up judging began."""


@pytest.mark.parametrize(
    ("marked_ms", "away"),
    [
        (STARTED_MS - 5000, Absence((STARTED_MS - 5000) * MILLISECOND_NS, "ended-unexpectedly")),
        (STARTED_MS + 5000, None),  # of this run, whose judging was started again
    ],
)
async def test_a_run_that_ended_before_its_first_sign_of_life_is_known_by_what_it_kept(
    tmp_path: Path, marked_ms: int, away: Absence | None
) -> None:
    order = await _resumed_with(tmp_path / "history.db", Pending(marks=[(marked_ms, "house open", "")]))
    assert order.away == away


@pytest.mark.parametrize("stopped", [True, False])
@pytest.mark.parametrize("alive_ms", [STARTED_MS - 5000, STARTED_MS - 1, STARTED_MS, STARTED_MS + 30_000])
async def test_a_wall_clock_set_back_after_the_last_sign_of_life_hides_no_absence(
    tmp_path: Path, alive_ms: int, stopped: bool
) -> None:
    alive = {"at_ms": alive_ms, "run": "the one before", "stopped": stopped}
    order = await _resumed_with(tmp_path / "history.db", Pending(state={"alive": alive}))
    assert order.away is not None
    assert order.away.reason == ("not-running" if stopped else "ended-unexpectedly")
    assert order.away.from_wall_ns == min(alive_ms, STARTED_MS - 1000) * MILLISECOND_NS
    archive, is_set_back = Archive(tmp_path / "history.db"), alive_ms >= STARTED_MS + 1000
    assert archive.clock_steps() == ([(STARTED_MS, STARTED_MS - alive_ms)] if is_set_back else [])
    assert [text for _, text, _ in archive.marks(0, 1 << 62)] == (
        [
            "The clock of this computer was set back by 30.0 s or more while slotwatch did not run. "
            "Times before this mark are by the clock as it was."
        ]
        if is_set_back
        else []
    )


async def test_a_judging_process_started_again_within_one_run_was_not_away(tmp_path: Path) -> None:
    alive = {"at_ms": STARTED_MS + 30_000, "run": "this one", "stopped": False}
    order = await _resumed_with(tmp_path / "history.db", Pending(state={"alive": alive}), run="this one")
    assert order.away is None


async def test_up_times_of_switches_are_those_of_this_boot_and_of_lately(tmp_path: Path) -> None:
    """A computer that started anew had its power cut with that of the switches, and a house is dark at night."""
    now_ns = time.time_ns()
    boot_ns = now_ns - time.monotonic_ns()
    kept = {
        "FOH": [now_ns - SECOND_NS, 8_640_000],
        "before the boot": [boot_ns - SECOND_NS, 5],
        "last night": [now_ns - 5 * 3600 * SECOND_NS, 5],
        "ahead": [now_ns + 3600 * SECOND_NS, 5],
        "odd": ["noon", 5],
        "short": [5],
    }
    alive = {"at_ms": STARTED_MS - 5000, "run": "the one before", "stopped": True}
    order = await _resumed_with(tmp_path / "history.db", Pending(state={"alive": alive, "switches": kept}))
    assert order.switches == (("FOH", now_ns - SECOND_NS, 8_640_000),)


async def test_judging_that_publishes_nothing_holds_the_resumption_up_no_longer_than_it_is_let_live(
    tmp_path: Path,
) -> None:
    """The parent ends judging after 10 s without progress (`STUCK_S`); each look waits for `SEEN_WITHIN_S`."""
    history, resumed, looks = History(tmp_path / "history.db", 100_000), asyncio.Event(), list[float]()

    async def ask(_: object) -> None:
        return None

    async def see_after(_: object) -> bool:
        looks.append(SEEN_WITHIN_S)
        return False

    resumption = Resumption(history, ask, resumed, see_after)  # type: ignore[arg-type]
    resumption.note(snapshot())
    task = asyncio.create_task(resumption.run())
    async with asyncio.timeout(PATIENCE_S):
        await resumed.wait()
    await cancelled(task)
    history.close()
    assert looks and sum(looks) <= STUCK_S["judging"]


async def _resumed_with(path: Path, kept: Pending, run: str = "") -> Resume:
    """The order that judging gets from a history that holds this."""
    store = Store(path)
    store.write(kept)
    store.close()
    history, orders = History(path, 100_000), list[Resume]()
    history.run = run

    async def ask(order: Resume) -> None:
        orders.append(order)

    async def see_after(_: object) -> bool:
        return True

    resumed = asyncio.Event()
    resumption = Resumption(history, ask, resumed, see_after)  # type: ignore[arg-type]
    resumption.note(snapshot())
    task = asyncio.create_task(resumption.run())
    await asyncio.wait_for(resumed.wait(), PATIENCE_S)
    await cancelled(task)
    history.close()
    assert len(orders) == 1
    return orders[0]


async def test_the_networks_of_declared_sources_are_known_again_and_odd_rows_are_counted(tmp_path: Path) -> None:
    """Of one show: after four hours leads may have been laid anew."""
    rows = [["A", "main desk", "10.0.0.1"], ["A", 5, "10.0.0.2"], ["B"], "C", ["B", "main desk", "10.1.0.1"]]
    for age_ms, known in ((60_000, 2), (5 * 3_600_000, 0)):
        path = tmp_path / f"{age_ms}.db"
        alive = {"at_ms": time.time_ns() // MILLISECOND_NS - age_ms, "run": "the one before", "stopped": True}
        order = await _resumed_with(path, Pending(state={"alive": alive, "homes": {"rows": rows}}))
        sound = (("A", "main desk", "10.0.0.1"), ("B", "main desk", "10.1.0.1"))
        assert order.homes == (sound if known else ())
        archive = Archive(path)
        assert len(Memory.of(archive).homes) == 2 and archive.odd.count == 3


def test_what_is_kept_of_networks_is_what_can_be_told_apart() -> None:
    """Not what one address brings by both, nor who is silent or not declared."""
    now = snapshot(incidents=())
    two = replace(now.house, networks=("A", "B"))

    def heard(name: str, address: str, network: int, ago_s: int = 0) -> SourceRow:
        return SourceRow(1, bytes(16), address, network, name, name, last_seen_ns=NOW_NS - ago_s * SECOND_NS)

    sources = (
        heard("main desk", "10.0.0.1", 0),
        heard("main desk", "10.1.0.1", 1),
        heard("lights", "10.0.0.9", 0),
        heard("lights", "10.0.0.9", 1),
        heard("media", "10.0.0.7", 0, ago_s=11),
        heard("", "10.0.0.8", 0),
    )
    shown = replace(now, house=two, sources=sources)
    kept = homes_record(shown, {})
    assert kept == {"rows": [["A", "main desk", "10.0.0.1"], ["B", "main desk", "10.1.0.1"]]}
    assert homes_of(kept) == ([("A", "main desk", "10.0.0.1"), ("B", "main desk", "10.1.0.1")], [])
    assert homes_record(replace(shown, house=replace(two, networks=("A",))), {}) is None
    # Leads may be swapped while nobody has said so yet: just after the start, and in the seconds of a move.
    assert homes_record(replace(shown, started_ns=NOW_NS - 3 * SECOND_NS), {}) is None
    moving = replace(shown, sources=(heard("main desk", "10.0.0.1", 0, ago_s=1), heard("main desk", "10.0.0.1", 1)))
    assert kept and homes_record(moving, kept) == {"rows": [["A", "main desk", "10.0.0.1"]]}


@pytest.mark.parametrize("ago_s", [30, 200])
def test_what_is_kept_while_networks_are_swapped_is_where_sources_were_before(ago_s: int) -> None:
    """A source that moved belongs where it was heard first. Swapped before this listener started: nobody heard that."""
    began_ns = NOW_NS - ago_s * SECOND_NS
    now = snapshot(incidents=(incident(rule="networks-swapped", began_ns=began_ns, closed_ns=None),))

    def heard(name: str, address: str, network: int, first_s: int, last_s: int = 0) -> SourceRow:
        first_ns, last_ns = NOW_NS - first_s * SECOND_NS, NOW_NS - last_s * SECOND_NS
        return SourceRow(1, bytes(16), address, network, name, name, first_seen_ns=first_ns, last_seen_ns=last_ns)

    moved = (heard("main desk", "10.0.0.1", 1, 30), heard("main desk", "10.0.0.1", 0, 35, 30))
    on_both = (heard("lights", "10.0.0.9", 0, 35), heard("lights", "10.0.0.9", 1, 30))
    others = (heard("media", "10.0.0.7", 1, 30), heard("spare", "10.0.0.2", 1, 30))
    shown = replace(now, house=replace(now.house, networks=("A", "B")), sources=(*moved, *on_both, *others))
    known = {"rows": [["A", "media", "10.0.0.7"], ["B", "silent", "10.0.0.3"]]}
    if shown.started_ns > began_ns:
        assert homes_record(shown, known) is None
    else:
        kept = {"rows": [["A", "main desk", "10.0.0.1"], *known["rows"]]}
        assert homes_record(shown, known) == kept
    assert homes_record(replace(shown, started_ns=NOW_NS - 3 * SECOND_NS), known) is None


def test_forged_addresses_of_one_source_push_out_no_other() -> None:
    """Not by the alphabet: each source keeps what was known and what was heard first."""
    now = snapshot(incidents=())
    two = replace(now.house, networks=("A", "B"))

    def heard(name: str, address: str, ago_s: int) -> SourceRow:
        return SourceRow(
            1, bytes(16), address, 0, name, name, first_seen_ns=NOW_NS - ago_s * SECOND_NS, last_seen_ns=NOW_NS
        )

    forged = [heard("aa desk", f"10.9.{n // 200}.{n % 200}", 5) for n in range(1100)]
    own = [heard("aa desk", "99.0.0.1", 60), heard("main desk", "10.0.0.1", 60), heard("main desk", "10.0.0.2", 1)]
    shown = replace(now, house=two, sources=(*forged, *own))
    kept = homes_record(shown, {"rows": [["A", "main desk", "10.0.0.1"]]})
    assert kept is not None
    found, _ = homes_of(kept)
    assert len(found) == 1024
    assert {(one.declared_as, one.address) for one in own} <= {(source, address) for _, source, address in found}


async def test_nobody_elsewhere_is_told_of_a_judgement_without_memory(tmp_path: Path) -> None:
    """What was open before a restart would be sent a second time by another number, and end by the first."""
    assert {Alertmanager.name, MqttSender.name, Notifications.name} == OUTGOING
    alerts = Alertmanager(house())
    async with running(tmp_path) as here:
        here.front.followers.append(alerts)
        here.show(snapshot(incidents=(incident(7),)))
        assert alerts.health()["open"] == 1
        here.front.resumed.clear()
        here.show(snapshot(incidents=()))
        assert alerts.health()["open"] == 1
        here.front.resumed.set()
        here.show(snapshot(incidents=()))
        assert alerts.health()["open"] == 0
