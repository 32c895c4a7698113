"""What all that the program says of one moment must agree on: incidents with each other, with the states, with alerts.

Names are read from the sentences by the words that the program uses, and held against other sentences and against the
columns of the snapshot. `tests.rehearse.contradictions` plays shows and prints what does not agree. That
sentences must agree is common practice, no source; timeouts are those of ANSI E1.31-2018 6.7.1 and Art-Net.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator

from slotwatch.judge.catalog import CATALOG
from slotwatch.snapshot import Incident, Severity, Snapshot, UniverseState
from slotwatch.views.incidents import urgency
from slotwatch.views.notice import NoticeScene, single
from slotwatch.views.plain import headline
from slotwatch.views.sheet import Sheet
from tests.rehearse.named import Moment, named_sources
from tests.rehearse.sentence_form import NAMED, odd_forms, unfinished

SECOND = 1_000_000_000
DAY_S = 86_400
SENT_LATELY_NS = 16 * SECOND
"""Art-Net's timeout of 10 s, a keep-alive of 4 s, and a look each second."""
FIRST_FRAME_NS = 5 * SECOND
"""Art-Net at rest comes every 4 s: within this every sender is heard of."""
WEIGHED_NS = SECOND
"""A cause that may still change is worked out each half second."""
AWAY = (UniverseState.LOST, UniverseState.MISSING)
UNKNOWN = (UniverseState.NOT_JUDGED, UniverseState.NOT_VISIBLE)
LOSSES = ("universe-lost", "universe-missing")
ABSENCES = ("source-absent", "backup-absent")

_SENDS = re.compile(rf"((?:{NAMED}(?:, | and )?)+) (?:is sending|sends?\b)(?: universes?)?(.*)")
_GOES_ON = re.compile(rf"^universes? (.*) of ((?:{NAMED}(?:, | and )?)+)")
_SILENT = re.compile(rf"((?:{NAMED}(?:, | and )?)+) (?:went completely silent|is silent|are silent)(?! on)")
_WHOLLY_SILENT = re.compile(r"\b(?:It|They) went completely silent(?! on network)")
_TIME = re.compile(r"(?<!\d)([012]\d):([0-5]\d):([0-5]\d)(?!\d)")
_SCREEN = re.compile(
    r"^Look at (?:the screen of )?(.+?)(?:'s screen)?: (?:is it running\?|has it power, is it running\?)"
)
_SWITCH_POWER = re.compile(r"^Look at switch (.+?): has it power\?")
_LEAD_DOWN = re.compile(r'(?:((?:"[^"]+"(?:, | and )?)+)|[^"]): leads? on network ([\w-]+) down')
_NETWORK_GONE = re.compile(r"^[^.]*\. Network ([\w-]+) no longer reaches this port")
_SPEAKS_NOW = re.compile(rf'({NAMED}|"[^"]+") (carries on(?:, on network)?|still sends|is back(?! on)|keeps it alive)')
_STILL_SILENT = re.compile(r'"([^"]+)" is still silent')
_OWN = r"\b(?!and\b)([\w-]+)(?: \([^)]*\))?"
"""A network of this listener, and its interface where that is another word."""
_OVER = re.compile(r"since \d\d:\d\d:\d\d(?: at the latest)?, being watched")


def disagreements(snapshot: Snapshot) -> list[str]:
    """What does not agree in a snapshot; nothing if all is well."""
    moment = Moment(snapshot)
    found = [*_of_headline(moment), *_of_silence(moment)]
    for one in snapshot.incidents:
        of_it = [*_of_form(one), *_of_times(moment, one), *_of_lists(one), *_of_figures(one)]
        if one.closed_ns is None:
            of_it += [*_of_working(moment, one), *_of_checks(moment, one), *_of_notice(moment, one)]
        if one in moment.lasting:
            of_it += [*_of_names(moment, one), *_of_claims(moment, one), *_of_listener(moment, one)]
        found += [f"#{one.id} {one.rule}: {text}" for text in of_it]
    return found


