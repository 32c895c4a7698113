"""Metrics: names as they are promised, text that Prometheus' own parser reads, labels that stay bounded, and quick.

Rules checked: prometheus.io/docs/practices/naming and /docs/instrumenting/writing_exporters.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from prometheus_client import CollectorRegistry, generate_latest
from prometheus_client.core import Metric
from prometheus_client.openmetrics.parser import text_string_to_metric_families as read_open_metrics
from prometheus_client.parser import text_string_to_metric_families as read_text
from prometheus_client.registry import Collector

from slotwatch.snapshot import Snapshot, SourceRow
from slotwatch.snapshot.counters import Counters, LagHistogram
from slotwatch.views.metrics import MOST_OTHERS, MOST_SOURCES, encode_metrics, universe_families
from slotwatch.views.sheet import Sheet
from slotwatch.wire.universe import Protocol
from tests.views.fabricate import rack, route, snapshot

GOLDEN = Path(__file__).parent.parent / "golden" / "metrics.txt"
ALERTS = Path(__file__).parents[2] / "docs" / "alerts.md"
OPEN_METRICS = "application/openmetrics-text; version=1.0.0"

PROMISED = str.split("""
universe_up{universe} universe_frames_total{universe} universe_lost_frames_total{universe}
universe_refresh_hertz{universe} universe_last_frame_timestamp_seconds{universe} universe_sources{universe}
frame_interval_seconds{protocol} packets_received_total{protocol} packets_rejected_total{protocol,reason}
host_dropped_packets_total{where} damaged_packets_total table_evictions_total{table} incidents_open{rule,severity}
incidents_opened_total{rule} house_phase{phase}
supply_current_amperes{rack,supply} route_frames_total{route} route_latency_seconds{route}
judging_lag_seconds config_last_reload_successful source_info{source,address,name} build_info{version}
""")
"""What users rely on."""

ADDED = str.split("""
route_refused_packets_total{route} route_discarded_packets_total{route}
routes_own_packets_total routes_refused_packets_total routes_discarded_packets_total routes_skipped_packets_total
routes_unsent_packets_total
node_unanswered_polls_total lines_dropped_frames_total serial_ports_reopened_total page_dropped_streams_total
captures_failed_total notifications_total{name,result} notification_queue_length
""")
"""Beyond it: what was counted and not used, and messages."""


def full(universes: int = 3) -> Snapshot:
    return snapshot(
        universes,
        counters=Counters(
            packets={"e131": 1000, "artnet": 20},
            rejected={("e131", "too-short"): 4},
            evictions={"sources": 2},
            interval_edges_s=(0.02, 0.025),
            intervals={"e131": (1, 990, 9)},
            interval_sum_s={"e131": 22.7},
            incidents_opened={"universe-lost": 2},
            judging_lag=LagHistogram((0.05, 0.1), (7, 2, 1), 0.55),
        ),
        racks=(rack("Rack 1", 31.25),),
        routes=(route("tower"),),
    )


OWN = {
    "notifications": {
        "receivers": [{"name": "duty phone", "sent": 3, "failed": 2, "given_up": 0, "dropped": 0, "waiting": 1}]
    },
    "heartbeat": {"sent": 9, "failed": 1},
}
"""What the page's own process counts."""


def text(taken: Snapshot, accept: str = "") -> str:
    return encode_metrics(Sheet(taken), accept, OWN)[0].decode()


def families(taken: Snapshot) -> dict[str, Metric]:
    return {family.name: family for family in read_text(text(taken))}


def test_every_promised_metric_is_there_with_its_labels() -> None:
    labels: dict[str, set[str]] = {}
    for family in read_text(text(full())):
        for sample in family.samples:
            name = re.sub(r"_(bucket|count|sum)$", "", sample.name) if family.type == "histogram" else sample.name
            labels.setdefault(name, set()).update(sample.labels.keys() - {"le"})
    promised = set()
    for promise in PROMISED + ADDED:
        name, _, inside = promise.rstrip("}").partition("{")
        assert labels.get(f"slotwatch_{name}") == set(inside.split(",")) - {""}, promise
        promised.add(f"slotwatch_{name}")
    assert set(labels) == promised, "nothing that is not promised"


def test_every_metric_has_its_row_in_the_documents() -> None:
    """Also those of which this house has no sample, such as `switch_up`."""
    listed = set(re.findall(r"`(\w+?)(?:\{\w+\})?`", ALERTS.read_text(encoding="utf-8")))
    families = read_open_metrics(text(full(), OPEN_METRICS))
    names = {
        one.name.removeprefix("slotwatch_") + {"counter": "_total", "info": "_info"}.get(one.type, "")
        for one in families
    }
    assert names - listed == set()


