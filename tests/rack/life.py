"""The package over its life: upgraded from the one before, removed, purged, on the running machine."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from pathlib import Path

from tests.rack.house import LONG_S, RackHouse
from tests.rack.machine import until
from tests.rack.promises import RackPromise, expect, promise
from tests.rack.smoke import CHECK, HISTORY
from tests.rack.tree import HOUSE, KEPT, ROOT, run

PREVIOUS_COMMIT = "55dd0cd"
"""The first that could build a package. Its version is made lower, as a release before this one."""
PREVIOUS_VERSION = "0.0.9-1~deb12"
LAYOUT = f"""python3 -c "
import sqlite3
print(sqlite3.connect('file:{HISTORY}?mode=ro', uri=True).execute('PRAGMA user_version').fetchone()[0])" """


def previous_package() -> Path:
    """Build the package of an earlier commit, once."""
    place = KEPT / f"previous-{PREVIOUS_COMMIT}.deb"
    if place.exists():
        return place
    KEPT.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=KEPT) as temporary:
        source, laid = Path(temporary) / "source", Path(temporary) / "laid"
        source.mkdir()
        run("sh", "-c", f"git -C '{ROOT}' archive {PREVIOUS_COMMIT} | tar --extract --directory '{source}'")
        environment = {**os.environ, "PYTHONPATH": f"{source}:{source / 'daemon'}"}
        subprocess.run(
            [sys.executable, "-m", "deb.build", "--release", "12", "--directory", temporary],
            cwd=source, env=environment, check=True, stdout=subprocess.DEVNULL,
        )  # fmt: skip
        run("dpkg-deb", "--raw-extract", next(Path(temporary).glob("slotwatch_*.deb")), laid)
        control = laid / "DEBIAN" / "control"
        lines = control.read_text().splitlines()
        lines = [f"Version: {PREVIOUS_VERSION}" if line.startswith("Version:") else line for line in lines]
        control.write_text("\n".join(lines) + "\n")
        run("dpkg-deb", "--root-owner-group", "-Zgzip", "--build", laid, place)
    return place


@promise("upgraded from the previous package while it runs: house file, marks and incidents are there, and it hears")
def is_upgraded(house: RackHouse) -> None:
    machine = house.machine
    house.lay_cable()
    house.start_desk()
    expect(house.wait_ready() and house.wait_heard(), f"the previous package does not hear: {house.journal()}")
    machine.must("systemctl stop desk")
    expect(house.wait_rule("universe-lost"), "the previous package sees no loss")
    house.start_desk()
    house.wait_heard()
    before = house.incidents("all")
    expect(machine.ask("/api/v1/marks", "POST", {"text": "of the previous package"}).status == 201, "no mark")
    layout = machine.must(LAYOUT).strip()
    machine.must("dpkg --install --force-confold /rack/current.deb", 900)
    expect(house.wait_ready() and house.wait_heard(), f"it does not hear after the upgrade: {house.journal()}")
    expect(machine.must("cat /etc/slotwatch/house.toml") == HOUSE, "the house file was changed")
    expect("of the previous package" in house.marks(), f"marks: {house.marks()}")
    after = {(one["id"], one["rule"]) for one in house.incidents("all")}
    lost = [one["id"] for one in before if (one["id"], one["rule"]) not in after]
    expect(not lost, f"incidents that are gone: {lost}")
    expect(machine.must(CHECK).strip() == "ok", "the history is damaged")
    expect(machine.must(LAYOUT).strip() >= layout, "the history has an older layout than before")
    installed = machine.must("dpkg-query -W -f '${Version}' slotwatch")
    expect(installed != PREVIOUS_VERSION, "it is still the previous one")


@promise("removed: it is stopped, no process and no port is left, house file and history stay")
def is_removed(house: RackHouse) -> None:
    machine = house.machine
    machine.must("dpkg --remove slotwatch", 600)
    expect(until(lambda: machine.run("pgrep -f slotwatch[.]process").status != 0, LONG_S), "processes are left")
    expect(":5568" not in machine.must("ss -Hlun") and ":8580" not in machine.must("ss -Hltn"), "a port is held")
    machine.must(f"test -s /etc/slotwatch/house.toml && test -s {HISTORY}")
    expect(machine.run("test -e /usr/lib/slotwatch").status != 0, machine.run("find /usr/lib/slotwatch | head").output)


@promise("purged: nothing of it is left on the disk")
def is_purged(house: RackHouse) -> None:
    machine = house.machine
    machine.must("dpkg --purge slotwatch", 600)
    left = machine.must(
        "find / -xdev -iname '*slotwatch*' -not -path '/proc/*' -not -path '/sys/*' -not -path '*/slotwatch.service.d*'"
    ).split()
    known = [one for one in left if not one.startswith(("/run/", "/var/log/"))]
    expect(not known, f"left: {known}")


LAST: tuple[RackPromise, ...] = (is_removed, is_purged)
