"""What must hold of every snapshot whatever happens: no sentence contradicts another, or what the columns say.

Sources: the judge's own columns (last frames, discovery lists, states) against its words. The rest is common practice,
no source.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

import numpy as np

from slotwatch.judge.catalog import CATALOG
from slotwatch.snapshot import Incident, Severity, Snapshot, UniverseState
from slotwatch.views.plain import headline
from slotwatch.views.sheet import Sheet
from tests.rehearse.agreement import FIRST_FRAME_NS, disagreements

SECOND = 1_000_000_000
ONE_FRAME_NS = 100_000_000
KEEP_ALIVE_NS = 1_250_000_000
"""Later than this nobody knows whether a stream at rest still sends (ANSI E1.31-2018 6.6.2: one packet a second)."""
SILENT_FOR_NS = 15 * SECOND
"""Longer than Art-Net's timeout of 10 s and a keep-alive of 4 s: nobody is heard of whom nothing came for so long."""
GONE = (UniverseState.LOST, UniverseState.MISSING)
NOT_JUDGED = UniverseState.NOT_JUDGED
LIVE = 0
_RUN = re.compile(r"(e131|artnet)/(\d+)(?: to (?:e131|artnet)/(\d+))?")
_BLANK = re.compile(r"  |\{|\}|\bNone\b|\bnan\b|from \.| of \.|\(\)")


def universes_in(text: str) -> set[str]:
    """Universes that a sentence names, runs written out."""
    found = set()
    for protocol, first, last in _RUN.findall(text):
        found |= {f"{protocol}/{number}" for number in range(int(first), int(last or first) + 1)}
    return found


def violations(snapshot: Snapshot) -> list[str]:
    """What is contradictory in a snapshot; nothing if all is well."""
    sheet = Sheet(snapshot)
    found = list(_of_house(sheet))
    for incident in snapshot.incidents:
        found += [f"#{incident.id} {incident.rule}: {text}" for text in _of_incident(sheet, incident)]
    return found + disagreements(snapshot)


def _of_house(sheet: Sheet) -> Iterator[str]:
    snapshot = sheet.snapshot
    is_open = [one for one in snapshot.incidents if one.closed_ns is None]
    states = dict(zip(snapshot.universe_names, snapshot.universes["state"].tolist(), strict=True))
    words = headline(sheet)
    if "All is well" in words:
        if any(one.severity >= Severity.WARNING and not one.accepted for one in is_open):
            yield f"{words!r} beside an open warning"
        if any(state in (*GONE, UniverseState.FAULTY) for state in states.values()):
            yield f"{words!r} beside a universe that is {sorted(set(states.values()))}"
    named = {name for name, numbers in sheet.incidents_of.items() if numbers}
    for name, state in states.items():
        if state in (*GONE, UniverseState.FAULTY, UniverseState.RETURNING) and name not in named:
            yield f"{name} is {UniverseState(state).word}, and no open incident names it"
    lost = {name for name, state in states.items() if state in GONE}
    for one in is_open:
        for line in one.still_working:
            if universes_in(line) & lost:
                yield f"#{one.id} still working: {line!r}, and {sorted(universes_in(line) & lost)} is lost"
    seen: dict[tuple[str, str, str], Incident] = {}
    for one in is_open:
        for key in {(one.rule, name, source) for name in one.universes for source in one.source_keys or ("",)}:
            if key in seen and _are_of_one_time(one, seen[key]):
                yield f"#{one.id} and #{seen[key].id} are both {key}"
            seen[key] = one


def _are_of_one_time(one: Incident, other: Incident) -> bool:
    """Whether both last, or came back in one moment. What is gone again while one is watched may be another's."""
    if one.returned_ns is None or other.returned_ns is None:
        return one.returned_ns == other.returned_ns
    return abs(one.returned_ns - other.returned_ns) < SECOND


