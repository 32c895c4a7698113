"""What a judged capture came to, in lines and as JSON: the file, what could not be judged, and the worst first."""

from __future__ import annotations

from typing import Any

import pytest

from slotwatch.snapshot import Incident, Severity, Snapshot
from slotwatch.snapshot.counters import Counters
from slotwatch.views.replay import UNREAD, CaptureSummary, ReplayReport, replay_json, replay_report, replay_text
from tests.views.fabricate import NOW_NS, SECOND_NS, incident, snapshot

FIRST_NS = 1_767_225_600_000_000_000  # 2026-01-01T00:00:00Z


def capture(seconds: float = 60.0, packets: int = 5280, **more: Any) -> CaptureSummary:
    end_ns = FIRST_NS + round(seconds * SECOND_NS)
    return CaptureSummary("show.pcapng", packets, FIRST_NS, end_ns, more.pop("show_packets", packets), **more)


def report(
    summary: CaptureSummary, incidents: list[Incident] | None = None, taken: Snapshot | None = None
) -> ReplayReport:
    return replay_report(summary, taken or snapshot(3, incidents=()), incidents or [])


def lines(summary: CaptureSummary, incidents: list[Incident] | None = None) -> list[str]:
    return replay_text(report(summary, incidents))


def test_a_healthy_capture_says_so_and_lists_who_sends_what() -> None:
    found = lines(capture())
    assert found[:5] == [
        "show.pcapng: 5,280 packets in 60.0 s",
        "from 2026-01-01T00:00:00.000Z to 2026-01-01T00:01:00.000Z",
        "5,280 to the watched ports",
        "",
        "Nothing was found wrong.",
    ]
    heads = [line.split() for line in found if line.startswith(("  universe ", "  source "))]
    assert heads == [
        ["universe", "state", "rate", "longest", "gap", "frames", "missing", "slots", "from"],
        ["source", "address", "protocol", "priority", "universes"],
    ]
    row = next(line for line in found if line.startswith("  e131/1"))
    assert row.split()[:3] == ["e131/1", "steady", "44.0"] and "31.2 ms" in row and "4400" in row


@pytest.mark.parametrize(("seconds", "is_said"), [(0.1, True), (9.94, True), (9.96, False), (10, False)])
def test_a_recording_too_short_for_most_rules_is_not_called_healthy_alone(seconds: float, is_said: bool) -> None:
    limit = f"The recording lasts only {seconds:.1f} s. Many faults need 10 s of traffic to show."
    assert (limit in lines(capture(seconds))) == is_said


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (119.94, "in 119.9 s"),
        (121, "in 2 min 1 s"),
        (3 * 3600 + 62, "in 3 h 1 min 2 s"),
        (50 * 3600, "in 2 days 2 h"),
    ],
)
def test_lengths_are_written_in_units_a_person_reads(seconds: float, words: str) -> None:
    assert lines(capture(seconds))[0].endswith(words)


def test_one_packet_is_one_packet() -> None:
    assert lines(capture(0.0, packets=1))[0] == "show.pcapng: 1 packet in 0.0 s"


def test_the_worst_comes_first_with_its_cause_evidence_and_end() -> None:
    slow = incident(
        1,
        rule="slow-refresh",
        severity=Severity.WARNING,
        cause="",
        summary="Slow.",
        accepted="pixel wall",
        closed_ns=None,
    )
    lost = incident(
        2,
        summary="Lost.",
        cause="source-lost",
        evidence=("The last frame came at 20:00.",),
        opened_ns=NOW_NS - 10 * SECOND_NS,
        closed_ns=NOW_NS - 5 * SECOND_NS,
    )
    found = lines(capture(), [slow, lost])
    begin = found.index("Found: 1 critical, 1 warning")
    opened = "2025-12-31T23:59:50.000Z"
    assert found[begin + 2] == f"CRITICAL  opened {opened}, closed 2025-12-31T23:59:55.000Z"
    assert found[begin + 3] == "  universe-lost (source-lost): Lost."
    assert "  - The last frame came at 20:00." in found
    warning = next(place for place, line in enumerate(found) if line.startswith("WARNING"))
    assert warning > begin + 3 and found[warning].endswith("open at the end of the capture")
    assert found[warning + 1] == "  slow-refresh: Slow." and "  accepted: pixel wall" in found


