"""The history outlives kill -9, a full disk, a damaged file and a read-only one, and keeps what it was given."""

from __future__ import annotations

import errno
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import threading
from collections.abc import Callable
from dataclasses import fields, replace
from functools import partial
from pathlib import Path
from typing import Any

import pytest

from slotwatch import clock
from slotwatch.edge.front import history_store as store_module
from slotwatch.edge.front import history_writer as writer_module
from slotwatch.edge.front.history import MOST_INTERVALS, History
from slotwatch.edge.front.history_archive import Archive
from slotwatch.edge.front.history_shows import UsualRows
from slotwatch.edge.front.history_store import Pending, Store
from slotwatch.edge.shared.secret_file import own_user
from slotwatch.model.usual import Start
from slotwatch.snapshot import Acknowledgement, SourceRow, UniverseState
from slotwatch.snapshot.health import ClockStepRow, ListenerHealth, NotJudgedRow
from slotwatch.snapshot.minutes import MinuteRow, StreamMinute
from slotwatch.snapshot.switches import SwitchRow
from slotwatch.views.records import incident_of, up_times_of
from slotwatch.views.show import MinuteSums
from tests.patience import PATIENCE_S, happens
from tests.views.fabricate import NOW_NS, SECOND_NS, WALL_OFFSET_NS, incident, snapshot

WALL_MS = (NOW_NS + WALL_OFFSET_NS) // 1_000_000
MINUTE = WALL_MS // 60_000
OLD = MINUTE - 3_000_000  # in 2020
FOR_EVER = 100_000
"""Days to keep: the made-up snapshots are of a fixed day, which gets ever older."""


def minute(number: int = MINUTE, universe: str = "e131/1", **changes: float) -> MinuteRow:
    return replace(MinuteRow(number, universe, 2640, 44.0, 31.6, 3, 2, 5, 1.5), **changes)  # type: ignore[arg-type]


def kept(path: Path, question: Callable[[Archive], int]) -> int:
    """Ask a file that may not be there yet."""
    try:
        return question(Archive(path))
    except sqlite3.Error:
        return -1


def overwrite(path: Path, content: bytes, keep: int = 0) -> None:
    """Damage a file behind its first `keep` octets."""
    path.parent.mkdir(exist_ok=True)
    path.write_bytes((path.read_bytes()[:keep] if keep else b"") + content)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "state" / "slotwatch.db"


