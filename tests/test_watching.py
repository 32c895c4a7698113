"""What the parent does about processes that hang: the watchdog is not fed, and the stuck one is ended."""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from slotwatch.edge.shared.child import Child
from slotwatch.edge.shared.watchdog import STUCK_S, Watchdog
from tests.patience import PATIENCE_S

SECOND_NS = 1_000_000_000


@dataclass
class Standing:
    """A child that only counts its kills."""

    since_s: float = 1000.0
    """Since it was ready, or as `Child.ready_s` counts for one that is being started."""
    ready: bool = True
    spoke_ns: int = 100 * SECOND_NS
    kills: int = 0

    def ready_s(self, now_ns: int) -> float:
        return self.since_s

    def kill(self) -> None:
        self.kills += 1


@dataclass
class Fed:
    watchdog_s: float | None = 30.0
    is_managed: bool = True
    fed: int = 0

    def watchdog(self) -> None:
        self.fed += 1


@dataclass
class Turned:
    ages_s: dict[str, float]
    now_ns: int = 100 * SECOND_NS

    def turned_ns(self) -> dict[str, int]:
        return {role: self.now_ns - int(age_s * SECOND_NS) for role, age_s in self.ages_s.items()}


@dataclass
class Bench:
    turned: Turned = field(default_factory=lambda: Turned({}))
    fed: Fed = field(default_factory=Fed)
    lines: list[str] = field(default_factory=list)
    """What was written to the journal."""
    children: dict[str, Standing] = field(default_factory=lambda: {role: Standing() for role in ("intake", "judging")})
    watchdog: Watchdog = field(init=False)

    def __post_init__(self) -> None:
        self.watchdog = Watchdog(self.turned, self.fed, self.lines.append)

    def watch(self, intake_s: float, judging_s: float, now_s: float = 100.0) -> tuple[int, dict[str, int]]:
        """Watch once with these ages of the last turns; feedings and kills so far."""
        self.turned.ages_s, self.turned.now_ns = {"intake": intake_s, "judging": judging_s}, int(now_s * SECOND_NS)
        self.watchdog.watch(self.children, self.turned.now_ns)
        return self.fed.fed, {role: child.kills for role, child in self.children.items()}


@pytest.fixture
def bench() -> Bench:
    return Bench()


def test_while_both_get_on_the_watchdog_is_fed_four_times_in_its_period(bench: Bench) -> None:
    assert bench.watch(0.1, 0.2, 100.0)[0] == 1
    assert bench.watch(0.1, 0.2, 107.0)[0] == 1
    assert bench.watch(0.1, 0.2, 108.0)[0] == 2


@pytest.mark.parametrize(("intake_s", "judging_s"), [(5.5, 0.1), (0.1, 10.5)])
def test_if_either_hangs_the_watchdog_gets_no_ping_and_that_process_is_ended(
    bench: Bench, intake_s: float, judging_s: float
) -> None:
    fed, kills = bench.watch(intake_s, judging_s)
    assert fed == 0
    assert kills == {"intake": int(intake_s > 5), "judging": int(judging_s > 10)}
    stuck, silent_s = ("intake", intake_s) if intake_s > 5 else ("judging", judging_s)
    assert bench.lines == [f"{stuck} has made no progress for {silent_s:.0f} s, so it is ended"]


@pytest.mark.parametrize("role", ["front", "routes"])
def test_a_page_or_routes_that_say_nothing_are_ended_and_the_watchdog_is_fed(bench: Bench, role: str) -> None:
    child = bench.children[role] = Standing()
    child.spoke_ns = 88 * SECOND_NS
    assert bench.watch(0.1, 0.1) == (1, {"intake": 0, "judging": 0, role: 0}), "12 s are not over"
    child.spoke_ns -= 1
    assert bench.watch(0.1, 0.1) == (1, {"intake": 0, "judging": 0, role: 1})


def test_just_under_the_limit_nothing_is_done(bench: Bench) -> None:
    assert bench.watch(4.9, 9.9) == (1, {"intake": 0, "judging": 0})


def test_one_that_is_just_ready_is_given_its_time(bench: Bench) -> None:
    for child in bench.children.values():
        child.since_s = 1.0
    assert bench.watch(50.0, 50.0) == (0, {"intake": 0, "judging": 0})