def _of_form(one: Incident) -> Iterator[str]:
    for text in (one.summary, *one.evidence, *one.next_checks):
        yield from odd_forms(text)
        yield from unfinished(text)
    for text in (*one.also_possible, *one.still_working):
        yield from odd_forms(text)
        if text.endswith("."):
            yield f"a part of a sentence that ends: {text!r}"
    for entry in one.timeline:
        yield from odd_forms(entry.text)


def _of_lists(one: Incident) -> Iterator[str]:
    """No line stands twice in what is read together, and what is also possible is not what is said already."""
    for name in ("evidence", "also_possible", "still_working", "next_checks"):
        lines = getattr(one, name)
        if twice := [line for line, times in Counter(lines).items() if times > 1]:
            yield f"{name} says twice {twice[0]!r}"
    said = one.summary.casefold()
    for line in one.also_possible:
        words = line.casefold()
        if words in said:
            yield f"also possible is {line!r}, and {one.summary!r}"
    counted = re.search(r"\b(both|all ([\d,]+)) sources\b", one.summary)
    listed = next((line for line in one.evidence if line.startswith("Silent together: ")), "")
    if counted and listed and " more" not in listed:
        number = 2 if counted[1] == "both" else int(counted[2].replace(",", ""))
        if len(set(named_sources(listed))) != number:
            yield f"{counted[0]!r}, and {listed!r}"


def _of_times(moment: Moment, one: Incident) -> Iterator[str]:
    """No sentence names a time to come, and an incident's own times are in order."""
    now_s = (moment.snapshot.now_ns + one.wall_offset_ns) // SECOND
    for text in (one.summary, *one.evidence, *one.also_possible, *one.still_working):
        for match in _TIME.finditer(text):
            if re.search(r"(until|reads|shows|to) $", text[: match.start()]):
                continue
            hours, minutes, seconds = (int(part) for part in match.groups())
            ahead_s = (hours * 3600 + minutes * 60 + seconds - now_s) % DAY_S
            # The pretend houses keep UTC; what is half a day ahead was yesterday.
            if 1 < ahead_s < DAY_S // 4:
                yield f"{match[0]} is {ahead_s} s to come: {text!r}"
    # What returns is the same incident: it began anew (docs/api.md).
    has_returned = any(entry.what == "returned" for entry in one.timeline)
    if one.opened_ns > moment.snapshot.now_ns or (one.began_ns > one.opened_ns and not has_returned):
        yield f"it began {one.began_ns}, and opened {one.opened_ns}"
    ends = [at for at in (one.returned_ns, one.closed_ns) if at is not None]
    if any(at < one.began_ns or at > moment.snapshot.now_ns for at in ends) or ends != sorted(ends):
        yield f"it began {one.began_ns}, and was over {ends}"
    told = [entry.t_ns for entry in one.timeline]
    if told != sorted(told):
        yield f"its timeline goes back: {[entry.what for entry in one.timeline]}"


_LIMITS = (
    (re.compile(r"at ([\d.]+) Hz.*?carries ([\d.]+) Hz at most"), "over"),
    (re.compile(r"at only ([\d.]+) Hz while levels move \((?:the house asks for|at least) ([\d.]+)"), "under"),
    (re.compile(r"estimated ([\d.]+) A of ([\d.]+) A"), "over"),
    (re.compile(r"([\d,]+) of ([\d,]+) in [\d.]+ s \("), "part"),
    (re.compile(r"([\d,]+) of ([\d,]+) frames"), "part"),
    (re.compile(r"\b([\d,]+) of ([\d,]+) universes"), "part"),
)
_PERCENT = re.compile(r"(\d[\d,]*) of (\d[\d,]*) in [\d.]+ s \(([\d.]+) %\)")


