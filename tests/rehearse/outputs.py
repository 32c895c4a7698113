"""What every output says of one snapshot, held against each other: states, counts and incidents are the same in all.

    python -m tests.rehearse.outputs [FIRST [COUNT]]     drawn nights; what differs is printed

Each output is read as its reader reads it: metrics by Prometheus' own parser, HTML by its tags, MQTT by its JSON.
That they must agree is common practice, no source.
"""

from __future__ import annotations

import json
import re
import sys
from collections import Counter
from collections.abc import Iterator
from html.parser import HTMLParser

from prometheus_client.parser import text_string_to_metric_families

from slotwatch.rehearse.nights import any_night
from slotwatch.snapshot import Severity, Snapshot, UniverseState
from slotwatch.views.alerts import Alert, alerts
from slotwatch.views.house import counts, readiness
from slotwatch.views.incidents import incident_brief
from slotwatch.views.metrics import encode_metrics
from slotwatch.views.plain import plain_page
from slotwatch.views.ready import read_report, ready_text
from slotwatch.views.sheet import Sheet
from slotwatch.views.topics import states
from slotwatch.views.universes import universes
from tests.rehearse.theatre import BASE_NS, house_of, perform

GOES_ON = {"steady", "at-rest", "on-backup", "faulty", "returning"}
"""States of a universe whose frames arrive (docs/glossary.md)."""
SETTLED_NS = 2 * 10**9
"""After that an incident is sent (docs/alerts.md)."""


