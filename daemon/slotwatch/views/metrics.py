"""Metrics of a snapshot: a collector for each scrape, so that what is gone disappears and scrapes do not meet.

Labels are bounded: universes that are declared and the first MOST_OTHERS others; sources in `source_info` alone, the
first MOST_SOURCES. Names follow the Prometheus guides for naming and for writing exporters: base units, `_total` on
counters alone, known label values begin at 0, moments as timestamps and never as ages.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import chain
from typing import Literal

from prometheus_client import CollectorRegistry
from prometheus_client.core import (
    CounterMetricFamily,
    GaugeMetricFamily,
    HistogramMetricFamily,
    InfoMetricFamily,
    Metric,
)
from prometheus_client.exposition import choose_encoder
from prometheus_client.registry import Collector
from prometheus_client.samples import Sample

from slotwatch import __version__
from slotwatch.durations import NANOSECONDS
from slotwatch.house.schema import Phase
from slotwatch.judge.catalog import CATALOG
from slotwatch.model.usual_standing import Standing
from slotwatch.snapshot import Severity, UniverseState
from slotwatch.views.counted import COUNTED, OwnCounts, from_zero
from slotwatch.views.sheet import Sheet
from slotwatch.wire.reject import Reject
from slotwatch.wire.universe import Protocol

PREFIX = "slotwatch_"
Result = Literal["sent", "failed", "given_up", "dropped"]
RESULTS: tuple[Result, ...] = ("sent", "failed", "given_up", "dropped")
"""Results of a message; `failed` counts tries, the others messages."""
QUANTILES = (("0.5", "interval_p50_ms"), ("0.95", "interval_p95_ms"), ("0.99", "interval_p99_ms"))
MOST_OTHERS = 256
MOST_SOURCES = 256
_UP = frozenset(
    {
        UniverseState.STEADY,
        UniverseState.AT_REST,
        UniverseState.ON_BACKUP,
        UniverseState.RETURNING,
        UniverseState.FAULTY,
    }
)
_WORDS = [protocol.word for protocol in Protocol]


class SnapshotCollector(Collector):
    """Families of one snapshot, but for those of its universes, which `universe_families` gives.

    own: what the front process counts itself, of `views.counted`.
    """

    def __init__(self, sheet: Sheet, own: OwnCounts | None = None) -> None:
        self._sheet = sheet
        self._listener = sheet.snapshot.house.listener
        self._own: OwnCounts = own or {}
        self._counters = sheet.snapshot.counters

    def collect(self) -> Iterator[Metric]:
        yield from self._packets()
        yield from self._incidents()
        yield from self._house()
        yield from self._routes()
        yield from self._notices()
        yield from self._witnesses()

    def _notices(self) -> Iterator[Metric]:
        receivers = self._own.get("notifications", {}).get("receivers", [])
        counts = [({"name": one["name"], "result": result}, one[result]) for one in receivers for result in RESULTS]
        beat = self._own.get("heartbeat", {})
        if "sent" in beat and "failed" in beat:
            counts += [
                ({"name": "heartbeat", "result": "sent"}, beat["sent"]),
                ({"name": "heartbeat", "result": "failed"}, beat["failed"]),
            ]
        yield _counter(
            "notifications", "Messages to people and programs, and heartbeats, by what came of them.", counts
        )
        waiting = sum(one["waiting"] for one in receivers)
        yield _gauge("notification_queue_length", "Messages that wait for their recipient.", [({}, waiting)])

    def _witnesses(self) -> Iterator[Metric]:
        yield _gauge(
            "listener_reachable",
            "Whether another listener of the house answers.",
            [({"listener": one.name}, float(one.reached)) for one in self._sheet.snapshot.listeners],
        )
        switches = self._sheet.snapshot.switches
        yield _gauge(
            "switch_up",
            "Whether a switch of the house answers.",
            [({"switch": one.name}, float(one.answers)) for one in switches],
        )
        yield _counter(
            "switch_port_errors",
            "Errors and discarded frames of switch ports that the show depends on, since this listener began to watch.",
            [
                ({"switch": one.name, "port": _clean(port.name)}, port.counted)
                for one in switches
                for port in one.ports
                if port.matters
            ],
        )

    def _packets(self) -> Iterator[Metric]:
        counters = self._counters
        packets = dict.fromkeys(_WORDS, 0) | counters.packets
        yield _counter("packets_received", "Packets read.", (({"protocol": word}, n) for word, n in packets.items()))
        reasons = [reason.word for reason in Reject if reason is not Reject.OK]
        rejected = {(word, reason): 0 for word in _WORDS for reason in reasons} | counters.rejected
        yield _counter(
            "packets_rejected",
            "Packets that could not be used.",
            (({"protocol": word, "reason": reason}, n) for (word, reason), n in rejected.items()),
        )
        drops = {"socket": self._listener.kernel_drops, "ring": self._listener.rows_lost}
        yield _counter(
            "host_dropped_packets",
            "Packets this computer received and did not judge: dropped by the kernel, or overwritten in the ring.",
            [({"where": where}, count) for where, count in drops.items()],
        )
        yield _counter(
            "damaged_packets",
            "Packets that arrived with a wrong checksum: something on the path damaged them.",
            [({}, self._listener.damaged)],
        )
        yield _counter(
            "captures_failed",
            "Captures around incidents that could not be written.",
            [({}, self._listener.judging.captures_failed if self._listener.judging else 0)],
        )
        own = {"page_dropped_streams": self._own.get("page_dropped_streams", 0)}
        for name, number in from_zero({**self._listener.counted, **own}).items():
            yield _counter(name, COUNTED[name], [({}, number)])
        evicted = {"sources": 0, "streams": 0} | counters.evictions
        yield _counter("table_evictions", "Rows given up.", (({"table": word}, n) for word, n in evicted.items()))
        edges = counters.interval_edges_s
        counts, sums = counters.intervals, counters.interval_sum_s
        yield _histogram(
            "frame_interval_seconds",
            "Intervals between successive frames of a stream.",
            [({"protocol": word}, edges, counts[word], sums.get(word, 0.0)) for word in counts],
        )

    def _incidents(self) -> Iterator[Metric]:
        is_open = Counter(
            (one.known_as, one.severity) for one in self._sheet.snapshot.incidents if one.closed_ns is None
        )
        known = {(rule, severity): 0 for rule in CATALOG for severity in Severity} | is_open
        yield _gauge(
            "incidents_open",
            "Incidents that are open.",
            (({"rule": rule, "severity": severity.word}, n) for (rule, severity), n in known.items()),
        )
        opened = dict.fromkeys(CATALOG, 0) | self._counters.incidents_opened
        yield _counter("incidents_opened", "Incidents opened.", (({"rule": rule}, n) for rule, n in opened.items()))

    def _house(self) -> Iterator[Metric]:
        view = self._sheet.snapshot.house
        phases = (({"phase": str(phase)}, phase == view.phase) for phase in Phase)
        yield _gauge("house_phase", "1 for the phase the house is in.", phases)
        if lag := self._counters.judging_lag:
            yield _histogram(
                "judging_lag_seconds",
                "How late moments are judged.",
                [({}, lag.bounds_s, lag.counts, lag.sum_s)],
            )
        well = not view.house_problems
        yield _gauge("config_last_reload_successful", "Whether the house file on disk is the one in use.", [({}, well)])
        rows = zip(self._sheet.source_keys, self._sheet.snapshot.sources, strict=True)
        info = InfoMetricFamily(PREFIX + "source", "Sources as they were heard; the first 256.")
        seen: dict[tuple[str, str], None] = {}
        for key, row in rows:
            if len(seen) < MOST_SOURCES and (key, row.address) not in seen:
                seen[key, row.address] = None
                labels = {"source": key, "address": row.address, "name": row.declared_as or row.source_name}
                info.samples.append(Sample(PREFIX + "source_info", {k: _clean(v) for k, v in labels.items()}, 1))
        yield info
        yield InfoMetricFamily(PREFIX + "build", "This program.", {"version": __version__})
        yield from self._racks()

    def _racks(self) -> Iterator[Metric]:
        currents = []
        for rack in self._sheet.snapshot.racks:
            currents += [
                ({"rack": rack.rack, "supply": str(supply.supply)}, supply.estimated_a)
                for supply in rack.supplies
                if supply.estimated_a is not None
            ]
        if currents:
            yield _gauge("supply_current_amperes", "Estimated current of a supply line.", currents)

    def _routes(self) -> Iterator[Metric]:
        routes = self._sheet.snapshot.routes
        if not routes:
            return
        rows = [({"route": row.name}, row) for row in routes]
        yield _counter("route_frames", "Frames a route sent.", [(label, row.frames) for label, row in rows])
        same = "routes of one input show the same."
        yield _counter(
            "route_refused_packets",
            f"Packets on a route's input of sources past 64; {same}",
            [(label, row.input_refused_packets) for label, row in rows],
        )
        yield _counter(
            "route_discarded_packets",
            f"Packets on a route's input that E1.31's sequence rule discards; {same}",
            [(label, row.input_discarded_packets) for label, row in rows],
        )
        yield _histogram(
            "route_latency_seconds",
            "From a frame's arrival to its leaving.",
            [(label, row.latency.edges_s, row.latency.counts, row.latency.sum_s) for label, row in rows],
        )


def universe_families(sheet: Sheet) -> Iterator[Metric]:
    """Families that have one sample for each universe."""
    lists = sheet.universes
    rows = _bounded(lists["declared"])
    names = [{"universe": sheet.snapshot.universe_names[row]} for row in rows]
    states = [lists["state"][row] in _UP for row in rows]
    yield _gauge("universe_up", "Whether frames of the universe arrive.", zip(names, states, strict=True))
    for name, text, column in (
        ("universe_frames", "Accepted frames of levels.", lists["frames"]),
        ("universe_lost_frames", "Frames missing by sequence number.", lists["lost_frames"]),
    ):
        yield _counter(name, text, zip(names, (column[row] for row in rows), strict=True))
    rates = ((label, lists["refresh_hz"][row]) for label, row in zip(names, rows, strict=True))
    known = [(label, rate if rate == rate else 0.0) for label, rate in rates]
    yield _gauge("universe_refresh_hertz", "Frame rate of the winning stream over 5 s.", known)
    offset = sheet.snapshot.wall_offset_ns
    moments = ((label, lists["last_frame_ns"][row]) for label, row in zip(names, rows, strict=True))
    yield _gauge(
        "universe_last_frame_timestamp_seconds",
        "When the last frame arrived; absent if none ever did.",
        [(label, (t_ns + offset) / NANOSECONDS) for label, t_ns in moments if t_ns],
    )
    live = ((label, lists["streams"][row]) for label, row in zip(names, rows, strict=True))
    yield _gauge("universe_sources", "Sources whose frames arrive.", live)


def usual_families(sheet: Sheet, standings: Mapping[str, Standing]) -> Iterator[Metric]:
    """What is usual on each universe that `universe_families` has and that enough shows count for."""
    names = [sheet.snapshot.universe_names[row] for row in _bounded(sheet.universes["declared"])]
    known = [(name, standings[name].figures) for name in names if name in standings]
    yield _gauge(
        "universe_usual_refresh_hertz",
        "Usual frame rate while levels move: the median of the last shows.",
        [({"universe": name}, usual["moving_hz"].median) for name, usual in known if "moving_hz" in usual],
    )
    yield _gauge(
        "universe_usual_interval_seconds",
        "Usual intervals between frames while levels move: medians of the last shows.",
        [
            ({"universe": name, "quantile": quantile}, usual[figure].median / 1000)
            for name, usual in known
            for quantile, figure in QUANTILES
            if figure in usual
        ],
    )


def encode_metrics(
    sheet: Sheet,
    accept: str,
    own: OwnCounts | None = None,
    usual: Mapping[str, Standing] | None = None,
) -> tuple[bytes, str]:
    """Write the metrics of a snapshot in the format that an Accept header asks for; return them and their type.

    prometheus_client writes everything but the universes' families: it needs 20 to 40 us a sample, and 4,096
    universes are 24,000 samples. Those are written here, ten times as fast; a test reads both back and compares.
    """
    encoder, content_type = choose_encoder(accept)
    found = CollectorRegistry(auto_describe=False)
    found.register(SnapshotCollector(sheet, own))
    is_open_metrics = "openmetrics" in content_type
    families = chain(universe_families(sheet), usual_families(sheet, usual or {}))
    lines = "".join(_lines(family, is_open_metrics) for family in families)
    return lines.encode() + encoder(found), content_type


def _lines(family: Metric, is_open_metrics: bool) -> str:
    suffix = "_total" if family.type == "counter" else ""
    head = family.name if is_open_metrics else family.name + suffix
    name = family.name + suffix
    text = "".join(f"{name}{{{_labels(sample)}}} {sample.value!r}\n" for sample in family.samples)
    return f"# HELP {head} {family.documentation}\n# TYPE {head} {family.type}\n{text}"


def _labels(sample: Sample) -> str:
    return ",".join(f'{name}="{_escaped(value)}"' for name, value in sample.labels.items())


def _escaped(text: str) -> str:
    return text.replace("\\", "\\\\").replace("\n", "\\n").replace('"', '\\"')


def _bounded(declared: Sequence[bool]) -> list[int]:
    """Rows that are shown: all declared ones, and the first MOST_OTHERS others."""
    found, others = [], 0
    for row, is_declared in enumerate(declared):
        others += not is_declared
        if is_declared or others <= MOST_OTHERS:
            found.append(row)
    return found


def _gauge(name: str, text: str, rows: Iterable[tuple[dict[str, str], float]]) -> Metric:
    family = GaugeMetricFamily(PREFIX + name, text)
    family.samples = [Sample(PREFIX + name, labels, float(value)) for labels, value in rows]
    return family


def _counter(name: str, text: str, rows: Iterable[tuple[dict[str, str], float]]) -> Metric:
    family = CounterMetricFamily(PREFIX + name, text)
    family.samples = [Sample(PREFIX + name + "_total", labels, float(value)) for labels, value in rows]
    return family


def _histogram(
    name: str, text: str, rows: Iterable[tuple[dict[str, str], Sequence[float], Sequence[int], float]]
) -> Metric:
    family = HistogramMetricFamily(PREFIX + name, text)
    for labels, edges, counts, total in rows:
        reached = 0
        for edge, count in zip([*map(repr, edges), "+Inf"], counts, strict=True):
            reached += count
            family.samples.append(Sample(PREFIX + name + "_bucket", {**labels, "le": edge}, float(reached)))
        family.samples.append(Sample(PREFIX + name + "_count", labels, float(reached)))
        family.samples.append(Sample(PREFIX + name + "_sum", labels, float(total)))
    return family


def _clean(text: str) -> str:
    """Text that a source chose, without what no text format can carry."""
    return text.encode("utf-8", "replace").decode()