def _of_figures(one: Incident) -> Iterator[str]:
    """A figure lies on that side of its limit of which the sentence speaks, and a share is that of its parts."""
    for text in (one.summary, *one.evidence):
        for pattern, side in _LIMITS:
            for first, second in pattern.findall(text):
                value, limit = float(first.replace(",", "")), float(second.replace(",", ""))
                if (side == "over" and value < limit) or (side != "over" and value > limit):
                    yield f"{value:g} against {limit:g}: {text!r}"
        for part, whole, percent in _PERCENT.findall(text):
            share = 100 * int(part.replace(",", "")) / int(whole.replace(",", ""))
            if abs(share - float(percent)) > 0.6:
                yield f"{share:.1f} %, not {percent}: {text!r}"
        for percent in re.findall(r"(\d+(?:\.\d+)?) %", text):
            if float(percent) > 100 and "usual" not in text:
                yield f"over 100 %: {text!r}"


def _of_working(moment: Moment, one: Incident) -> Iterator[str]:
    """What is said to work does: those universes are not gone, and that source sent there lately."""
    now_ns = moment.snapshot.now_ns
    for line in one.still_working:
        gone = sorted(name for name in moment.universes_in(line) if moment.states.get(name) in AWAY)
        if gone:
            yield f"still working: {line!r}, and {gone} is gone"
        sends = _SENDS.search(line)
        goes = _GOES_ON.search(line)
        if not sends and not goes:
            continue
        senders, on = (sends[1], sends[2]) if sends else (goes[2], goes[1]) if goes else ("", "")
        for name, addresses in named_sources(senders):
            rows = moment.rows_of(name, addresses)
            came_ns = moment.heard_ns(rows, moment.universes_in(on))
            since_ns = max(now_ns - SENT_LATELY_NS, moment.snapshot.started_ns - SENT_LATELY_NS)
            if rows and came_ns < since_ns and not moment.is_blind and not moment.is_discarded(rows):
                yield f"still working: {line!r}, and the newest frame is {(now_ns - came_ns) / SECOND:.1f} s old"


def _of_silence(moment: Moment) -> Iterator[str]:
    """Who is said to be silent is not said to send, in any open incident at that moment."""
    sending: dict[str, tuple[int, str]] = {}
    for one in moment.lasting:
        for line in one.still_working:
            for match in (_SENDS.search(line), _GOES_ON.search(line)):
                if match:
                    for name, _ in named_sources(match[0]):
                        sending.setdefault(name, (one.id, line))
    for one in moment.lasting:
        if not _is_of_dead_source(one):
            continue
        for name in one.sources:
            if name in sending and len(one.sources) == 1:
                number, line = sending[name]
                yield f"#{one.id} {one.summary!r}, and #{number} still working: {line!r}"


def _is_of_dead_source(one: Incident) -> bool:
    return bool(_WHOLLY_SILENT.search(one.summary) or _SILENT.search(one.summary)) and " back" not in one.summary


def _of_names(moment: Moment, one: Incident) -> Iterator[str]:
    """What a lasting loss calls lost is gone, and who it calls silent there is."""
    if _OVER.search(one.summary):
        yield f"it lasts, and {one.summary!r}"
    said = re.match(r"Universes? (.*?) (?:lost|not heard at all|have|has)\b", one.summary)
    if one.rule in LOSSES and said and " more" not in said[1]:
        told = moment.universes_in(said[1])
        fitting = (*AWAY, *UNKNOWN, *((UniverseState.NOT_SENT,) if one.cause == "stream-terminated" else ()))
        there = sorted(
            f"{name} {moment.states[name].word}"
            for name in told
            if name in moment.states and moment.states[name] not in fitting
        )
        if there:
            yield f"{one.summary!r}, and {there}"
    if (
        one.rule in ABSENCES
        and not moment.is_mixed_up
        and (said := re.search(r" silent (?:since \S+ )?on ((?:u|U)niverses? .*?)(?: since|\.|$)", one.summary))
    ):
        for name, addresses in named_sources(one.summary[: said.start()]):
            rows = moment.rows_of(name, addresses)
            names = moment.universes_in(said[1])
            if names and moment.is_sending(rows, names):
                yield f"{one.summary!r}, and {name} sends there"