@pytest.mark.parametrize("accept", ["", OPEN_METRICS])
def test_both_formats_are_read_by_their_own_parsers_and_say_the_same(accept: str) -> None:
    read = read_open_metrics if accept else read_text
    found = {
        (sample.name, tuple(sorted(sample.labels.items()))): sample.value
        for family in read(text(full(), accept))
        for sample in family.samples
    }
    assert found["slotwatch_universe_frames_total", (("universe", "e131/1"),)] == 4400
    assert found["slotwatch_universe_last_frame_timestamp_seconds", (("universe", "e131/1"),)] == 1767225599.98
    assert found["slotwatch_universe_up", (("universe", "e131/2"),)] == 0
    assert found["slotwatch_packets_rejected_total", (("protocol", "e131"), ("reason", "too-short"))] == 4
    assert found["slotwatch_packets_rejected_total", (("protocol", "artnet"), ("reason", "too-short"))] == 0
    assert found["slotwatch_frame_interval_seconds_bucket", (("le", "0.025"), ("protocol", "e131"))] == 991
    assert found["slotwatch_frame_interval_seconds_count", (("protocol", "e131"),)] == 1000
    assert found["slotwatch_incidents_open", (("rule", "universe-lost"), ("severity", "critical"))] == 1
    assert found["slotwatch_supply_current_amperes", (("rack", "Rack 1"), ("supply", "1"))] == 31.25


def test_how_long_packets_waited_is_a_histogram() -> None:
    waited = LagHistogram((0.2,), (5, 1), 0.4)
    found = families(snapshot(counters=Counters(judging_lag=waited)))["slotwatch_judging_lag_seconds"]
    assert [sample.value for sample in found.samples] == [5, 6, 6, 0.4]


def test_the_type_is_what_was_asked_for() -> None:
    assert encode_metrics(Sheet(full()), OPEN_METRICS)[1].startswith("application/openmetrics-text")
    assert encode_metrics(Sheet(full()), "*/*")[1].startswith("text/plain")
    assert text(full(), OPEN_METRICS).endswith("# EOF\n")


def test_the_quick_lines_say_what_the_library_would() -> None:
    class OfUniverses(Collector):
        def collect(self) -> list[Metric]:
            return list(universe_families(Sheet(hostile)))

    hostile = snapshot(3)
    hostile.universe_names = ("e131/1", 'line/a "b"\\\nc', "artnet/0")
    registry = CollectorRegistry(auto_describe=False)
    registry.register(OfUniverses())
    theirs = {family.name: family.samples for family in read_text(generate_latest(registry).decode())}
    ours = families(hostile)
    assert theirs
    for name, samples in theirs.items():
        assert [(s.name, s.labels, s.value) for s in samples] == [
            (s.name, s.labels, s.value) for s in ours[name].samples
        ]


def test_names_keep_the_guides() -> None:
    for family in read_text(text(full())):
        assert re.fullmatch(r"slotwatch_[a-z0-9_]+", family.name) and "__" not in family.name
        assert family.documentation and family.documentation.endswith((".", ")")), family.name
        names = {sample.name for sample in family.samples}
        if family.type == "counter":
            assert all(name.endswith("_total") for name in names), "counters and only they end in _total"
        else:
            assert not any(name.endswith("_total") for name in names)
        assert not re.search(r"_(ms|milliseconds|percent|minutes)\b", family.name), "base units"
        for sample in family.samples:
            assert "total" not in sample.labels.values()
            assert not sample.labels.keys() & {"type", "env", "zone", "service"}


def test_labels_are_bounded() -> None:
    taken = snapshot(3000)
    taken.universes["declared"][10:] = False
    sources = tuple(SourceRow(Protocol.E131, n.to_bytes(16, "big"), "10.0.0.1", 0, f"x{n}") for n in range(2000))
    taken.sources = sources
    found = families(taken)
    assert len(found["slotwatch_universe_up"].samples) == 10 + MOST_OTHERS
    assert len(found["slotwatch_source_info"].samples) == MOST_SOURCES


def test_names_that_a_source_chose_cannot_break_a_line() -> None:
    row = SourceRow(Protocol.E131, bytes(16), "10.0.0.1", 0, 'x"} 1\nslotwatch_universe_up{universe="e131/66')
    for accept, read in (("", read_text), (OPEN_METRICS, read_open_metrics)):
        found = {family.name: family for family in read(text(snapshot(1, sources=(row,)), accept))}
        assert [s.labels["universe"] for s in found["slotwatch_universe_up"].samples] == ["e131/1"]


def golden() -> str:
    """Every metric of a house that has something of all; rules and the version change too often."""
    lines = (line for line in text(full()).splitlines() if "incidents_open" not in line and "build_info{" not in line)
    return "\n".join(lines) + "\n"


def test_the_whole_text_is_as_it_was() -> None:
    """A change of any name, label or help text shows as a difference; write the file again on purpose only."""
    assert golden() == GOLDEN.read_text(), "run: make docs"