class Page(HTMLParser):
    """The plain page as its headings, list items and table rows."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.texts: list[tuple[str, str]] = []
        self.rows: list[list[str]] = []
        self._inside = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._inside = tag
        if tag == "tr":
            self.rows.append([])
        elif tag in ("td", "th"):
            self.rows[-1].append("")

    def handle_endtag(self, tag: str) -> None:
        self._inside = ""

    def handle_data(self, data: str) -> None:
        if self._inside in ("td", "th"):
            self.rows[-1][-1] += data
        elif self._inside in ("h1", "h2", "h3", "p", "li"):
            self.texts.append((self._inside, data))

    def all(self, tag: str) -> list[str]:
        return [text for inside, text in self.texts if inside == tag]


def differences(snapshot: Snapshot, opened: int) -> Iterator[str]:
    """Say where two outputs of a snapshot do not agree. opened: how many incidents opened so far."""
    sheet = Sheet(snapshot)
    page, samples = Page(plain_page(sheet)), _samples(sheet)
    topics = {name: json.loads(text) for name, text in states(sheet).items()}
    yield from _of_universes(sheet, page, samples, topics)
    yield from _of_incidents(sheet, page, samples, topics, opened)
    yield from _of_readiness(sheet, page)


def _samples(sheet: Sheet) -> dict[tuple[str, ...], float]:
    text = encode_metrics(sheet, "")[0].decode()
    return {
        (sample.name.removeprefix("slotwatch_"), *(value for _, value in sorted(sample.labels.items()))): sample.value
        for family in text_string_to_metric_families(text)
        for sample in family.samples
    }


def _of_universes(
    sheet: Sheet, page: Page, samples: dict[tuple[str, ...], float], topics: dict[str, dict[str, object]]
) -> Iterator[str]:
    snapshot = sheet.snapshot
    columns = snapshot.universes
    words = [UniverseState(state).word for state in columns["state"].tolist()]
    truth = dict(zip(snapshot.universe_names, words, strict=True))
    # People read the word of a state without its hyphen.
    shown = {row[0]: row[2].replace(" ", "-") for row in page.rows if row and row[0] in truth and len(row) == 8}
    given = {one["universe"]: one["state"] for one in universes(sheet)}
    told = {name: topics[f"universe/{name}"]["state"] for name in truth}
    up = {name for name in truth if samples.get(("universe_up", name))}
    for where, found in (("page", shown), ("API", given), ("MQTT", told)):
        if found != truth:
            yield f"{where}: {sorted(set(found.items()) ^ set(truth.items()))}"
    going = {name for name, word in truth.items() if word in GOES_ON}
    if up != going:
        yield f"metrics: {sorted(up ^ going)} up or not, {[truth[name] for name in sorted(up ^ going)]}"
    counted = {word: number for word, number in counts(sheet)["universes"].items() if number}
    if counted != dict(Counter(words)):
        yield f"counts: {counted}, not {dict(Counter(words))}"
    for column in ("frames", "lost_frames"):
        for name, number in zip(snapshot.universe_names, columns[column].tolist(), strict=True):
            if samples[f"universe_{column}_total", name] != number:
                yield f"metrics: {column} of {name} are {samples[f'universe_{column}_total', name]}, not {number}"


def _of_incidents(
    sheet: Sheet,
    page: Page,
    samples: dict[tuple[str, ...], float],
    topics: dict[str, dict[str, object]],
    opened: int,
) -> Iterator[str]:
    snapshot = sheet.snapshot
    is_open = {one.id: one for one in snapshot.incidents if one.closed_ns is None}
    for one in topics["incidents"]:
        assert isinstance(one, dict)
        found, brief = is_open.pop(one["id"], None), one
        if found is None:
            yield f"MQTT: #{one['id']} is open"
            continue
        answer = {**incident_brief(found), "link": None}  # of a page that others do not reach
        yield from (
            f"MQTT: {name} of #{found.id} is {value!r}" for name, value in brief.items() if answer[name] != value
        )
    yield from (f"MQTT: #{number} is not open" for number in is_open)
    is_open = {one.id: one for one in snapshot.incidents if one.closed_ns is None}
    headings = sorted(f"{one.severity.word.capitalize()}: {one.summary}" for one in is_open.values())
    if sorted(page.all("h3")[: len(headings)]) != headings:
        yield f"page: {page.all('h3')}, not {headings}"
    severities = Counter(one.severity.word for one in is_open.values() if not one.accepted)
    for where, counted in (("counts", counts(sheet)), ("MQTT", topics["house"])):
        assert isinstance(counted["incidents"], dict)
        if +Counter(counted["incidents"]) != severities:
            yield f"{where}: {counted['incidents']}, not {dict(severities)}"
    going = {
        name
        for name, word in zip(snapshot.universe_names, snapshot.universes["state"].tolist(), strict=True)
        if UniverseState(word).word in GOES_ON
    }
    others = {
        name
        for one in is_open.values()
        if one.returned_ns is None and not one.accepted
        for name, _ in one.controlled_by
        if name in going
    }
    for where, counted in (("counts", counts(sheet)), ("MQTT", topics["house"])):
        if counted["controlled_by_others"] != len(others):
            yield f"{where}: {counted['controlled_by_others']} controlled by others, not {sorted(others)}"
    if others and "All is well" in page.all("h1")[0]:
        yield f"{page.all('h1')[0]} beside {sorted(others)} that others control"
    by_rule = Counter((one.known_as, one.severity.word) for one in is_open.values())
    shown = Counter({name[1:]: int(value) for name, value in samples.items() if name[0] == "incidents_open"})
    if +shown != by_rule:
        yield f"metrics: open are {dict(+shown)}, not {dict(by_rule)}"
    ever = Counter({name[1]: int(value) for name, value in samples.items() if name[0] == "incidents_opened_total"})
    if ever.total() != opened:
        yield f"metrics: opened are {ever.total()}, not {opened}"


def _of_readiness(sheet: Sheet, page: Page) -> Iterator[str]:
    snapshot = sheet.snapshot
    call = readiness(sheet)
    report = read_report(json.dumps(call).encode())
    line = ready_text(report)
    words = "Ready" if call["ready"] else "Not ready"
    if not line.startswith(words) or f"{words}, judged as if in show." not in page.all("p"):
        yield f"call: {line}, page {page.all('p')}"
    columns = snapshot.universes
    due = (columns["declared"] & columns["expected"]).tolist()
    state = dict(zip(snapshot.universe_names, columns["state"].tolist(), strict=True))
    state = {name: number for (name, number), is_due in zip(state.items(), due, strict=True) if is_due}
    for name, listed in (("NOT_JUDGED", call["not_judged"]), ("NOT_VISIBLE", call["not_visible"])):
        is_so = {one for one, number in state.items() if number == UniverseState[name]}
        if set(listed) != is_so:
            yield f"call: {name} are {listed}, not {sorted(is_so)}"
    missing = {one for one in (*call["not_judged"], *call["not_visible"]) if one not in " ".join(page.all("li"))}
    if missing:
        yield f"page: the call does not name {sorted(missing)}"
    is_open = [one for one in snapshot.incidents if one.closed_ns is None]
    alarms = [one for one in is_open if one.severity >= Severity.WARNING and not one.accepted]
    if call["ready"] and any(one.severity == Severity.CRITICAL and one.returned_ns is None for one in alarms):
        yield f"ready beside {[one.rule for one in alarms]}"
    headline, accepted = page.all("h1")[0], sum(bool(one.accepted) for one in is_open)
    if "All is well" in headline:
        if not call["ready"] and not is_open:
            yield f"{headline} beside {line}"
        if len(is_open) > accepted and not re.search(rf"Besides: .*\b{len(is_open) - accepted} note", headline):
            yield f"{headline} beside {[one.rule for one in is_open]}"
        if alarms:
            yield f"{headline} beside {[one.rule for one in alarms]}"
        if call["not_judged"]:
            yield f"{headline} beside {call['not_judged']} that are not judged"


def of_night(seed: int) -> list[str]:
    """Play a night, and hold its outputs against each other once a second."""
    found: dict[str, None] = {}
    night = any_night(seed)
    declared = house_of(night.scenario.paper)
    seen: set[int] = set()

    def look(snapshot: Snapshot) -> None:
        seen.update(one.id for one in snapshot.incidents)
        at_s = (snapshot.now_ns - BASE_NS) / 1e9
        for text in differences(snapshot, len(seen)):
            found.setdefault(f"{at_s:.1f} s: {text}")
        firing = {number for one in alerts(snapshot, declared).values() for number in _ids(one)}
        expected = {
            one.id
            for one in snapshot.incidents
            if one.closed_ns is None
            and not one.accepted
            and one.severity >= Severity.WARNING
            and snapshot.now_ns - one.opened_ns >= SETTLED_NS
        }
        if declared.alerts.minimum_severity == "warning" and firing != expected:
            found.setdefault(f"{at_s:.1f} s: alerts: {sorted(firing)}, not {sorted(expected)}")

    perform(night.scenario, resting=True, look=look)
    return list(found)


def _ids(alert: Alert) -> list[int]:
    return [int(one) for one in alert["annotations"]["incidents"].split(", ")]


def main(words: list[str]) -> int:
    """Play nights and print what differs."""
    first, count = (int(words[0]) if words else 1), (int(words[1]) if len(words) > 1 else 20)
    for seed in range(first, first + count):
        for text in of_night(seed)[:4]:
            print(f"{seed}: {text}", flush=True)
    print(f"{count} nights")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