def _of_claims(moment: Moment, one: Incident) -> Iterator[str]:
    """What a lasting incident says of leads, networks and sources now is what comes and does not come now."""
    now_ns = moment.snapshot.now_ns
    addresses_of = dict(named_sources(one.summary))
    for said in _LEAD_DOWN.finditer("" if moment.is_mixed_up else one.summary):
        accused, network = said.groups()
        before = [name for name, _ in named_sources(one.summary[: said.start()])]
        # What comes back comes one after the other: only what is named as silent must be so.
        told = moment.universes_in(one.summary[: said.start()]) & set(one.universes)
        told = set(one.universes) if accused or not told else told
        mine = [name for name in told if name.endswith(f"@{network}")]
        for name in re.findall(r'"([^"]+)"', accused or "") or before:
            rows = moment.rows_of(name, addresses_of.get(name, frozenset()))
            if mine and moment.is_sending(rows, mine) and not moment.is_blind:
                yield f"{one.summary!r}, and {name} sends there"
    if gone := _NETWORK_GONE.search(one.summary):
        mine = [name for name in moment.snapshot.universe_names if name.endswith(f"@{gone[1]}")]
        if mine and moment.is_sending(range(len(moment.names)), mine) and " back" not in one.summary:
            yield f"{one.summary!r}, and frames come there"
    # Just after a restart nobody was heard yet.
    has_just_begun = now_ns - moment.snapshot.started_ns < FIRST_FRAME_NS
    for speaker, speaks in () if has_just_begun else _SPEAKS_NOW.findall(one.summary):
        name = re.findall(r'"([^"]+)"', speaker)[0]
        rows = moment.rows_of(name, dict(named_sources(speaker)).get(name, frozenset()))
        came_ns = moment.heard_ns(rows, one.universes)
        if not came_ns and speaks in ("is back", "carries on, on network"):
            # It may be back on universes that another incident is about, and the address named may be its other lead.
            came_ns = moment.heard_ns(rows)
        if rows and now_ns - came_ns > SENT_LATELY_NS and not moment.is_blind and not moment.is_discarded(rows):
            yield f"{one.summary!r}, and the newest frame is {(now_ns - came_ns) / SECOND:.1f} s old"
    for name in _STILL_SILENT.findall(one.summary):
        if moment.is_sending(moment.rows_of(name, frozenset()), one.universes):
            yield f"{one.summary!r}, and {name} sends there"


def _of_checks(moment: Moment, one: Incident) -> Iterator[str]:
    """No next check asks whether something runs that is heard at that moment."""
    snapshot = moment.snapshot
    keys = Sheet(snapshot).source_keys
    for check in one.next_checks:
        if asked := _SCREEN.search(check):
            rows = [
                row
                for row, (name, key) in enumerate(zip(moment.names, keys, strict=True))
                if name == asked[1].strip('"') and (key in one.source_keys or name in one.sources)
            ]
            if rows and moment.is_sending(rows) and one.rule != "backup-in-control":
                yield f"{check!r}, and it sends: {one.summary!r}"
        if asked := _SWITCH_POWER.search(check):
            rows = [row for row in snapshot.switches if row.name == asked[1]]
            # What it answered before the fault began says nothing of it, and what it answers now is not weighed yet.
            since_ns, weighed_ns = one.began_ns, snapshot.now_ns - WEIGHED_NS
            if any(row.answers and since_ns < row.answered_ns <= weighed_ns for row in rows):
                yield f"{check!r}, and that switch answers"
        for name, network in re.findall(r'^Look at the lead of "([^"]+)" on network ([\w-]+)', check):
            for line in one.still_working:
                if f'"{name}"' in line and any(each.endswith(f"@{network}") for each in moment.universes_in(line)):
                    yield f"{check!r}, and still working: {line!r}"