def test_times_are_by_the_clock_that_the_sentences_use() -> None:
    """New York is five hours behind UTC in winter (IANA time zone database)."""
    found = replay_text(report(capture(), [incident(closed_ns=None)]), "America/New_York")
    assert found[1] == "from 2025-12-31T19:00:00.000-05:00 to 2025-12-31T19:01:00.000-05:00"
    assert any(line.startswith("CRITICAL  opened 2025-12-31T18:") and "-05:00, open at" in line for line in found)
    assert not any("Z" in line for line in found if "2025" in line or "2026" in line)


def test_faults_count_unless_they_are_accepted_or_notes() -> None:
    note, known = incident(severity=Severity.NOTE), incident(accepted="dark today")
    assert not report(capture(), [note, known]).found_faults
    assert report(capture(), [note, incident(severity=Severity.WARNING)]).found_faults


def test_many_universes_are_shortened() -> None:
    wide = incident(universes=tuple(f"e131/{n}" for n in range(1, 31)))
    line = next(line for line in lines(capture(), [wide]) if line.startswith("  universes: "))
    assert line.endswith("e131/12 and 18 more")


def test_what_could_not_be_read_is_counted_and_limits_the_verdict() -> None:
    hidden = capture(show_packets=5000, unread={"fragment": 280}, hidden=280)
    found = lines(hidden)
    assert found[2] == "5,000 to the watched ports; 280 IP fragments, which are not put together"
    assert "Nothing was found wrong in what could be read." in found
    assert "280 packets could not be read, so what is missing here proves nothing." in found
    assert replay_json(report(hidden))["unread"] == dict.fromkeys(UNREAD, 0) | {"fragment": 280}


@pytest.mark.parametrize(
    ("summary", "why"),
    [
        (
            capture(show_packets=0, other_udp=7, packets=7),
            "Nothing could be judged: no packet of E1.31 or Art-Net to the watched ports is in it. "
            "It holds 7 packets: 7 to other UDP ports.",
        ),
        (
            capture(show_packets=0, packets=0),
            "Nothing could be judged: no packet of E1.31 or Art-Net to the watched ports is in it.",
        ),
        (
            capture(show_packets=0, packets=9, unread={"cut": 9}, hidden=9),
            "Nothing could be judged: of 9 packets, 9 cut short by the recording. "
            "Record whole packets (snapshot length 0).",
        ),
    ],
)
def test_nothing_judged_says_why(summary: CaptureSummary, why: str) -> None:
    found = report(summary)
    assert found.unjudged == why and why in replay_text(found)


def test_group_messages_alone_are_judged_as_such() -> None:
    found = report(capture(show_packets=0, packets=4, group_messages=4))
    assert found.unjudged == ""
    assert (
        "It holds no show data. Only its 4 IGMP or MLD messages could be judged: nothing was found wrong with them."
        in replay_text(found)
    )


def test_a_clock_that_was_set_is_no_silence() -> None:
    steps = capture(clock_steps=((FIRST_NS, -3_600 * SECOND_NS), (FIRST_NS, 2 * SECOND_NS)), clock_step_count=5)
    line = next(line for line in lines(steps) if "clock was set" in line)
    assert line == (
        "The recording computer's clock was set while it recorded: back by 1 h 0 min 0 s at 2026-01-01T00:00:00.000Z, "
        "forward by 2.0 s at 2026-01-01T00:00:00.000Z and 3 more times. It is not counted as silence. "
        "A step back may also be a file whose parts are out of order."
    )
    assert replay_json(report(steps))["clock_steps"] == 5


@pytest.mark.parametrize(("count", "begins"), [(1, "1 packet carries"), (1200, "1,200 packets carry")])
def test_packets_out_of_order_are_counted(count: int, begins: str) -> None:
    found = capture(out_of_order=count)
    assert f"{begins} an earlier time than one before; all are judged in the order of the file." in lines(found)
    assert replay_json(report(found))["capture"]["out_of_order"] == count
    assert not any("earlier time" in line for line in lines(capture()))


def test_rejected_packets_are_summed_over_protocols() -> None:
    counters = Counters(rejected={("e131", "too-short"): 4, ("artnet", "too-short"): 1, ("e131", "bad-vector"): 2})
    found = report(capture(), taken=snapshot(1, incidents=(), counters=counters))
    assert found.rejected == {"bad-vector": 2, "too-short": 5}
    assert replay_text(found)[-1] == "Not used, with the reason: bad-vector 2, too-short 5"


def test_a_file_without_packets_has_no_times() -> None:
    found = replay_json(report(CaptureSummary("empty.pcap", 0, None, None, 0)))
    assert found["capture"] == {"packets": 0, "first_at": None, "last_at": None, "seconds": 0.0, "out_of_order": 0}