def test_one_that_is_slow_to_start_is_not_ended_and_the_watchdog_waits_for_it(bench: Bench) -> None:
    """A slow computer takes longer to start a process than one that was ready may hang."""
    for child in bench.children.values():
        child.ready, child.since_s = False, -20.0
    assert bench.watch(40.0, 40.0) == (1, {"intake": 0, "judging": 0})


def test_one_that_has_ended_is_not_ended_again_before_it_is_started(bench: Bench) -> None:
    """Its last turn is as old as it was: each of the parent's turns wrote another line until it ran again."""
    child = bench.children["intake"] = Child("intake")
    child.ready_ns = SECOND_NS
    child.ended(100 * SECOND_NS)
    bench.turned.ages_s = {"intake": 5.5, "judging": 0.1}
    bench.watchdog.watch({"intake": child, "judging": Standing()}, bench.turned.now_ns)
    assert (bench.lines, bench.fed.fed) == ([], 1)


def test_one_that_never_becomes_ready_is_ended_and_the_watchdog_goes_hungry(bench: Bench) -> None:
    for child in bench.children.values():
        child.ready, child.since_s = False, 11.0
    assert bench.watch(71.0, 71.0) == (0, {"intake": 1, "judging": 1})


def test_processes_that_end_again_and_again_while_they_start_leave_the_watchdog_hungry(bench: Bench) -> None:
    for child in bench.children.values():
        child.ready, child.since_s = False, -59.0
    assert bench.watch(61.0, 61.0) == (0, {"intake": 0, "judging": 0})


def test_what_stood_still_with_the_parent_has_its_time_again(bench: Bench) -> None:
    """The whole computer was held for 20 s, as a virtual one is: only what still hangs after that is ended."""
    bench.watch(0.1, 0.1, 100.0)
    assert bench.watch(20.1, 20.1, 120.0)[1] == {"intake": 0, "judging": 0}
    for tenths in range(1201, 1250, 2):
        assert bench.watch(tenths / 10 - 99.9, 0.1, tenths / 10)[1] == {"intake": 0, "judging": 0}
    assert bench.watch(25.2, 0.1, 125.1)[1] == {"intake": 1, "judging": 0}
    assert bench.lines == ["intake has made no progress for 5 s, so it is ended"]


def test_without_a_manager_that_asks_nothing_is_fed(bench: Bench) -> None:
    bench.fed.watchdog_s = None
    assert bench.watch(0.1, 0.1)[0] == 0


def test_a_stuck_process_has_less_time_than_the_unit_gives_the_whole(bench: Bench) -> None:
    """The unit's WatchdogSec is 30 s: a stuck child is replaced before systemd ends everything."""
    assert max(STUCK_S.values()) < 30 / 2


@pytest.mark.parametrize("is_managed", [True, False])
def test_a_late_start_ends_it_unless_a_service_manager_has_a_limit_of_its_own(bench: Bench, is_managed: bool) -> None:
    """systemd's TimeoutStartSec can be changed by whoever has a slow computer."""
    bench.fed.is_managed = is_managed
    bench.children["intake"].ready = False
    failures = [bench.watchdog.late(bench.children) for _ in range(2)]
    sentence = "not ready within 120 s (waiting for intake)"
    assert failures == ([None, None] if is_managed else [sentence, sentence])
    assert bench.lines == ([sentence] if is_managed else [])


def test_a_daemon_that_is_not_ready_in_time_ends_with_that_sentence(tmp_path: Path) -> None:
    code = """
import sys
from slotwatch import app
from slotwatch.edge.shared import watchdog
from slotwatch.errors import CouldNotStart
app.READY_WITHIN_S = watchdog.READY_WITHIN_S = 0.0
try:
    app.App(sys.argv[1], 4096).run()
except CouldNotStart as error:
    print(*error.lines, sep="\\n")
"""
    environment = {name: value for name, value in os.environ.items() if name != "NOTIFY_SOCKET"}
    house = tmp_path / "house.toml"  # one that can be used: a fault in it could be found before the first look
    house.write_text('[house]\nname = "Slow start"\n[listen]\ninterfaces = ["lo"]\n')
    words = [sys.executable, "-c", code, str(house)]
    ended = subprocess.run(words, capture_output=True, text=True, check=True, env=environment, timeout=PATIENCE_S)
    assert ended.stdout.startswith("not ready within 0 s (waiting for ")