def _of_listener(moment: Moment, one: Incident) -> Iterator[str]:
    """A fault of this listener sends nobody to a desk, and nothing behind its dead link is judged meanwhile."""
    if one.rule in ("link-down", "host-overrun", "join-failed", "line-port-missing") or one.cause == "this-computer":
        names = {name for name in moment.names if name}
        for text in (one.summary, *one.evidence, *one.next_checks):
            if re.search(r"power, crash|its screen|has it power", text) or any(
                text.startswith(f"Look at {name}") for name in names
            ):
                yield f"it is this listener's own, and {text!r}"
    if one.rule != "link-down":
        return
    said = re.search(rf"own networks? ((?:{_OWN}(?:, | and )?)+) ha(?:s|ve) ", one.summary)
    own = set(re.findall(_OWN, said[1])) if said else set()
    for other in moment.lasting:
        where = {name.partition("@")[2] for name in other.universes}
        if other.rule in (*LOSSES, *ABSENCES) and where and where <= own and other.began_ns > one.began_ns:
            yield f"nothing on {sorted(own)} is judged, and #{other.id} {other.summary!r}"


def _of_notice(moment: Moment, one: Incident) -> Iterator[str]:
    """The message about an incident names its severity and says the same, and its title is a sentence."""
    snapshot = moment.snapshot
    wall_ns = snapshot.now_ns + snapshot.wall_offset_ns
    scene = NoticeScene("House", snapshot.house.phase, wall_ns, snapshot.incidents)
    notice = single(scene, "phone", "opened", one, "opened")
    if not notice.title.startswith(f"{one.severity.word.capitalize()}: ") or notice.severity != one.severity.word:
        yield f"the message's title is {notice.title!r}, and it is a {one.severity.word}"
    if one.summary not in notice.text:
        yield f"the message does not say {one.summary!r}"
    lasts = not CATALOG[one.rule].tells_a_moment
    if lasts and one.returned_ns is not None and "back" not in notice.title and "Over" not in notice.title:
        yield f"it is over, and the message's title is {notice.title!r}"
    if not notice.title.endswith("…"):
        yield from (f"title: {text}" for text in odd_forms(notice.title))


def _of_headline(moment: Moment) -> Iterator[str]:
    """The status line names the most urgent first, counts the others, and calls nothing well that is not judged."""
    words = headline(Sheet(moment.snapshot))
    yield from odd_forms(words)
    alarms = [one for one in moment.is_open if not one.accepted and one.severity > Severity.NOTE]
    alarms.sort(key=urgency, reverse=True)
    states = Counter(moment.states.values())
    if alarms:
        named = sum(1 for one in alarms if one.summary in words)
        more = int(found[1]) if (found := re.search(r" And (\d+) more\.$", words)) else 0
        if not words.startswith(alarms[0].summary) or named + more < len(alarms):
            yield f"{len(alarms)} alarms, and the status line is {words!r}"
        critical = [one for one in alarms if one.severity == Severity.CRITICAL and one.returned_ns is None]
        if critical and not any(one.summary in words for one in critical):
            yield f"{critical[0].summary!r}, and the status line is {words!r}"
    elif re.match("All is well|No fault seen", words):
        if blind := [state.word for state in (*AWAY, *UNKNOWN[:1], UniverseState.FAULTY) if states[state]]:
            yield f"{words!r} beside {blind}"
        if any(state == UniverseState.NOT_VISIBLE for state in states) and words.startswith("All"):
            yield f"{words!r} beside what is not visible"
    if counted := re.match(r"(?:All is well|No fault seen|Just started): (\d+) of (\d+) ", words):
        going = ("steady", "at-rest", "on-backup", "returning")
        arriving = sum(number for state, number in states.items() if state.word in going)
        if int(counted[1]) != arriving or arriving > int(counted[2]):
            yield f"{arriving} arrive, and {words!r}"
