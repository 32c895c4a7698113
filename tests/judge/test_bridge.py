"""Routes that loop, and lines beside their universes: just under, just over, recovers, no data."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from random import Random

import numpy as np
import pytest

from slotwatch.house.schema import DeclaredUniverse, House, Limits, Line, Network, Phase, Route
from slotwatch.judge.catalog import RULES
from slotwatch.judge.judge import Judge
from slotwatch.judge.rule import Rule
from slotwatch.model.model import Model
from slotwatch.snapshot import Incident, Severity, UniverseState
from slotwatch.wire.batch import empty
from slotwatch.wire.decode import decode
from slotwatch.wire.observation import LineSeen, RouteSeen, RoutesSeen
from slotwatch.wire.universe import Protocol, UniverseId
from tests.judge.stage import START_NS, WALL_OFFSET_NS, S, e131

E131 = UniverseId(Protocol.E131, 1)
HOUSE = House(
    networks=(Network("A", "eth1"),),
    universes=(DeclaredUniverse(E131, limits=Limits()),),
    lines=(Line("rack-feed", 1, "/dev/ttyUSB0", compare_with=E131),),
)
Look = Callable[[float], bytes]


class Tap:
    """A universe at 40 Hz and a line at 30 Hz, each as a function of time."""

    def __init__(self, house: House = HOUSE, rules: Sequence[Rule] = RULES) -> None:
        self.model, self.judge = Model(house, START_NS), Judge(house, START_NS, WALL_OFFSET_NS, Phase.SHOW, rules)
        self.t = 0.0
        self.sequence = 0
        self.faults, self.breaks = 0, 0
        self.rival: Look | None = None
        """What another sender puts into the universe, at the same priority."""
        self.line_number = 1

    def run(self, seconds: float, universe: Look | None, line: Look | None) -> None:
        end = self.t + seconds
        while self.t < end:
            if universe is not None and round(self.t * 1000) % 25 == 0:
                self._put(e131(1, self.sequence, universe(self.t), cid=b"m" * 16), Protocol.E131)
                if self.rival is not None:
                    self._put(e131(1, self.sequence, self.rival(self.t), cid=b"r" * 16), Protocol.E131)
                self.sequence += 1
            if line is not None and round(self.t * 1000) % 33 == 0:
                self._put(b"\0" + line(self.t), Protocol.LINE)
            if round(self.t * 1000) % 50 == 0:
                self.model.advance(self.now_ns)
                self.judge.tick(self.now_ns, self.model)
            self.t += 0.001

    @property
    def now_ns(self) -> int:
        return START_NS + round(self.t * 1000) * S // 1000

    def rules(self) -> list[Incident]:
        found = self.judge.incidents(self.now_ns)
        return [i for i in found if i.closed_ns is None and i.rule in ("line-differs", "line-faulty", "route-loop")]

    def _put(self, payload: bytes, protocol: Protocol) -> None:
        one = empty(1)
        one.data[0, : len(payload)] = np.frombuffer(payload, np.uint8)
        one.length[0], one.t_ns[0], one.protocol[0] = len(payload), self.now_ns, protocol
        one.src_port[0] = self.line_number if protocol is Protocol.LINE else 5568
        if protocol is not Protocol.LINE:
            one.src[0, 10:] = (255, 255, 10, 0, 0, 1)
        self.model.ingest(one, decode(one))


def fade(t: float) -> bytes:
    return bytes([int(t * 40) % 200]) * 512


def behind(seconds: float) -> Look:
    return lambda t: fade(max(0.0, t - seconds))


def held(t: float) -> bytes:
    return bytes([100]) * 512


def test_a_gateway_some_frames_behind_is_right() -> None:
    tap = Tap()
    tap.run(8, fade, behind(0.15))
    assert tap.rules() == []
    assert not tap.judge.is_settled, "what the universe showed is remembered pass by pass, so passes come closely"


def test_a_gateway_two_frames_behind_is_right_in_an_effect_that_steps_at_each_frame() -> None:
    """Levels that run over from 255 to 0 are seen 20 times a second, and a line shows what lay between."""

    def runs(t: float) -> bytes:
        return bytes((int(t * 40) * 7 + slot) % 256 for slot in range(512))

    tap = Tap()
    tap.run(8, runs, lambda t: runs(max(0.0, t - 0.06)))
    assert tap.rules() == []
    tap.run(5, runs, lambda t: bytes([251]) * 512)
    assert [one.cause for one in tap.rules()] == ["different"], "a line that stands differs also from what moves"


def test_a_late_line_is_reported_with_its_lateness() -> None:
    tap = Tap()
    tap.run(8, fade, behind(1.5))
    (incident,) = tap.rules()
    assert (incident.rule, incident.cause) == ("line-differs", "late")
    assert "1.5 s behind" in incident.summary or "1.4 s behind" in incident.summary


def test_a_different_line_names_a_slot_on_both_sides() -> None:
    tap = Tap()
    tap.run(5, held, lambda t: bytes([100] * 6 + [180] + [100] * 505))
    (incident,) = tap.rules()
    assert incident.cause == "different"
    assert "Slot 7 is at 180 on the line and at 100 in the universe" in incident.evidence[0]
    assert "The network is right, the line is not" in incident.summary


def test_where_two_sources_fight_over_the_universe_the_network_is_not_said_to_be_right() -> None:
    """ANSI E1.31-2018 6.2.3 leaves it to each receiver how it treats sources of equal priority."""
    tap = Tap()
    tap.rival = lambda t: bytes([40]) * 256 + bytes([180]) * 256
    tap.run(5, held, held)
    (incident,) = tap.rules()
    assert "send e131/1 differently: the gateway may merge them in another way" in incident.summary
    assert "network is right" not in incident.summary and incident.still_working == ()


def test_where_two_sources_send_alike_the_line_alone_is_wrong() -> None:
    tap = Tap()
    tap.rival = held
    tap.run(5, held, lambda t: bytes([180]) * 512)
    (incident,) = tap.rules()
    assert "The network is right, the line is not." in incident.summary
    assert incident.still_working == ("e131/1 reaches this port complete",)


def test_a_line_that_differed_says_nothing_of_routes_once_its_universe_is_lost() -> None:
    """The loss says it."""
    route = Route("copy", E131, target=UniverseId(Protocol.E131, 112))
    tap = Tap(replace(HOUSE, routes=(route,)))
    tap.run(5, held, lambda t: bytes([180]) * 512)
    tap.run(4, None, lambda t: bytes([180]) * 512)
    evidence = {one.rule: " ".join(one.evidence) for one in tap.judge.incidents(tap.now_ns)}
    assert 'Route "copy"' in evidence["universe-lost"] and "Route" not in evidence["line-differs"]


def test_steps_that_no_eye_sees_are_no_difference() -> None:
    tap = Tap()
    tap.run(5, held, lambda t: bytes([103]) * 512)
    assert tap.rules() == []
    tap.run(5, held, lambda t: bytes([104]) * 512)
    assert [i.rule for i in tap.rules()] == ["line-differs"]


def effect(t: float) -> bytes:
    """A fade up and down in two thirds of a second, in half of the slots."""
    return bytes([int(abs((t * 1.5) % 2 - 1) * 250)] * 256 + [60] * 256)


def test_a_line_that_stands_still_in_the_range_of_an_effect_is_reported() -> None:
    """A gateway whose output hangs repeats its last frame; an effect passes through those levels again and again."""
    tap = Tap()
    tap.run(8, effect, lambda t: effect(max(0.0, t - 0.1)))
    assert tap.rules() == []
    frozen = effect(8.1)
    tap.run(10, effect, lambda t: frozen)
    (incident,) = tap.rules()
    assert (incident.rule, incident.cause) == ("line-differs", "still")
    assert "line/rack-feed does not carry the levels of e131/1: it stands still while they move." in incident.summary
    assert incident.summary.endswith("The network is right; the line is not, unless its gateway merges another source.")
    assert incident.evidence[0].startswith(
        "No slot of the line has changed since 08:16:48, while slots of e131/1 moved."
    )
    assert incident.also_possible == ("the gateway merges another source that is not visible from this port",)
    tap.run(12, effect, lambda t: effect(max(0.0, t - 0.1)))
    assert tap.rules() == []


@pytest.mark.parametrize("behind_s", [0.1, 0.5])
def test_a_line_that_is_behind_or_rests_with_its_universe_does_not_stand_still(behind_s: float) -> None:
    """Rests of seconds between moves of a second, and flashes of one frame that a slower line leaves out."""

    def cues(t: float) -> bytes:
        return effect(t) if t % 6 < 1 else effect(0.9)

    def flashes(t: float) -> bytes:
        return bytes([255 if round(t * 1000) % 1000 == 0 else 40]) * 512

    tap = Tap()
    tap.run(24, cues, lambda t: cues(max(0.0, t - behind_s)))
    assert tap.rules() == []
    tap.run(40, flashes, lambda t: bytes([40]) * 512)
    assert tap.rules() == []


def test_a_short_line_is_reported() -> None:
    tap = Tap()
    tap.run(5, held, lambda t: bytes([100]) * 300)
    (incident,) = tap.rules()
    assert (incident.cause, "300 slots" in incident.summary) == ("short", True)


def test_a_short_line_is_right_where_nothing_is_above_it() -> None:
    tap = Tap()
    tap.run(5, lambda t: bytes([100] * 300 + [0] * 212), lambda t: bytes([100]) * 300)
    assert tap.rules() == []


def test_it_recovers_after_its_off_delay() -> None:
    tap = Tap()
    tap.run(5, held, lambda t: bytes([9]) * 512)
    assert tap.rules()
    tap.run(11, held, held)
    assert tap.rules() == []


def test_a_difference_is_not_over_while_its_universe_is_lost() -> None:
    """What cannot be compared is not known to be right: common practice, no source."""
    tap, other = Tap(), bytes([180]) * 512
    tap.run(5, held, lambda t: other)
    (before,) = tap.rules()
    tap.run(20, None, lambda t: other)
    (incident,) = tap.rules()
    assert (incident.id, incident.returned_ns, incident.still_working) == (before.id, None, ())
    assert incident.summary == (
        "line/rack-feed does not carry the levels of e131/1: 512 slots differ. "
        "Since 08:16:44 it is not known whether this lasts: e131/1 is not heard."
    )
    tap.run(3, held, lambda t: other)
    (incident,) = tap.rules()
    assert incident.summary.endswith("The network is right, the line is not.")
    tap.run(12, held, held)
    assert tap.rules() == []


def test_a_difference_is_not_over_while_its_line_is_dark() -> None:
    tap = Tap()
    tap.run(5, held, lambda t: bytes([180]) * 512)
    tap.run(20, held, None)
    (incident,) = tap.rules()
    assert incident.summary.endswith(
        "Since 08:16:44 it is not known whether this lasts: no levels are heard on the line."
    )
    assert incident.still_working == ()


def test_a_difference_that_did_not_last_before_its_universe_was_lost_is_none() -> None:
    tap = Tap()
    tap.run(5, held, held)
    tap.run(1, None, held)
    tap.run(20, None, lambda t: bytes(512))
    assert tap.rules() == [], "a gateway that blacks out when its universe stops"


def test_a_line_that_never_brought_levels_is_not_right_while_its_universe_is_lost_or_its_port_is_away() -> None:
    tap = Tap()
    tap.judge.observe(LineSeen(tap.now_ns, 1, True))
    tap.run(13, held, None)
    tap.run(20, None, None)
    (incident,) = tap.rules()
    assert incident.cause == "silent"
    assert incident.summary.endswith("Since 08:16:53 it is not known whether this lasts: e131/1 is not heard.")
    tap.run(5, held, None)
    (incident,) = tap.rules()
    assert incident.summary.endswith("The network is right, the line or the adapter here is not.")
    tap.judge.observe(LineSeen(tap.now_ns, 1, False, "/dev/ttyUSB0 is not there"))
    tap.run(20, held, None)
    (incident,) = tap.rules()
    assert incident.summary.endswith("It is not known whether this lasts: its port cannot be read.")
    assert [one.partition(" since")[0] for one in incident.evidence] == ["No frame of levels came"]


def test_what_comes_on_a_line_is_not_said_once_its_port_is_gone() -> None:
    """Nothing is known of what drives a line that cannot be read."""
    tap = Tap()
    unframed(tap, 13, held)
    tap.judge.observe(LineSeen(tap.now_ns, 1, False, "/dev/ttyUSB0 is not there", faults=22_000 * 13))
    tap.run(2, held, None)
    (incident,) = (one for one in tap.rules() if one.rule == "line-differs")
    assert not [one for one in (*incident.evidence, incident.summary) if "ytes come" in one]
    assert not incident.next_checks[0].startswith("Look at what drives this pair")


def test_a_lost_line_whose_port_is_gone_keeps_what_was_known_and_says_what_is_not() -> None:
    tap = Tap()
    tap.run(8, held, held)
    unframed(tap, 40, held)
    lost = next(one for one in tap.judge.incidents(tap.now_ns) if one.rule == "universe-lost")
    assert "bytes come on it without the breaks" in lost.summary
    tap.judge.observe(LineSeen(tap.now_ns, 1, False, "/dev/ttyUSB0 is not there", faults=22_000 * 40))
    tap.run(2, held, None)
    lost = next(one for one in tap.judge.incidents(tap.now_ns) if one.rule == "universe-lost")
    # The stage begins at 08:16:40; the port went 48 s later.
    assert lost.summary.startswith(
        "Universe line/rack-feed lost since 08:16:47. No frame of levels came on it any more. "
        "Since 08:17:28 its port cannot be read, so it is not known whether this lasts."
    )
    assert lost.evidence[1] == "Bytes came on it without the breaks that begin frames."
    assert lost.next_checks[0] == "Look at the adapter's plug."
    tap.judge.observe(LineSeen(tap.now_ns, 1, True, faults=22_000 * 40))
    tap.run(2, held, None)
    lost = next(one for one in tap.judge.incidents(tap.now_ns) if one.rule == "universe-lost")
    assert "comes on it any more" in lost.summary and "cannot be read" not in lost.summary


def test_a_line_that_differs_makes_no_universe_of_the_network_faulty() -> None:
    """Its incident says that the network is right."""
    tap = Tap()
    tap.judge.observe(LineSeen(tap.now_ns, 1, True))
    counted(tap, 8, lambda t: bytes([180]) * 512, breaks=30, faults=50)
    (incident,) = tap.rules()
    assert incident.rule == "line-differs" and incident.summary.endswith("The network is right, the line is not.")
    universe, line = tap.judge.universe_states(tap.model, tap.now_ns).tolist()
    assert (universe, line) == (UniverseState.AT_REST, UniverseState.FAULTY)


def test_no_data_on_either_side_is_no_difference() -> None:
    tap = Tap()
    tap.run(5, held, None)
    tap.run(5, None, held)
    assert tap.rules() == []


def test_a_line_that_never_brings_levels_while_its_universe_comes_is_reported() -> None:
    """E1.11 7.1: frames come all the time. 10 s for the first one: common practice, no source."""
    tap = Tap()
    tap.judge.observe(LineSeen(tap.now_ns, 1, True))
    tap.run(11.9, held, None)
    assert tap.rules() == []
    tap.run(0.3, held, None)
    (incident,) = tap.rules()
    assert (incident.cause, incident.severity) == ("silent", Severity.CRITICAL)
    assert incident.summary == (
        "line/rack-feed does not carry the levels of e131/1: no frame of levels has come on it yet. "
        "The network is right, the line or the adapter here is not."
    )
    assert incident.evidence[1].startswith("No break came either")
    tap.run(11, held, held)
    assert tap.rules() == []


def test_breaks_without_levels_are_evidence_of_something_that_drives_the_line() -> None:
    tap = Tap()
    tap.judge.observe(LineSeen(tap.now_ns, 1, True, breaks=400))
    tap.run(13, held, None)
    (incident,) = tap.rules()
    assert incident.evidence[1].startswith("Breaks are counted on it")


def test_a_line_is_not_missed_where_its_port_is_not_open_or_its_universe_does_not_come() -> None:
    tap = Tap()
    tap.run(14, held, None)
    assert tap.rules() == [], "nothing is known of its port"
    tap.judge.observe(LineSeen(tap.now_ns, 1, False, "/dev/ttyUSB0 is not there"))
    tap.run(14, held, None)
    tap.judge.observe(LineSeen(tap.now_ns, 1, True))
    tap.run(9.9, held, None)
    tap.run(14, None, None)
    assert tap.rules() == []


def test_framing_faults_just_under_and_just_over() -> None:
    tap = Tap()
    tap.judge.observe(LineSeen(tap.now_ns, 1, True, faults=0, breaks=0))
    tap.run(2, held, held)
    tap.judge.observe(LineSeen(tap.now_ns, 1, True, faults=10, breaks=60))
    tap.run(2, held, held)
    assert tap.rules() == []
    tap.judge.observe(LineSeen(tap.now_ns, 1, True, faults=11, breaks=90))
    tap.run(2, held, held)
    assert [i.rule for i in tap.rules()] == ["line-faulty"]


def every_incident_of(tap: Tap) -> Incident:
    """The only incident that there ever was."""
    (incident,) = tap.judge.incidents(tap.now_ns)
    return incident


def counted(tap: Tap, seconds: int, line: Look | None, breaks: int = 0, faults: int = 0) -> None:
    """A line as its port counts it: breaks and faults a second."""
    for _ in range(seconds):
        tap.judge.observe(LineSeen(tap.now_ns, 1, True, faults=tap.faults, breaks=tap.breaks))
        tap.run(1, held, line)
        tap.faults, tap.breaks = tap.faults + faults, tap.breaks + breaks


def unframed(tap: Tap, seconds: int, universe: Look | None = None, first: int = 0) -> None:
    """A line that brings 22,000 bytes a second and no break: a 250 kbit/s line has 11 bits a byte (E1.11)."""
    for second in range(first, first + seconds):
        tap.judge.observe(LineSeen(tap.now_ns, 1, True, faults=22_000 * second))
        tap.run(1, universe, None)


def test_bytes_without_breaks_are_reported() -> None:
    """E1.11: a break begins each packet, and at most 1 s (transmitted) is between two of them."""
    tap = Tap(replace(HOUSE, lines=(Line("rack-feed", 1, "/dev/ttyUSB0"),)))
    unframed(tap, 4)
    (incident,) = tap.rules()
    assert (incident.rule, incident.cause) == ("line-faulty", "no-breaks")
    assert incident.summary == "line/rack-feed brought bytes and no break in 10 s."
    assert incident.next_checks[0].startswith("Look at what drives this pair")
    assert "the adapter here does not show breaks" in incident.also_possible


@pytest.mark.parametrize(("misframed", "cause"), [(7_999, ""), (8_000, "unreadable")])
@pytest.mark.parametrize("breaks", [0, 300])
def test_a_line_of_which_few_bytes_are_whole_is_unreadable(misframed: int, cause: str, breaks: int) -> None:
    """E1.11: 250,000 bits a second, two stop bits. At another rate, or with the two wires exchanged, stop bits are
    not where the receiver looks for them; a bad lead spoils some bytes (both common practice, no source)."""
    tap = Tap(replace(HOUSE, lines=(Line("rack-feed", 1, "/dev/ttyUSB0"),)))
    for second in range(3):
        bytes_s, faults_s = 10_000 * second, misframed * second
        seen = LineSeen(tap.now_ns, 1, True, "", faults_s, breaks * second, bytes_s, faults_s)
        tap.judge.observe(seen)
        tap.run(1, None, None)
    (incident,) = tap.rules()
    assert (incident.rule, incident.cause) == ("line-faulty", cause or ("" if breaks else "no-breaks"))
    if cause:
        fault = "cannot be read: most bytes had a framing fault"
        assert incident.summary == f"line/rack-feed {fault} in 10 s."
        assert incident.next_checks[0].startswith("Look at the tap's data wires")


def test_a_line_is_not_called_unreadable_because_its_counts_began_anew() -> None:
    """The process that reads the port counts from 0 once it was started again: 1 byte in 750 is faulty."""
    tap = Tap(replace(HOUSE, lines=(Line("rack-feed", 1, "/dev/ttyUSB0"),)))
    for begin in (100, 0):
        for second in range(begin, begin + 5):
            faults = 30 * second if not begin else 0
            tap.judge.observe(LineSeen(tap.now_ns, 1, True, "", faults, 44 * second, 22_500 * second, faults))
            tap.run(1, None, None)
    (incident,) = tap.rules()
    assert (incident.rule, incident.cause) == ("line-faulty", "")


@pytest.mark.parametrize("alone_s", [0, 6])
def test_bytes_without_breaks_on_a_compared_line_are_one_incident(alone_s: int) -> None:
    """alone_s: how long they come before the universe does."""
    tap = Tap()
    unframed(tap, alone_s)
    unframed(tap, 13, held, alone_s)
    incident = every_incident_of(tap)
    assert (incident.rule, incident.cause) == ("line-differs", "silent")
    assert incident.evidence[1].startswith("Bytes come on it without a break")
    assert incident.next_checks[0].startswith("Look at what drives this pair")


def test_a_silent_line_stays_open_when_the_house_file_is_read_again() -> None:
    """Nothing about it changed: docs/operations.md says that what is known of incidents is kept."""
    tap = Tap()
    tap.judge.observe(LineSeen(tap.now_ns, 1, True))
    tap.run(14, held, None)
    before = _said(every_incident_of(tap))
    (line,) = HOUSE.lines
    other = replace(HOUSE, lines=(replace(line, line=line.line + 1),))
    tap.model.take_house(other)
    tap.judge.take_house(other, tap.now_ns)
    tap.run(5, held, None)
    assert _said(every_incident_of(tap)) == before


def _said(incident: Incident) -> tuple[str, tuple[str, ...], int]:
    return incident.summary, tuple(incident.evidence), incident.flaps


def test_framing_faults_that_change_levels_are_one_incident_with_its_faults_in_evidence() -> None:
    """ANSI E1.11: two stop bits end each slot. Without them its value is not to be relied on."""
    chance, tap = Random(1), Tap()

    def damaged(t: float) -> bytes:
        levels = bytearray(held(t))
        for _ in range(3):
            levels[chance.randrange(512)] = 255
        return bytes(levels)

    counted(tap, 3, held, breaks=30)
    counted(tap, 12, damaged, breaks=30, faults=90)
    incident = every_incident_of(tap)
    assert (incident.rule, incident.cause) == ("line-differs", "different")
    assert any("framing faults" in line for line in incident.evidence)
    assert incident.next_checks[0].startswith("Look for a terminator")
    counted(tap, 30, held, breaks=30)
    assert every_incident_of(tap).closed_ns is not None


def test_a_line_that_loses_its_breaks_is_one_incident() -> None:
    tap = Tap()
    counted(tap, 3, held, breaks=30)
    counted(tap, 12, None, faults=22_000)
    incident = every_incident_of(tap)
    assert incident.rule == "universe-lost"
    assert "bytes come on it without the breaks that begin frames" in incident.summary
    assert incident.next_checks[0].startswith("Look at what drives this pair")


def test_a_looped_route_is_one_critical_incident() -> None:
    tap = Tap(replace(HOUSE, lines=()))
    seen = RouteSeen("tower", "loop", "e131/112", "e131/12")
    tap.judge.observe(RoutesSeen(tap.now_ns, (seen, RouteSeen("other", "running", "e131/5", "e131/4"))))
    tap.run(1, held, None)
    (incident,) = tap.rules()
    assert (incident.rule, incident.severity.word) == ("route-loop", "critical")
    assert "tower" in incident.summary


def test_a_line_whose_faults_end_recovers() -> None:
    """Faults count for ten seconds, and the off-delay follows."""
    tap = Tap()
    tap.judge.observe(LineSeen(tap.now_ns, 1, True, faults=0, breaks=0))
    tap.judge.observe(LineSeen(tap.now_ns + S, 1, True, faults=50, breaks=30))
    tap.run(3, held, held)
    assert [i.rule for i in tap.rules()] == ["line-faulty"]
    for second in range(4, 14):
        tap.judge.observe(LineSeen(tap.now_ns, 1, True, faults=50, breaks=30 * second))
        tap.run(1, held, held)
    assert [i.rule for i in tap.rules()] == ["line-faulty"], "within its off-delay"
    for second in range(14, 24):
        tap.judge.observe(LineSeen(tap.now_ns, 1, True, faults=50, breaks=30 * second))
        tap.run(1, held, held)
    assert tap.rules() == []


def port_faults(tap: Tap) -> list[str]:
    found = tap.judge.incidents(tap.now_ns)
    return [i.rule for i in found if i.closed_ns is None and i.rule in ("line-faulty", "line-port-missing")]


def test_a_port_that_cannot_be_used_is_reported_after_three_seconds_and_recovers() -> None:
    tap = Tap()
    tap.judge.observe(LineSeen(tap.now_ns, 1, False, trouble="/dev/ttyUSB0 is not there; plug the adapter in"))
    tap.run(2.9, held, None)
    assert port_faults(tap) == []
    tap.run(0.3, held, None)
    assert port_faults(tap) == ["line-port-missing"]
    tap.judge.observe(LineSeen(tap.now_ns, 1, True))
    tap.run(9.8, held, held)
    assert port_faults(tap) == ["line-port-missing"]
    tap.run(0.5, held, held)
    assert port_faults(tap) == []


def test_a_port_of_which_nothing_is_known_is_neither_faulty_nor_missing() -> None:
    tap = Tap()
    tap.run(5, held, None)
    assert port_faults(tap) == []


def test_a_line_whose_port_went_away_is_not_judged_and_lost_only_if_it_is_dark_once_the_port_is_back() -> None:
    """A tap that cannot be read says nothing of the gateway: common practice, no source."""

    def alarms() -> list[str]:
        return [i.rule for i in tap.judge.incidents(tap.now_ns) if i.closed_ns is None and i.severity > Severity.NOTE]

    tap = Tap()
    tap.judge.observe(LineSeen(tap.now_ns, 1, True))
    tap.run(8, held, held)
    tap.judge.observe(LineSeen(tap.now_ns, 1, True))
    tap.run(1.5, held, None)
    assert alarms() == [], "whether the port could be read meanwhile is not known yet"
    tap.judge.observe(LineSeen(tap.now_ns, 1, False, trouble="/dev/ttyUSB0 went away: input/output error"))
    tap.run(6, held, None)
    assert alarms() == ["line-port-missing"]
    tap.run(90, held, None)
    _, line = tap.judge.universe_states(tap.model, tap.now_ns).tolist()
    assert line == UniverseState.NOT_JUDGED, "nobody knows whether the gateway sends"
    tap.judge.observe(LineSeen(tap.now_ns, 1, True))
    tap.run(0.9, held, None)
    assert alarms() == ["line-port-missing"]
    tap.judge.observe(LineSeen(tap.now_ns, 1, True))
    tap.run(0.4, held, None)
    assert sorted(alarms()) == ["line-port-missing", "universe-lost"]


def test_a_line_that_falls_dark_is_lost_by_its_name_and_accuses_nobody_on_the_network() -> None:
    """A tap of a line sees what no network shows; a desk that dies in the same moment is another fault."""
    tap = Tap()
    tap.run(8, held, held)
    tap.run(6, held, None)
    found = [one for one in tap.judge.incidents(tap.now_ns) if one.severity > Severity.NOTE]
    (lost,) = found
    assert (lost.rule, lost.universes, lost.severity) == ("universe-lost", ("line/rack-feed",), Severity.CRITICAL)
    assert "went completely silent" not in lost.summary and lost.sources == ()
    assert "e131/1 still reaches this port" in lost.summary
    assert "Breaks are still counted" not in " ".join(lost.evidence)
    assert [one.rule for one in tap.judge.incidents(tap.now_ns)] == ["universe-lost"], "it is declared by its name"


def test_a_line_and_a_desk_that_end_in_one_moment_are_two_incidents() -> None:
    tap = Tap()
    tap.run(8, held, held)
    tap.run(6, None, None)
    causes = {one.universes: one.cause for one in tap.judge.incidents(tap.now_ns) if one.severity > Severity.NOTE}
    assert causes == {("e131/1",): "source-lost", ("line/rack-feed",): "path-or-sender"}


def test_a_line_whose_frames_hold_no_levels_is_still_driven() -> None:
    tap = Tap()
    tap.run(8, held, held)
    for second in range(6):
        tap.judge.observe(LineSeen(tap.now_ns, 1, True, breaks=30 * second))
        tap.run(1, held, None)
    (lost,) = [one for one in tap.judge.incidents(tap.now_ns) if one.severity > Severity.NOTE]
    assert "Breaks are still counted on it" in " ".join(lost.evidence)


@pytest.mark.parametrize(
    ("faults", "breaks", "of_both", "evidence"),
    [
        ((22_000, 22_000), (0, 0), "bytes come on them without the breaks that begin frames.", "Each frame of DMX512"),
        ((22_000, 0), (0, 0), "the gateway's port, the lead", "Bytes with framing faults come on line/rack-feed."),
        ((0, 0), (0, 30), "the gateway's port, the lead", "Breaks are still counted on line/stage-left: "),
    ],
)
def test_of_two_lines_that_end_together_it_is_said_what_comes_on_each(
    faults: tuple[int, int], breaks: tuple[int, int], of_both: str, evidence: str
) -> None:
    """ANSI E1.11: a break begins each frame. The counts are those of the two ports."""
    tap = Tap(replace(HOUSE, lines=(*HOUSE.lines, Line("stage-left", 2, "/dev/ttyUSB1"))))
    for frame in range(240):
        tap.line_number = 1 + frame % 2
        tap.run(0.033, held, held)
    for second in range(14):
        for at in (0, 1):
            counts = {"faults": faults[at] * second, "breaks": breaks[at] * second}
            tap.judge.observe(LineSeen(tap.now_ns, at + 1, True, **counts))
        tap.run(1, held, None)
    (lost,) = [one for one in tap.judge.incidents(tap.now_ns) if one.rule == "universe-lost"]
    assert f"No frame of levels comes on them any more: {of_both}" in lost.summary
    assert any(line.startswith(evidence) for line in lost.evidence), lost.evidence


@pytest.mark.parametrize("lost_s", [14, 40])
def test_a_line_that_is_back_is_not_said_to_bring_no_levels_while_another_is_away(lost_s: int) -> None:
    """ANSI E1.11: breaks begin the frames of levels too."""
    tap = Tap(replace(HOUSE, lines=(*HOUSE.lines, Line("stage-left", 2, "/dev/ttyUSB1"))))
    for frame in range(240):
        tap.line_number = 1 + frame % 2
        tap.run(0.033, held, held)
    tap.line_number = 1
    for second in range(lost_s + 5):
        is_back = second >= lost_s
        tap.judge.observe(LineSeen(tap.now_ns, 1, True, breaks=30 * max(0, second - lost_s)))
        tap.judge.observe(LineSeen(tap.now_ns, 2, True))
        tap.run(1, held, held if is_back else None)
    (lost,) = [one for one in tap.judge.incidents(tap.now_ns) if one.rule == "universe-lost"]
    assert lost.summary.startswith(
        "Universe line/stage-left lost since 08:16:47. No frame of levels comes on it any more"
    )
    assert not [line for line in lost.evidence if "rack-feed" in line or "Breaks" in line]


def test_packets_that_no_line_can_carry_name_their_line() -> None:
    """ANSI E1.11: 512 slots at most. Each line is a case of its own."""
    house = replace(HOUSE, lines=(*HOUSE.lines, Line("stage-left", 2, "/dev/ttyUSB1")))
    tap = Tap(house)
    tap.run(3, held, held)
    for number in (1, 2):
        tap.line_number = number
        tap.run(2, held, lambda t: bytes(513))
    found = [one for one in tap.judge.incidents(tap.now_ns) if one.rule == "malformed-packets"]
    assert sorted(one.summary.partition(" sends")[0] for one in found) == ["line/rack-feed", "line/stage-left"]
    for one in found:
        assert "drives this line" in one.next_checks[0]
        assert one.evidence[0].startswith("line/")