def _of_incident(sheet: Sheet, one: Incident) -> Iterator[str]:
    if not one.evidence:
        yield "no evidence"
    texts = (one.summary, *one.evidence, *one.also_possible, *one.still_working, *one.next_checks)
    for text in texts:
        if not text or _BLANK.search(text):
            yield f"a sentence with a hole: {text!r}"
    if one.returned_ns is not None:
        # What comes and goes has something to look at also while it is back, as have pauses that are its sender's pace;
        # what is closed is a record.
        asked = [check for check in one.next_checks if check not in CATALOG["flapping"].next_checks]
        is_its_pace = any("E1.31 asks for a frame every" in line for line in one.evidence)
        if asked and one.closed_ns is None and not is_its_pace:
            yield f"it is back, and still asks for {asked[0]!r}"
        if one.returned_ns < one.began_ns:
            yield "it was back before it began"
        # What tells a moment has no end to name: it is shown for a while, in the same words.
        lasts = not CATALOG[one.rule].tells_a_moment
        if one.closed_ns is None and lasts and "since" not in one.summary and "times" not in one.summary:
            yield f"it is back, and says {one.summary!r}"
        if one.closed_ns is None:
            yield from _of_returned(sheet, one)
    if one.closed_ns is not None and one.closed_ns < one.opened_ns:
        yield "it closed before it opened"
    if one.returned_ns is not None and one.flaps == 0 and one.returned_ns < one.opened_ns - 2 * SECOND:
        yield "it was opened when it was over"
    if one.closed_ns is None and one.returned_ns is None:
        yield from _of_lasting(sheet, one)
        yield from _of_legs(sheet, one)


_RUNS = re.compile(r"(The source itself is|The sources themselves are) running")
_DOWN = re.compile(r"on networks? ([^;.]+?) down, networks? ([^;.]+?) goe?s? on")


def _of_legs(sheet: Sheet, one: Incident) -> Iterator[str]:
    """Who runs is heard somewhere, a network that is down does not continue, and no source is named twice in a list."""
    snapshot = sheet.snapshot
    rows = [row for row, name in enumerate(snapshot.universe_names) if name in one.universes]
    mine = np.isin(snapshot.streams["universe_row"], rows)
    for lost, heard in _DOWN.findall(one.summary):
        both = set(re.split(r", | and ", lost)) & set(re.split(r", | and ", heard))
        if both:
            yield f"{sorted(both)} is down and goes on: {one.summary!r}"
    # After a restart of the judgement nobody was heard yet: at rest Art-Net comes every 4 s.
    restarted_ns = max((entry.t_ns for entry in one.timeline if entry.text.startswith("Judging restarted")), default=0)
    if _RUNS.search(one.summary) and snapshot.now_ns - restarted_ns > 5 * SECOND:
        # An Art-Net source has another key on each network, and one name.
        rows = [index for index, name in enumerate(sheet.source_names) if name in one.sources]
        streams = np.isin(snapshot.streams["source"], rows)
        last_ns = int(snapshot.streams["last_frame_ns"][streams].max(initial=0))
        listed_ns = max((int(snapshot.sources[row].listed_at_ns) for row in rows), default=0)
        if snapshot.now_ns - max(last_ns, listed_ns) > SILENT_FOR_NS:
            yield f"nothing is heard of its sources, and {one.summary!r}"
    if "Nothing reaches this port" in one.summary and " back." not in one.summary:
        here = np.isin(snapshot.streams["network"], np.unique(snapshot.streams["network"][mine]))
        live = here & (snapshot.streams["state"] == LIVE)
        came_ns = snapshot.streams["last_frame_ns"]
        if (live & (snapshot.now_ns - came_ns < ONE_FRAME_NS) & (came_ns > one.began_ns + SILENT_FOR_NS)).any():
            yield f"something reaches it: {one.summary!r}"
    for line in (one.summary, *one.evidence, *one.still_working):
        for names in re.findall(r'(?:"[^"]+" \([^)]+\)(?:, | and )?){2,}', line):
            each = re.findall(r'"([^"]+)" \(', names)
            if len(each) != len(set(each)):
                yield f"a source twice in one list: {line!r}"