def quick_retry(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(writer_module, "RETRY_S", 0.05)


async def test_a_question_asked_before_the_file_is_made_is_refused_for_a_moment(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    may_open = threading.Event()

    def open_late(place: Path) -> Store:
        may_open.wait()
        return Store(place)

    monkeypatch.setattr(writer_module, "Store", open_late)
    history = History(path, FOR_EVER)
    history.note(snapshot(minutes=(minute(),)))
    assert await history.ask(Archive.next_id) is None
    assert history.why_unread() == "The history is being made; ask again in a moment."
    may_open.set()
    await happens(lambda: kept(path, lambda archive: len(archive.minutes("e131/1", MINUTE, MINUTE))) == 1)
    assert await history.ask(Archive.next_id) is not None
    history.close()


async def test_what_a_snapshot_holds_is_kept(path: Path) -> None:
    taken = snapshot(minutes=(minute(), minute(universe="artnet/0", worst_gap_ms=float("nan"))))
    taken.house.listener = ListenerHealth(
        not_judged=(NotJudgedRow(NOW_NS - 9 * SECOND_NS, NOW_NS - SECOND_NS, "eth1", "link down"),)
    )
    history = History(path, FOR_EVER)
    history.note(taken)
    history.note(taken)  # nothing new: nothing twice
    history.close()
    archive = Archive(path)
    assert [incident_of(one, WALL_OFFSET_NS) for one in archive.incidents()] == list(taken.incidents)
    assert archive.next_id() == 8 and archive.incident(99) is None
    assert archive.minutes("e131/1", MINUTE - 60, MINUTE) == [minute(worst_gap_ms=32.0)]
    assert archive.sums(MINUTE, MINUTE) == [
        MinuteSums("artnet/0", 5, 1, 2640, 3, 0.0, MINUTE, 44.0, 1, 1.5),
        MinuteSums("e131/1", 5, 1, 2640, 3, 32.0, MINUTE, 44.0, 1, 1.5),
    ]
    assert archive.phases() == [(WALL_MS - 60_000, "show")]
    assert archive.not_judged(WALL_MS - 5000, WALL_MS) == [(WALL_MS - 9000, WALL_MS - 1000, "eth1", "link down")]
    assert archive.not_judged(WALL_MS, WALL_MS) == []


async def test_years_of_short_times_not_judged_are_all_kept_and_few_are_remembered(path: Path) -> None:
    history = History(path, FOR_EVER)
    for first in range(0, 5_000, 200):
        began = range(NOW_NS + first * SECOND_NS, NOW_NS + (first + 200) * SECOND_NS, SECOND_NS)
        taken = snapshot(incidents=())
        taken.house.listener = ListenerHealth(
            not_judged=tuple(NotJudgedRow(start_ns, start_ns + 1_000_000, "eth1", "overrun") for start_ns in began)
        )
        history.note(taken)
    assert max(len(table) for table in vars(history).values() if isinstance(table, dict)) <= MOST_INTERVALS
    history.close()
    assert len(Archive(path).not_judged(0, 1 << 62)) == 5_000


async def test_an_incident_is_kept_as_it_was_last_revised(path: Path) -> None:
    history = History(path, FOR_EVER)
    history.note(snapshot())
    seen = Acknowledgement("Ann", NOW_NS, "on my way")
    history.note(snapshot(incidents=(incident(revision=2, acknowledged=seen, universes=("e131/1", "e131/2")),)))
    history.close()
    found = Archive(path).incident(7)
    assert found is not None and found["revision"] == 2 and found["acknowledged"]["by"] == "Ann"
    assert [one["id"] for one in Archive(path).incidents("open")] == [7]
    assert [one["id"] for one in Archive(path).incidents("closed")] == [3]


async def test_what_goes_on_in_a_wider_incident_is_closed_and_in_no_list(path: Path) -> None:
    """Else it would be open for ever, and the next start would take it up again."""
    history = History(path, FOR_EVER)
    history.note(snapshot(incidents=(incident(),)))
    history.note(snapshot(incidents=(incident(revision=2, closed_ns=NOW_NS, part_of=9),)))
    history.close()
    archive = Archive(path)
    assert archive.incidents("open") == archive.incidents("closed") == archive.incidents("all") == []
    found = archive.incident(7)
    assert found is not None and found["part_of"] == 9, "its own page still says where it went on"


async def test_two_incidents_of_one_number_are_both_kept(path: Path) -> None:
    """A judging process that lost count must not overwrite last night's."""
    history = History(path, FOR_EVER)
    history.note(snapshot(incidents=(incident(),)))
    history.note(snapshot(incidents=(incident(opened_ns=NOW_NS),)))
    history.close()
    assert [one["id"] for one in Archive(path).incidents()] == [7, 7]


async def test_marks_and_acknowledgements_are_on_disk_before_they_are_confirmed(path: Path) -> None:
    history = History(path, FOR_EVER)
    assert await history.mark("rain effect stuttered", "Ann", NOW_NS + WALL_OFFSET_NS)
    assert await history.acknowledge(7, "Ann", "", NOW_NS + WALL_OFFSET_NS)
    assert Archive(path).marks(0, 1 << 62) == [(WALL_MS, "rain effect stuttered", "Ann")]
    history.close()


CHILD = """
import asyncio, sys
from pathlib import Path
from typing import Any
from slotwatch.edge.front.history import History
from tests.views.fabricate import snapshot
async def main():
    history = History(Path(sys.argv[1]), 100_000)
    history.note(snapshot())
    assert await history.mark("before the cut", "", 1_000_000_000)
    print("kept", flush=True)
    await asyncio.sleep(60)
asyncio.run(main())
"""


def test_kill_9_loses_nothing_that_was_confirmed(path: Path) -> None:
    child = subprocess.Popen([sys.executable, "-c", CHILD, str(path)], stdout=subprocess.PIPE)
    with child:
        assert child.stdout is not None and child.stdout.readline() == b"kept\n"
        os.kill(child.pid, signal.SIGKILL)
    archive = Archive(path)
    assert archive.marks(0, 1 << 62) == [(1000, "before the cut", "")]
    assert [one["id"] for one in archive.incidents()] == [7, 3]
    db = sqlite3.connect(path)
    assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
    db.close()


@pytest.mark.parametrize("damage", [b"this was never a database" * 100, b"\x00" * 8192])
async def test_a_damaged_file_is_moved_aside_and_reported(
    path: Path, damage: bytes, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The new file is begun at once: what is given meanwhile is kept, and is said to be."""
    monkeypatch.setattr(writer_module, "RETRY_S", PATIENCE_S)
    monkeypatch.setattr(writer_module, "CONFIRM_WITHIN_S", PATIENCE_S)
    overwrite(path, damage)
    history = History(path, FOR_EVER)
    assert await history.mark("just after the start", "", NOW_NS + WALL_OFFSET_NS)
    history.note(snapshot())
    await happens(lambda: "damaged" in history.health()["text"] and kept(path, Archive.next_id) == 8)
    assert history.health()["ok"], "the new file is well"
    (aside,) = path.parent.glob("slotwatch.db.damaged-*Z")
    assert aside.read_bytes() == damage, "nothing of the old one is lost"
    assert f"it is kept beside the new one as {aside.name}." in capsys.readouterr().err
    history.close()


async def test_a_second_file_damaged_in_the_same_second_does_not_overwrite_the_first(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(writer_module, "CONFIRM_WITHIN_S", PATIENCE_S)
    now_ns = clock.wall_ns()
    monkeypatch.setattr(clock, "wall_ns", lambda: now_ns)
    for damage in (b"no database, the first" * 200, b"no database, the second" * 200, b"the third" * 500):
        overwrite(path, damage)
        history = History(path, FOR_EVER)  # as after a restart: it knows of no earlier damage
        assert await history.mark("after it", "", now_ns)
        history.close()
    found = sorted(path.parent.glob("slotwatch.db.damaged-*"), key=lambda one: (len(one.name), one.name))
    assert [one.read_bytes()[:23].strip() for one in found] == [
        b"no database, the firstn",
        b"no database, the second",
        b"the thirdthe thirdthe t",
    ]


async def test_a_disk_that_damages_every_new_file_is_asked_in_pauses_and_gets_few_files(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    opened = 0

    def damaged(_path: Path) -> Store:
        nonlocal opened
        opened += 1
        overwrite(_path, b"x" * 5000)
        return Store(_path)

    monkeypatch.setattr(writer_module, "RETRY_S", PATIENCE_S)
    monkeypatch.setattr(writer_module, "Store", damaged)
    history = History(path, FOR_EVER)
    history.note(snapshot())
    await happens(lambda: not history.health()["ok"])
    assert "The history is not being kept: " in history.health()["text"]
    assert opened == 2, "after the first new file it pauses"
    assert len(list(path.parent.glob("slotwatch.db.damaged-*"))) == 1
    history.close()


async def test_the_pauses_of_a_disk_that_damages_every_new_file_stay_long(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def damaged(_path: Path) -> Store:
        overwrite(_path, b"x" * 5000)
        return Store(_path)

    def moved_ns() -> list[int]:
        return sorted(one.stat().st_ctime_ns for one in path.parent.glob("slotwatch.db.damaged-*"))

    monkeypatch.setattr(writer_module, "RETRY_S", 0.01)
    monkeypatch.setattr(writer_module, "LONGEST_PAUSE_S", 0.3)
    monkeypatch.setattr(writer_module, "Store", damaged)
    history = History(path, FOR_EVER)
    history.note(snapshot())
    await happens(lambda: len(moved_ns()) >= 9)
    history.close()
    # The sixth comes after 0.02 + 0.04 + 0.08 + 0.16 + 0.3 s; what begins again with 0.02 s moves three more in 0.14 s.
    assert moved_ns()[8] - moved_ns()[5] > 600_000_000


async def test_a_history_whose_set_aside_name_cannot_be_asked_for_goes_on_trying(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A disk that gives an error twice: for the file, and for the name to move it to."""
    quick_retry(monkeypatch)
    exists = Path.exists
    is_failing = True

    def failing(self: Path) -> bool:
        if is_failing and ".damaged-" in self.name:
            raise OSError(errno.EIO, "Input/output error")
        return exists(self)

    monkeypatch.setattr(Path, "exists", failing)
    overwrite(path, b"no database" * 200)
    history = History(path, FOR_EVER)
    history.note(snapshot(minutes=(minute(),)))
    await happens(lambda: "The history is not being kept: " in history.health()["text"])
    is_failing = False
    await happens(lambda: kept(path, Archive.last_minute) == MINUTE)
    history.close()


async def test_a_file_damaged_in_its_middle_is_moved_aside_too(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    quick_retry(monkeypatch)
    path.parent.mkdir()
    store = Store(path)
    store.write(Pending(minutes=[minute(MINUTE - n, f"e131/{u}") for n in range(60) for u in range(40)]))
    store.close()
    overwrite(path, b"\xff" * 100_000, keep=4096)
    history = History(path, FOR_EVER)
    history.note(snapshot(minutes=(minute(),)))
    await happens(lambda: list(path.parent.glob("*.damaged-*")) and kept(path, Archive.last_minute) == MINUTE)
    history.close()


async def test_a_place_that_cannot_be_written_is_reported_and_tried_again(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The directory's place is taken by a file; a person makes room; nothing of the meantime is lost."""
    quick_retry(monkeypatch)
    path.parent.write_text("in the way")
    history = History(path, FOR_EVER)
    history.note(snapshot())
    await happens(lambda: not history.health()["ok"])
    assert history.health()["text"].startswith("The history is not being kept: ")
    assert "Everything else continues." in history.health()["text"]
    assert not await history.mark("while it was full", "", NOW_NS + WALL_OFFSET_NS)
    path.parent.unlink()
    await happens(lambda: history.health()["ok"])
    history.close()
    assert [one["id"] for one in Archive(path).incidents()] == [7, 3]
    assert Archive(path).marks(0, 1 << 62)[0][1] == "while it was full"


async def test_a_file_that_cannot_be_opened_is_reported_with_the_reason(path: Path) -> None:
    path.mkdir(parents=True)  # noqa: ASYNC240 a test may
    history = History(path, FOR_EVER)
    history.note(snapshot())
    await happens(lambda: not history.health()["ok"])
    assert "the file cannot be opened: Is a directory (" in history.health()["text"], "POSIX: EISDIR"
    history.close()


async def test_a_file_in_place_of_the_directory_is_called_so(tmp_path: Path) -> None:
    (tmp_path / "state").write_text("in the way")
    history = History(tmp_path / "state" / "slotwatch.db", FOR_EVER)
    history.note(snapshot())
    try:
        await happens(lambda: f"{tmp_path / 'state'} is no directory (" in history.health()["text"])
    finally:
        history.close()


async def test_a_file_that_somebody_takes_away_is_begun_again_with_all_that_holds(
    path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """POSIX keeps a removed file for who has it open: what is written there would be gone with this program."""
    history = History(path, FOR_EVER)
    history.note(snapshot())
    assert await history.mark("before", "", NOW_NS + WALL_OFFSET_NS)
    shutil.rmtree(path.parent)
    assert await history.mark("after", "", NOW_NS + WALL_OFFSET_NS)
    assert [text for _, text, _ in Archive(path).marks(0, 1 << 62)] == ["after"]
    history.note(snapshot())
    history.close()
    assert [one["id"] for one in Archive(path).incidents()] == [7, 3], "also what had been written to the other file"
    said = f"The history file was taken away while slotwatch used it ({path}); another is used."
    assert history.health()["text"] == said and said in capsys.readouterr().err


NOT_OURS = """
import asyncio, os, sys
from pathlib import Path
from slotwatch.edge.front.history import History
from tests.edge.front.test_history import FOR_EVER, happens, snapshot, writer_module
path, writer_module.RETRY_S = Path(sys.argv[1]), 0.02
async def main():
    history = History(path, FOR_EVER)
    history.note(snapshot())
    await happens(lambda: not history.health()["ok"])
    print(history.health()["text"], flush=True)
    path.parent.chmod(0o755)
    for one in path.parent.iterdir():  # SQLite gave its log the rights of the file
        one.chmod(0o644)
    await happens(lambda: history.health()["ok"])
    history.close()
asyncio.run(main())
"""


@pytest.mark.parametrize(
    ("mode", "of_place", "reason"),
    [
        (0o444, 0o755, "may not write slotwatch.db"),
        (0o644, 0o555, "may not write in {place}"),
    ],
)
def test_a_file_that_this_user_may_not_write_is_reported_as_that_also_in_the_log(
    path: Path, mode: int, of_place: int, reason: str
) -> None:
    """SQLite calls both a read-only database. The right to write everything is taken away, as from a service's user."""
    path.parent.mkdir()
    Store(path).close()
    path.chmod(mode)
    path.parent.chmod(of_place)
    right = ["setpriv", "--bounding-set", "-dac_override"] if os.geteuid() == 0 else []
    done = subprocess.run(
        [*right, sys.executable, "-c", NOT_OURS, str(path)], capture_output=True, text=True, timeout=PATIENCE_S
    )
    assert done.returncode == 0, done.stderr
    said = reason.format(place=path.parent)
    assert f"The history is not being kept: {own_user()} {said} ({path}). What happens waits in memory" in done.stdout
    log = done.stderr.splitlines()
    assert log[0] == f"slotwatch: {done.stdout.strip()}"
    assert log[-1] == f"slotwatch: The history is being kept again ({path})."


async def test_a_read_only_file_system_is_not_called_a_missing_right(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """statvfs(3): ST_RDONLY. A disk with errors is mounted so; a unit's ProtectSystem shows every other place so."""
    path.parent.mkdir()
    Store(path).close()
    known = [*os.statvfs(path.parent)]
    known[8] |= os.ST_RDONLY
    monkeypatch.setattr(os, "statvfs", lambda _: os.statvfs_result(known))
    monkeypatch.setattr(sqlite3, "connect", partial(sqlite3.connect, factory=ReadOnly))
    history = History(path, FOR_EVER)
    history.note(snapshot())
    await happens(lambda: not history.health()["ok"])
    assert f"is not being kept: the file system of {path.parent} is read-only ({path})." in history.health()["text"]
    monkeypatch.undo()
    history.close()


class ReadOnly(sqlite3.Connection):
    """As on such a file system: SQLITE_READONLY from every write."""

    def execute(self, statement: str, *values: Any) -> sqlite3.Cursor:
        super().execute("PRAGMA query_only = 1")
        return super().execute(statement, *values)


async def test_a_full_disk_is_reported_and_stops_nothing(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """SQLite's own page limit gives the very error a full disk gives."""
    quick_retry(monkeypatch)
    full = False

    class Disk(sqlite3.Connection):
        def execute(self, statement: str, *values: Any) -> sqlite3.Cursor:
            if statement.startswith("BEGIN"):
                super().execute(f"PRAGMA max_page_count={1 if full else 4294967294}")
            return super().execute(statement, *values)

    monkeypatch.setattr(sqlite3, "connect", partial(sqlite3.connect, factory=Disk))
    history = History(path, FOR_EVER)
    assert await history.mark("first", "", 1_000_000)
    full = True
    history.note(snapshot(minutes=tuple(minute(universe=f"e131/{n}") for n in range(2000))))
    await happens(lambda: not history.health()["ok"])
    assert "the disk is full" in history.health()["text"]
    full = False
    await happens(lambda: history.health()["ok"])
    assert Archive(path).last_minute() == MINUTE
    history.close()


async def test_minutes_that_a_clock_had_twice_are_kept_together(path: Path) -> None:
    """The clock went back by an hour. Of both each figure is the larger and the state the worse: `LOST` (5, by
    `UniverseState`) is worse than `STEADY` (0), and a disk that failed meanwhile may have them written once more."""
    first = minute(frames=2640, worst_gap_ms=9000.0, state=UniverseState.LOST, lost_frames=7)
    again = minute(frames=2650, worst_gap_ms=25.0, state=UniverseState.STEADY, lost_frames=0, sources=3)
    between = minute(MINUTE - 60)
    history = History(path, FOR_EVER)
    history.note(snapshot(minutes=(first,)))
    history.note(snapshot(minutes=(first, between)))
    history.note(snapshot(minutes=(first, between, again)))
    history.note(snapshot(minutes=(between, again, minute(MINUTE + 1))))
    history.close()
    store = Store(path)
    store.write(Pending(minutes=[again]))
    store.close()
    found = Archive(path).minutes("e131/1", 0, MINUTE + 1)
    assert [row.minute for row in found] == [MINUTE - 60, MINUTE, MINUTE + 1]
    assert found[1] == replace(first, frames=2650, sources=3)


async def test_streams_of_minutes_that_a_clock_had_twice_are_kept_together(path: Path) -> None:
    """As of the universe, the larger of each figure of a source; the later minute says who was in control. A disk that
    failed meanwhile may have them written together, and once more."""
    desk = StreamMinute("desk", 0, 2640, 7, 2639, 44.0, 22.7, 60.0, 90.0, 900.0)
    backup = StreamMinute("backup", 1, 1200, 0, 1199, 20.0, 50.0, 51.0, 60.5, 180.0)
    other = StreamMinute("media", 1, 2000, 0, 1999, 33.0, 30.0, 31.0, 32.0, 33.0)
    late = StreamMinute("backup", 0, 2650, 1, 2649, 44.2, 22.6, 24.0, 25.0, 31.0)
    both = StreamMinute("backup", 0, 2650, 1, 2649, 44.2, 50.0, 51.0, 60.5, 180.0)
    first, again = minute(streams=(desk, backup)), minute(streams=(late, other))
    wanted = (both, replace(desk, rank=1), replace(other, rank=2))
    for place, batches in ((path, [[first], [again], [again]]), (path.with_name("b.db"), [[first, again]])):
        place.parent.mkdir(exist_ok=True)
        store = Store(place)
        for batch in batches:
            store.write(Pending(minutes=batch))
        store.close()
        (found,) = Archive(place).minutes("e131/1", 0, MINUTE + 1)
        assert found.streams == wanted


async def test_a_minute_without_streams_leaves_those_of_before_and_no_more_are_kept_than_of_one(path: Path) -> None:
    many = [StreamMinute(f"desk {k}", k, 100 - k, 0, 99, 1.0, 1.0, 1.0, 1.0, 1.0) for k in range(8)]
    path.parent.mkdir()
    store = Store(path)
    for streams in (many[:4], many[4:], []):
        store.write(Pending(minutes=[minute(streams=tuple(streams))]))
    store.close()
    (found,) = Archive(path).minutes("e131/1", 0, MINUTE + 1)
    # Of the later four the first had rank 4: nobody was in control, so desk 0 of before leads, and then who sent most.
    assert [(one.source, one.rank) for one in found.streams] == [(f"desk {k}", k) for k in range(4)]


async def test_the_up_times_of_switches_are_kept_with_the_sign_of_life(path: Path) -> None:
    answered = SwitchRow(
        "FOH", "10.0.0.2", True, "", NOW_NS - SECOND_NS, "", NOW_NS - 61 * SECOND_NS, 0, "", 0, (), False, False, ()
    )
    silent = answered._replace(name="Stage", answers=False, answered_ns=0, began_ns=0)
    history = History(path, FOR_EVER)
    history.note(snapshot(switches=(answered, silent)))
    history.close()
    kept = Archive(path).state()["switches"]
    assert kept == {"FOH": [NOW_NS - SECOND_NS + WALL_OFFSET_NS, 6000]}
    assert up_times_of(kept) == [("FOH", NOW_NS - SECOND_NS + WALL_OFFSET_NS, 6000)]


async def test_the_networks_of_declared_sources_are_kept_until_they_are_known_otherwise(path: Path) -> None:
    """While networks are swapped, what was known before stays."""
    known = snapshot(incidents=())
    house = replace(known.house, networks=("A", "B"))
    desk = SourceRow(1, bytes(16), "10.0.0.1", 0, "desk", "desk", last_seen_ns=NOW_NS)
    swapped = (incident(rule="networks-swapped", closed_ns=None),)
    history = History(path, FOR_EVER)
    history.note(replace(known, house=house, sources=(desk,)))
    moved = replace(desk, network=1, last_seen_ns=NOW_NS + 6 * SECOND_NS)
    later = replace(known, house=house, sources=(moved,), incidents=swapped, now_ns=NOW_NS + 6 * SECOND_NS)
    history.note(later)
    history.close()
    assert Archive(path).state()["homes"] == {"rows": [["A", "desk", "10.0.0.1"]]}


async def test_the_report_says_where_the_clock_was_set(path: Path) -> None:
    """One mark for each step, at the moment after it by the clock of then; a correction that nobody reads has none."""
    hour_ns = 3600 * SECOND_NS
    steps = (
        ClockStepRow(NOW_NS + 1 * SECOND_NS, -hour_ns),
        ClockStepRow(NOW_NS + 2 * SECOND_NS, SECOND_NS // 2),
        ClockStepRow(NOW_NS + 3 * SECOND_NS, 2 * hour_ns),
    )
    taken = snapshot()
    history = History(path, FOR_EVER)
    taken.house.listener = ListenerHealth(clock_steps=(ClockStepRow(NOW_NS - 60 * SECOND_NS, hour_ns),))
    history.note(taken)  # an earlier process of the page has marked it
    taken.now_ns += 5 * SECOND_NS
    taken.house.listener = ListenerHealth(clock_steps=steps)
    history.note(taken)
    history.note(taken)
    history.close()
    assert Archive(path).marks(0, WALL_MS + 10_000_000) == [
        (
            WALL_MS + 1000 - 2 * 3_600_000 - 500,
            "The clock of this computer was set back by 60 min. Times before this mark are by the clock as it was.",
            "slotwatch",
        ),
        (
            WALL_MS + 3000,
            "The clock of this computer was set forward by 2 h 00 min."
            " Times before this mark are by the clock as it was.",
            "slotwatch",
        ),
    ]


async def test_what_is_too_old_is_forgotten_but_not_what_is_open(path: Path) -> None:
    history = History(path, FOR_EVER)
    history.note(snapshot(minutes=(minute(MINUTE - 2), minute(MINUTE))))
    history.close()
    store = Store(path)
    store.forget(WALL_MS - 15_000)
    store.close()
    archive = Archive(path)
    assert [row.minute for row in archive.minutes("e131/1", 0, MINUTE)] == [MINUTE]
    assert [one["id"] for one in archive.incidents()] == [7], "an open one stays, however old"
    store = Store(path)
    store.forget(WALL_MS + 1)
    store.close()
    assert archive.phases() == [(WALL_MS - 60_000, "show")], "the phase that holds now stays"


async def test_what_waits_for_a_disk_is_bounded_and_counted(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path.parent.write_text("in the way")
    monkeypatch.setattr(writer_module, "MOST_MINUTES", 10)
    history = History(path, FOR_EVER)
    for number in range(30):
        history.note(snapshot(minutes=(minute(MINUTE + number),)))
    # Rows that the writer has just taken are counted once it has given them back.
    await happens(lambda: "20 minute rows could not be kept." in history.health()["text"])
    path.parent.unlink()
    history.close()
    assert "20 minute rows could not be kept." in history.health()["text"], "none was counted twice"
    kept_then = Archive(path).minutes("e131/1", 0, MINUTE + 30)
    assert [row.minute for row in kept_then] == [MINUTE + number for number in range(20, 30)], "the newest are kept"


def test_an_hour_and_a_month_are_read(tmp_path: Path) -> None:
    """Two days of 64 universes; a month of 512 is 120 times that and is read minute by minute."""
    store = Store(tmp_path / "h.db")
    store.write(Pending(minutes=[minute(MINUTE - n, f"e131/{u}") for n in range(2880) for u in range(64)]))
    store.close()
    archive = Archive(tmp_path / "h.db")
    assert len(archive.minutes("e131/7", MINUTE - 59, MINUTE)) == 60
    assert len(archive.minutes("e131/7", 0, MINUTE)) == 2880
    assert archive.minutes("e131/999", 0, MINUTE) == []
    assert len(archive.minutes("e131/7", 0, 1 << 60)) == 2880, "the end of time is not walked to"
    size = (tmp_path / "h.db").stat().st_size
    assert size / (2880 * 64) * 512 * 43_200 < 2e9, "512 universes for 30 days stay under 2 GB"


def test_a_file_of_a_newer_layout_is_left_alone(path: Path) -> None:
    path.parent.mkdir()
    db = sqlite3.connect(path)
    db.execute("PRAGMA user_version=99")
    db.close()
    with pytest.raises(sqlite3.DatabaseError, match="newer slotwatch"):
        Store(path)


def test_an_interval_reported_twice_is_one(path: Path) -> None:
    """After a restart the same start lies some milliseconds beside the first, by the corrected wall clock."""
    path.parent.mkdir()
    store = Store(path)
    store.write(Pending(not_judged={(1000, "eth1"): (None, "link-down"), (9000, "eth1"): (9500, "link-down")}))
    store.write(Pending(not_judged={(1004, "eth1"): (6000, "link-down")}))
    store.close()
    assert Archive(path).not_judged(0, 1 << 62) == [
        (1000, 6000, "eth1", "link-down"),
        (9000, 9500, "eth1", "link-down"),
    ]


def test_intervals_one_after_the_other_stay_two_however_near_they_begin(path: Path) -> None:
    """A program that is killed within a second of its start leaves two times without a listener."""
    path.parent.mkdir()
    store = Store(path)
    two = {(1000, ""): (1500, "ended-unexpectedly"), (1600, ""): (2100, "ended-unexpectedly")}
    store.write(Pending(not_judged=two))
    store.close()
    assert [row[:2] for row in Archive(path).not_judged(0, 1 << 62)] == [(1000, 1500), (1600, 2100)]


def test_an_interval_that_was_open_at_the_end_does_not_last_for_ever(path: Path) -> None:
    path.parent.mkdir()
    store = Store(path)
    store.write(Pending(not_judged={(60_000, "eth1"): (None, "link-down")}, minutes=[minute(3)]))
    store.close()
    assert Archive(path).not_judged(0, 1 << 62)[0][1] is None
    Store(path).close()
    assert Archive(path).not_judged(0, 1 << 62)[0][1] == 180_000


async def test_a_value_that_no_database_takes_costs_only_itself(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    history = History(path, FOR_EVER)
    history.note(snapshot(minutes=(minute(frames=1 << 70),)))
    await happens(lambda: "internal fault" in history.health()["text"])
    assert await history.mark("afterwards", "", 1_000_000)
    history.close()
    assert "OverflowError" in capsys.readouterr().err


async def test_a_month_is_forgotten_in_steps(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(store_module, "FORGET_ROWS", 100)
    path.parent.mkdir()
    store = Store(path)
    store.write(Pending(minutes=[minute(OLD - n, f"e131/{u}") for n in range(60) for u in range(20)]))
    store.close()
    history = History(path, 30)
    assert await history.mark("now", "", 1 << 62)
    await happens(lambda: kept(path, Archive.last_minute) == 0)
    history.close()


FULL_DISK = """
import asyncio, os, pathlib, sys
from slotwatch.edge.front import history_writer as module
from slotwatch.edge.front.history import History
from tests.edge.front.test_history import minute
from tests.patience import happens
from tests.views.fabricate import snapshot
module.RETRY_S = 0.05
place = pathlib.Path(sys.argv[1])
async def main():
    history = History(place / "slotwatch.db", 100_000)
    assert await history.mark("room", "", 1_000_000)
    ballast = place / "ballast"
    with ballast.open("wb", buffering=0) as file:
        try:
            while True:
                file.write(bytes(4096))
        except OSError:
            pass
    history.note(snapshot(minutes=tuple(minute(universe=f"e131/{n}") for n in range(4000))))
    await happens(lambda: not history.health()["ok"])
    print(history.health()["text"])
    ballast.unlink()
    await happens(lambda: history.health()["ok"])
    history.close()
    print(history.archive.last_minute(), [one["id"] for one in history.archive.incidents()])
asyncio.run(main())
"""


def test_a_disk_that_is_really_full(tmp_path: Path) -> None:
    """A 1 MiB file system of its own, in a namespace; what could not be written is written once there is room."""
    script = 'mount -t tmpfs -o size=1m none "$1" && exec "$2" -c "$3" "$1"'
    command = ["unshare", "-Urm", "sh", "-c", script, "sh", str(tmp_path), sys.executable, FULL_DISK]
    probe = subprocess.run(["unshare", "-Urm", "true"], capture_output=True) if shutil.which("unshare") else None
    if (probe is None or probe.returncode) and os.environ.get("CI") != "true":
        pytest.skip("no user namespaces here: unshare -Urm")
    done = subprocess.run(command, capture_output=True, text=True, timeout=PATIENCE_S)
    assert done.returncode == 0, done.stderr
    trouble, kept_then = done.stdout.splitlines()
    assert "The history is not being kept: the disk is full" in trouble and "Everything else continues." in trouble
    assert kept_then == f"{MINUTE} [7, 3]"


@pytest.mark.parametrize("name", [field.name for field in fields(Pending)])
def test_what_could_not_be_written_waits_with_all_that_came_since(name: str) -> None:
    """Every part of it: a part that is left out of the join is lost with the next full disk."""
    older, newer = Pending(), Pending()
    held = getattr(older, name)
    if isinstance(held, UsualRows):
        older.usual.starts["e131/1"], newer.usual.starts["e131/2"] = Start(1, "a"), Start(2, "b")
    elif isinstance(held, dict):
        held["older"] = getattr(newer, name)["newer"] = "row"
    else:
        held.append("older")
        getattr(newer, name).append("newer")
    joined = getattr(older.before(newer), name)
    assert len(joined.starts if isinstance(joined, UsualRows) else joined) == 2
