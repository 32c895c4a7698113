"""Processes that are killed or hang, and a house file that is read again."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from tests.rack.house import LONG_S, RackHouse
from tests.rack.machine import until
from tests.rack.promises import RackPromise, accusing_nobody, expect, promise
from tests.rack.tree import HOUSE


def _is_replaced(house: RackHouse, role: str, before: int) -> bool:
    return bool(until(lambda: house.pid(role) not in (0, before), LONG_S))


@contextmanager
def _hearing_again(house: RackHouse) -> Iterator[None]:
    """Whatever the listener does to itself in the block, the show is not accused and it hears again."""
    with accusing_nobody(house):
        yield
        expect(house.wait_heard(), f"it hears nothing: {house.states()}")


@promise("kill -9 of receiving: it is started again, and the show is not accused")
def receiving_is_killed(house: RackHouse) -> None:
    _kill(house, "intake")


@promise("kill -9 of judging: it is started again, and the show is not accused")
def judging_is_killed(house: RackHouse) -> None:
    _kill(house, "judging")


@promise("kill -9 of the page's process: it is started again, and the show is not accused")
def page_is_killed(house: RackHouse) -> None:
    _kill(house, "front")


def _kill(house: RackHouse, role: str) -> None:
    with _hearing_again(house):
        before, restarts = house.pid(role), house.restarts()
        house.machine.must(f"kill -9 {before}")
        expect(_is_replaced(house, role, before), f"no new process of {role}")
        expect(house.restarts() == restarts, "the whole service was restarted for one process")


@promise("kill -9 of the parent: systemd starts all of it again, and nothing of the old one is left")
def parent_is_killed(house: RackHouse) -> None:
    with _hearing_again(house):
        before = house.pid()
        old = {house.pid(role) for role in ("intake", "judging", "front")}
        house.machine.must(f"kill -9 {before}")
        expect(_is_replaced(house, "", before), "no new parent")
        expect(house.wait_ready(), "it does not become ready")
        left = old & {int(one) for one in house.machine.run("pgrep -f slotwatch[.]process").output.split()}
        expect(not left, f"processes of the killed parent live on: {left}")


@promise("a receiving process that hangs is replaced")
def receiving_stands_still(house: RackHouse) -> None:
    with _hearing_again(house):
        before = house.pid("intake")
        house.machine.must(f"kill -STOP {before}")
        expect(_is_replaced(house, "intake", before), "it is not replaced")
        expect("made no progress" in house.journal(), "the journal does not say why")


@promise("a parent that hangs is ended by systemd's watchdog, and all is started again")
def parent_stands_still(house: RackHouse) -> None:
    with _hearing_again(house):
        before = house.pid()
        house.machine.must(f"kill -STOP {before}")
        expect(_is_replaced(house, "", before), "it is not replaced")
        expect(
            "watchdog" in house.machine.run("journalctl -b --no-pager -u slotwatch").output.lower(), "not by watchdog"
        )
        expect(house.wait_ready(), "it does not become ready")


@promise("a good house file is taken by a reload: no restart, no frame missed, the show is not accused")
def good_reload(house: RackHouse) -> None:
    with _hearing_again(house):
        before = house.pid(), house.pid("intake")
        house.take_house_file(HOUSE.replace("Rack test house", "Renamed house"))
        expect(until(lambda: (house.get("/api/v1/house") or {}).get("name") == "Renamed house", LONG_S), "not taken")
        expect((house.pid(), house.pid("intake")) == before, "processes were restarted")


@promise("a house file with a fault is refused: the running one stays, page and journal name the line")
def bad_reload(house: RackHouse) -> None:
    with _hearing_again(house):
        house.take_house_file(HOUSE.replace('phase = "show"', 'phase = "shwo"'))
        expect(until(lambda: (house.get("/api/v1/house") or {}).get("faults"), LONG_S), "the page does not say so")
        expect(house.get("/api/v1/house")["name"] == "Renamed house", "the running house did not stay")
        expect("shwo" in house.journal(), "the journal does not name it")
        house.take_house_file(HOUSE)
        expect(
            until(lambda: (house.get("/api/v1/house") or {}).get("name") == "Rack test house", LONG_S), "not repaired"
        )


PROCESSES: tuple[RackPromise, ...] = (
    receiving_is_killed,
    judging_is_killed,
    page_is_killed,
    parent_is_killed,
    receiving_stands_still,
    parent_stands_still,
    good_reload,
    bad_reload,
)