def _of_returned(sheet: Sheet, one: Incident) -> Iterator[str]:
    """What a loss says is back sends: its universes have data, its absent sources send there."""
    snapshot = sheet.snapshot
    states = dict(zip(snapshot.universe_names, snapshot.universes["state"].tolist(), strict=True))
    if one.rule in ("universe-lost", "universe-missing"):
        gone = sorted(name for name in one.universes if states.get(name) in GONE)
        # A universe may be lost again before what is back was watched long enough: that is another incident.
        gone = [name for name in gone if not set(sheet.incidents_of[name]) - {one.id}]
        if gone:
            yield f"{one.summary!r}, and {gone} is gone"
    # Just after a restart of the judgement nobody was heard yet.
    if one.rule in ("source-absent", "backup-absent") and snapshot.now_ns - snapshot.started_ns > FIRST_FRAME_NS:
        rows = [row for row, name in enumerate(snapshot.universe_names) if name in one.universes]
        # It may be back with another identity.
        named = enumerate(zip(sheet.source_keys, sheet.source_names, strict=True))
        keys = [index for index, (key, name) in named if key in one.source_keys or name in one.sources]
        mine = np.isin(snapshot.streams["universe_row"], rows) & np.isin(snapshot.streams["source"], keys)
        heard_ns = snapshot.streams["last_frame_ns"][mine].max(initial=0)
        if heard_ns < (one.returned_ns or 0) - SECOND:
            yield f"{one.summary!r}, and nothing of it was heard there since {(one.returned_ns or 0) / SECOND:.1f} s"


def _of_lasting(sheet: Sheet, one: Incident) -> Iterator[str]:
    snapshot = sheet.snapshot
    rows = [row for row, name in enumerate(snapshot.universe_names) if name in one.universes]
    mine = np.isin(snapshot.streams["universe_row"], rows)
    keys = [index for index, key in enumerate(sheet.source_keys) if key in one.source_keys]
    if re.search(r"(itself|themselves) went silent", one.summary):
        for index in keys:
            row = snapshot.sources[index]
            streams = snapshot.streams["source"] == index
            ended_ns = int(snapshot.streams["last_frame_ns"][streams & mine].max(initial=0))
            if not ended_ns:
                continue  # the leg of another network: what it sends is reported by its own streams
            before = one.summary.split("went silent")[0]
            accused = before if re.search(r"(It|They) \w+ $", before) else before.rpartition(". ")[2]
            if f'"{sheet.source_names[index]}"' not in accused:
                continue
            live = streams & (snapshot.streams["state"] == LIVE)
            late = snapshot.now_ns - snapshot.streams["last_frame_ns"] > KEEP_ALIVE_NS
            if (live & ~late).any() and not (live & ~late & mine).any():
                yield f"{sheet.source_names[index]} is alive on another universe, and {one.summary!r}"
            if row.listed_at_ns > ended_ns + 2 * SECOND:
                yield f"the discovery list of {sheet.source_names[index]} goes on, and {one.summary!r}"
    if one.rule == "universe-lost" and any("ended within one frame" in line for line in one.evidence[:2]):
        ended = mine & np.isin(snapshot.streams["source"], keys) & (snapshot.streams["state"] != LIVE)
        last_ns = snapshot.streams["last_frame_ns"][ended]
        last_ns = last_ns[last_ns >= one.began_ns - 3 * SECOND]
        if len(last_ns) and int(last_ns.max() - last_ns.min()) > ONE_FRAME_NS:
            yield f"within one frame, and over {(last_ns.max() - last_ns.min()) / SECOND:.2f} s"
    counted = re.search(r"all (\d+) sources stopped together", one.summary)
    listed = next((line for line in one.evidence if line.startswith("Silent together: ")), "")
    if counted and listed and " more" not in listed:
        names = listed.removeprefix("Silent together: ").rstrip(".")
        if len(re.split(r", | and (?=\")", names)) != int(counted.group(1)):
            yield f"{counted.group(0)!r}, and {listed!r}"
    if one.rule == "universe-lost" and one.cause != "stream-terminated":
        states = snapshot.universes["state"][rows].tolist()
        open_states = (
            (*GONE, NOT_JUDGED) if "is not known: " in one.summary or "lasts is not known" in one.summary else GONE
        )
        if rows and not any(state in open_states for state in states):
            yield f"{one.summary!r}, and its universes are {[UniverseState(state).word for state in states]}"
