"""The short part: installed, started, hears, power cut, back."""

from __future__ import annotations

import json

from tests.rack.house import LONG_S, RackHouse
from tests.rack.machine import until
from tests.rack.promises import RackPromise, expect, promise

MARKED_S = 8.0
HISTORY = "/var/lib/slotwatch/slotwatch.db"
CHECK = f"""python3 -c "
import sqlite3
db = sqlite3.connect('file:{HISTORY}?mode=ro', uri=True)
print(db.execute('PRAGMA integrity_check').fetchone()[0])" """


@promise("installed without a network, it is started at each boot, sandboxed, as a user of its own")
def is_installed(house: RackHouse) -> None:
    expect(house.machine.run("systemctl is-enabled slotwatch").output.strip() == "enabled", "the unit is not enabled")
    unit = house.unit("LoadState", "DynamicUser", "UnitFileState", "NoNewPrivileges")
    expect(unit["DynamicUser"] == "yes" and unit["NoNewPrivileges"] == "yes", str(unit))
    parts = house.machine.must(
        "slotwatch --help; ls /usr/share/man/man1/slotwatch-serve.1.gz; sysctl net.core.rmem_max"
    )
    expect("serve" in parts and "67108864" in parts, parts)


@promise("booted before the show network is up, it says which interface is missing and tries again by itself")
def waits_for_network(house: RackHouse) -> None:
    if house.machine.run("ip link show show0").status == 0:
        house.machine.cut_power()
        house.machine.boot()
    expect(until(lambda: "show0" in house.journal(), LONG_S), f"show0 is not mentioned:\n{house.journal()}")
    expect(house.unit("ActiveState")["ActiveState"] != "active", "it is active without its interface")
    expect(not house.ready(), "it calls itself ready without its interface")


@promise("it becomes ready by itself once the interface is there, and not before it listens to every declared group")
def becomes_ready(house: RackHouse) -> None:
    house.lay_cable()
    house.start_desk()
    expect(until(lambda: house.unit("ActiveState")["ActiveState"] == "active", LONG_S), "it does not become active")
    expect(house.ready(), "systemd calls it started, and it does not call itself ready")
    groups = house.machine.must("ip -4 maddress show dev show0")
    expect(all(f"239.255.0.{number}" in groups for number in range(1, 5)), f"groups that it joined:\n{groups}")


@promise("it hears a desk's packets by multicast over a cable: four universes, its name, no frame lost")
def hears(house: RackHouse) -> None:
    expect(house.wait_heard(), f"states: {house.states()}")
    expect(house.goes_on(200), f"frames stay at {house.frames()}")
    sources = house.get("/api/v1/sources")
    expect([one["source_name"] for one in sources] == ["rack desk"], str(sources))
    expect(
        sources[0]["lost_frames"] == 0, f"frames counted lost on a cable that loses none: {sources[0]['lost_frames']}"
    )


@promise("a power cut: what was answered is there, the history is whole, it is back and says when it was away")
def survives_power_cut(house: RackHouse) -> None:
    cut_power_and_check(house, MARKED_S)


def _not_judged(house: RackHouse) -> str:
    """What the page says of times without a listener. What was before is known a moment after it is ready."""
    return json.dumps((house.get("/api/v1/house") or {}).get("listener", {}).get("not_judged"))


def cut_power_and_check(house: RackHouse, after_s: float) -> None:
    """Cut the power so long after marks began to be made, boot, and look for what was answered."""
    machine = house.machine
    machine.keep_marking(f"before the cut after {after_s:.2f} s,")
    machine.listen(after_s)
    expect(machine.listen_until(lambda: bool(machine.answered), LONG_S), "no mark was answered")
    machine.cut_power()
    house.boot()
    expect(house.wait_ready(), "it does not come back")
    expect(machine.must(CHECK).strip() == "ok", "the history is damaged")
    kept = {one["text"] for one in house.get("/api/v1/marks?since=2001-01-01")}
    missing = [text for text in machine.answered if text not in kept]
    expect(not missing, f"{len(missing)} of {len(machine.answered)} answered marks are gone: {missing[:5]}")
    expect(until(lambda: "ended-unexpectedly" in _not_judged(house), LONG_S), f"time away: {_not_judged(house)}")
    expect(house.wait_heard(), f"it hears nothing after the cut: {house.states()}")


SMOKE: tuple[RackPromise, ...] = (is_installed, waits_for_network, becomes_ready, hears, survives_power_cut)
