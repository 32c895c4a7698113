"""What years bring: clocks that jump, disks that are full or read-only, memory that is short, power cuts."""

from __future__ import annotations

import random
from datetime import datetime

from tests.rack.house import LONG_S, RackHouse
from tests.rack.machine import until
from tests.rack.promises import RackPromise, accusing_nobody, expect, promise
from tests.rack.smoke import CHECK, HISTORY, cut_power_and_check

MOMENTS = random.Random(20260301)
STATE = "/var/lib/private/slotwatch"
STATE_MIB = 64
JOURNAL_LINES = 600
CLOCK = ("host-overrun", "out-of-order", "sequence-unusable")
"""What a clock that is set could be taken for, besides a loss. An emulated desk may stutter, so rates are left out."""
LONGEST_MS = 60_000
"""A gap between frames that is longer than this comes from the clock: it was set by an hour at least."""
OLD_CLOCK = "2006-03-01T19:00:00"
"""What a clock with a dead battery may show. systemd moves it on to the day of its own making, so it is set again."""
MONTH_S = 30 * 86_400


def _expect_no_gap(house: RackHouse) -> None:
    longest = max(one["interval_ms"]["max"] or 0.0 for one in house.get("/api/v1/universes"))
    expect(longest < LONGEST_MS, f"the step of the clock is taken for a gap of {longest:.0f} ms between frames")


@promise("the clock is set on by an hour, then back by two: no frame is called lost, and no mark is gone")
def clock_steps(house: RackHouse) -> None:
    expect(house.mark("before the steps"), "the mark is not stored")
    with accusing_nobody(house, *CLOCK):
        for step, text in (("+1 hour", "an hour on"), ("-2 hours", "two hours back")):
            house.machine.must(f"date -s '{step}'")
            expect(house.goes_on(), "no frames after the step")
            _expect_no_gap(house)
            expect(house.mark(text), "the mark is not stored")
        house.machine.must("date -s '+1 hour'")
        expect(house.goes_on(), "no frames after the last step")
        _expect_no_gap(house)
    marks = [text for text in house.marks() if text in ("before the steps", "an hour on", "two hours back")]
    expect(sorted(marks) == ["an hour on", "before the steps", "two hours back"], f"marks: {marks}")


@promise("booted with an old clock, started 20 years behind, then set right: no frame is called lost, times are right")
def dead_battery(house: RackHouse) -> None:
    now = house.machine.must("date +%s").strip()
    house.machine.cut_power()
    house.boot(OLD_CLOCK)
    expect(house.wait_ready() and house.wait_heard(), f"it does not hear with an old clock: {house.states()}")
    expect(int(house.machine.must("date +%s")) < int(now) - MONTH_S, "the machine's clock is not old")
    house.machine.must(f"date -s {OLD_CLOCK} && systemctl restart slotwatch")
    expect(house.wait_ready() and house.wait_heard(), f"it does not hear 20 years ago: {house.states()}")
    with accusing_nobody(house, *CLOCK):
        house.machine.must(f"date -s @{int(now) + 60}")
        expect(house.goes_on(), "no frames after the clock was set right")
        _expect_no_gap(house)
        expect(house.mark("the clock is right"), "the mark is not stored")
    expect(house.marks()[-1:] == ["the clock is right"], f"the last mark is another: {house.marks()[-3:]}")
    written = house.report()
    backward = [one for one in written["not_judged"] if one["to"] is not None and one["to"] < one["from"]]
    expect(not backward, f"intervals that end before they begin: {backward}")
    at = datetime.fromisoformat(house.get("/api/v1/house")["at"]).timestamp()
    expect(abs(at - int(now)) < 3600, "the page's time is not the clock's")


@promise("the disk is full: it hears, says that it stores nothing, and stores again once there is room")
def disk_is_full(house: RackHouse) -> None:
    # What root may fill beyond what others may is left alone: the service is not root.
    house.machine.must("fallocate -l $(df -B1 --output=avail / | tail -1) /full", 300)
    try:
        large = "x" * 400
        expect(until(lambda: not house.mark(large), LONG_S), "marks are still answered as stored")
        expect(house.goes_on(), "it does not hear any more")
        health = house.get("/api/v1/house")["listener"]["history"]
        expect(not health["ok"] and health["text"], f"the page does not say it: {health}")
    finally:
        house.machine.must("rm -f /full")
    expect(until(lambda: house.mark("room again"), LONG_S), "nothing is stored once there is room")
    expect(until(lambda: house.get("/api/v1/house")["listener"]["history"]["ok"], LONG_S), "the page still complains")


@promise("the disk turns read-only: it hears, says so, and stores again once it can")
def disk_is_read_only(house: RackHouse) -> None:
    house.machine.must("echo 1 > /proc/sys/kernel/sysrq; echo u > /proc/sysrq-trigger; sleep 3; ! touch /var/tmp/x")
    try:
        expect(until(lambda: not house.mark("while read-only"), LONG_S), "marks are still answered as stored")
        expect(house.goes_on(), "it does not hear any more")
        expect(not house.get("/api/v1/house")["listener"]["history"]["ok"], "the page does not say it")
    finally:
        house.machine.must("mount -o remount,rw /")
    expect(until(lambda: house.mark("writable again"), LONG_S), "nothing is stored once it can be written")
    expect(house.machine.must(CHECK).strip() == "ok", "the history is damaged")


@promise("it needs more memory than MemoryHigh allows: it is slowed, not ended, and goes on hearing")
def memory_is_short(house: RackHouse) -> None:
    restarts, used = house.restarts(), int(house.unit("MemoryCurrent")["MemoryCurrent"])
    house.machine.must(f"systemctl set-property --runtime slotwatch.service MemoryHigh={int(used * 0.9)}")
    try:
        expect(house.goes_on(200), "it does not hear any more")
        events = house.machine.must("cat /sys/fs/cgroup/system.slice/slotwatch.service/memory.events")
        reached = dict(line.split() for line in events.splitlines())
        expect(int(reached["high"]) > 0, "the limit was not reached")
        expect(house.restarts() == restarts, "it was ended")
    finally:
        house.machine.must("systemctl set-property --runtime slotwatch.service MemoryHigh=600M")


@promise("after all of that its state and its part of the journal are small")
def sizes_are_bounded(house: RackHouse) -> None:
    state = int(house.machine.must(f"du -sm --exclude=packets {STATE}").split()[0])
    lines = int(house.machine.must("journalctl -b -u slotwatch --no-pager -o cat | wc -l"))
    expect(state <= STATE_MIB, f"the state takes {state} MiB")
    expect(lines <= JOURNAL_LINES, f"the journal has {lines} lines of this boot")
    expect(house.machine.run(f"ls {HISTORY}.damaged*").status != 0, "a history was set aside as damaged")


def power_cut(number: int) -> RackPromise:
    """A power cut at a moment that is chosen by a fixed seed."""
    after_s = MOMENTS.uniform(0.2, 12.0)

    @promise(f"power cut {number}, {after_s:.1f} s after marks began to be made: the same as the first")
    def trial(house: RackHouse) -> None:
        cut_power_and_check(house, after_s)

    return trial


WEAR: tuple[RackPromise, ...] = (
    clock_steps,
    disk_is_full,
    disk_is_read_only,
    memory_is_short,
    sizes_are_bounded,
    dead_battery,
)
