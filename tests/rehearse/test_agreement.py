"""The program's sentences agree with each other and with what came, whatever happens at once.

`python -m tests.rehearse.contradictions --scenarios` plays all rehearsals; `1 50`, `--two 1 50` and `--nights 1 50`
drawn shows. That sentences must agree is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
import pytest

from slotwatch.rehearse.anytwo import any_two
from slotwatch.rehearse.catalogue import SCENARIOS
from slotwatch.rehearse.nights import any_night
from slotwatch.snapshot import Incident, Snapshot, TimelineEntry, UniverseState
from slotwatch.snapshot.columns import Columns
from tests.rehearse.agreement import disagreements
from tests.rehearse.invariants import violations
from tests.rehearse.nights import away_of
from tests.rehearse.sentence_form import odd_forms
from tests.rehearse.theatre import perform
from tests.sweep import swept

SHOW = "lead-out-and-another-desk-dead-at-once"
"""Two networks, three desks, two faults at once: both last at its end."""


@cache
def _told(name: str) -> Snapshot:
    """A show a good while after its faults."""
    seen: list[Snapshot] = []
    perform(SCENARIOS[name], resting=True, look=seen.append)
    return seen[20]


def _changed(snapshot: Snapshot, of_rule: str, **fields: object) -> Snapshot:
    """The same snapshot with another text in its one incident of a rule."""
    (one,) = [each for each in snapshot.incidents if each.rule == of_rule]
    other = replace(one, **fields)  # type: ignore[arg-type]
    return replace(snapshot, incidents=tuple(other if each is one else each for each in snapshot.incidents))


def _lost(snapshot: Snapshot) -> Incident:
    return next(one for one in snapshot.incidents if one.rule == "universe-lost")


def _lead(snapshot: Snapshot) -> Incident:
    return next(one for one in snapshot.incidents if one.rule == "source-absent")


@dataclass(frozen=True)
class Wrong:
    """One sentence that does not agree, put into a show that is told right."""

    what: str
    said: str
    """What of it the check says."""
    change: Callable[[Snapshot], Snapshot]


def _steady(snapshot: Snapshot) -> Snapshot:
    """What is lost is shown as steady."""
    states = snapshot.universes["state"]
    changed = np.where(states == UniverseState.LOST, np.uint8(UniverseState.STEADY), states)
    columns = {name: snapshot.universes[name] for name in snapshot.universes} | {"state": changed}
    return replace(snapshot, universes=Columns(columns))


WRONG = (
    Wrong("what is lost is shown as steady", "e131/11@A steady", _steady),
    Wrong(
        "what is lost is said to work",
        "is gone",
        lambda s: _changed(s, "source-absent", still_working=('"house lights" (192.0.2.12) is sending e131/11@A',)),
    ),
    Wrong(
        "who is silent is said to send",
        "still working",
        lambda s: _changed(s, "source-absent", still_working=('"house lights" (192.0.2.12) is sending e131/1@B',)),
    ),
    Wrong(
        "a lead is down that brings frames",
        "main desk sends there",
        lambda s: _changed(
            s,
            "source-absent",
            universes=("e131/1@B",),
            summary='"main desk" (198.51.100.10) silent: lead on network B down, network A continues.',
        ),
    ),
    Wrong(
        "a network is gone that brings frames",
        "frames come there",
        lambda s: _changed(s, "source-absent", summary="It is lost. Network B no longer reaches this port: a switch."),
    ),
    Wrong(
        "who is silent carries on",
        "the newest frame is",
        lambda s: replace(
            _changed(s, "universe-lost", summary='Lost. "house lights" (192.0.2.12) carries on.'),
            now_ns=s.now_ns + 20_000_000_000,
        ),
    ),
    Wrong(
        "who is silent on a universe sends it",
        "backup desk sends there",
        lambda s: _changed(s, "source-absent", summary='"backup desk" (192.0.2.11) silent on universe e131/1@A.'),
    ),
    Wrong(
        "a next check asks whether something runs that is heard",
        "and it sends",
        lambda s: _changed(s, "source-absent", next_checks=("Look at the screen of main desk: is it running?",)),
    ),
    Wrong(
        "a time is to come",
        "s to come",
        lambda s: _changed(s, "universe-lost", evidence=("It ended at 17:00:59.",)),
    ),
    Wrong("it closed before it began", "was over", lambda s: _changed(s, "universe-lost", closed_ns=1)),
    Wrong(
        "its timeline goes back",
        "goes back",
        lambda s: _changed(
            s, "universe-lost", timeline=(TimelineEntry(5, "Opened.", "opened"), TimelineEntry(4, "Began.", "began"))
        ),
    ),
    Wrong(
        "the cause is also the runner-up",
        "also possible is",
        lambda s: _changed(s, "universe-lost", also_possible=("power or crash",)),
    ),
    Wrong(
        "a line stands twice",
        "says twice",
        lambda s: _changed(s, "universe-lost", next_checks=_lost(s).next_checks[:1] * 2),
    ),
    Wrong(
        "a count differs from its list",
        "both sources",
        lambda s: _changed(
            s,
            "universe-lost",
            summary="Nothing comes: both sources stopped together.",
            evidence=('Silent together: "house lights" (192.0.2.12).',),
        ),
    ),
    Wrong(
        "a part is larger than its whole",
        "12 against 10",
        lambda s: _changed(s, "universe-lost", evidence=("It lost 12 of 10 frames.",)),
    ),
    Wrong(
        "a share is not that of its parts",
        "50.0 %, not 5",
        lambda s: _changed(s, "universe-lost", evidence=("Frames are missing, 5 of 10 in 10 s (5 %).",)),
    ),
    Wrong(
        "a rate lies on the wrong side of its limit",
        "43 against 44.1",
        lambda s: _changed(
            s, "universe-lost", evidence=("It arrives at 43 Hz; a line of 512 slots carries 44.1 Hz at most.",)
        ),
    ),
    Wrong(
        "a fault of this listener sends somebody to a desk",
        "this listener's own",
        lambda s: _changed(s, "universe-lost", rule="link-down", next_checks=("Look at house lights: has it power?",)),
    ),
    Wrong(
        "nothing behind a dead link is judged",
        "is judged, and #",
        lambda s: _changed(
            s,
            "universe-lost",
            rule="link-down",
            began_ns=_lead(s).began_ns - 1,
            summary="This listener's own network A has had no carrier.",
        ),
    ),
    Wrong(
        "it lasts, and is said to be over",
        "it lasts",
        lambda s: _changed(s, "universe-lost", summary="Universe e131/11 back since 17:00:10, being watched: lost."),
    ),
    Wrong(
        "it is over, and a message does not say so",
        "it is over, and the message's title",
        lambda s: _changed(s, "universe-lost", returned_ns=s.now_ns),
    ),
)


def test_show_that_is_told_right_has_nothing_that_does_not_agree() -> None:
    snapshot = _told(SHOW)
    assert {one.rule for one in snapshot.incidents} == {"universe-lost", "source-absent"}
    assert disagreements(snapshot) == []


@pytest.mark.parametrize("wrong", WRONG, ids=lambda wrong: wrong.what)
def test_sentence_that_does_not_agree_is_found(wrong: Wrong) -> None:
    found = disagreements(wrong.change(_told(SHOW)))
    assert any(wrong.said in text for text in found), found


FORMS = (
    ("1 frames came.", "one thing as several"),
    ("It lost 3 frame.", "several things as one"),
    ("It is is silent.", "a word twice"),
    ("It is sent by ,  and is lost.", "an empty place"),
    ("Its cause is source_lost now.", "a name of the code"),
    ("It came 3.0000001 s late.", "an unrounded number"),
    ("Universes e131/1 lost.", "several universes of one"),
    ("Universe e131/1 to e131/3 lost.", "one universe of several"),
    ('"Desk A" (10.0.0.1) are silent.', "one that are"),
    ('"Desk A" (10.0.0.1) and "Desk B" (10.0.0.2) is silent.', "several that is"),
    ('It has "Desk A" (10.0.0.1) and "Desk A" (10.0.0.1).', "named twice"),
    ("Lost: e131/1, e131/2 and e131/1.", "a universe twice"),
)


@pytest.mark.parametrize(("text", "what"), FORMS)
def test_odd_form_of_a_sentence_is_found(text: str, what: str) -> None:
    assert any(found.startswith(what) or what in found for found in odd_forms(text)), text


@pytest.mark.parametrize("text", ["Universes e131/1@A to e131/3@A lost.", "It came at 3.25 Hz.", "1 of 3 frames came."])
def test_right_form_of_a_sentence_is_not_odd(text: str) -> None:
    assert not list(odd_forms(text))


SHOWS = (
    ("two", 8700019, "house lights dead, and back while the listener's leads are swapped"),
    ("night", 8700056, "a lead out, and another source that comes and goes on the other network"),
    ("night", 8700007, "a path between listeners, a process of routes, a group that is not joined"),
    ("two", 132, "a universe on the wrong network, a stranger, and swapped leads"),
    ("two", 305, "a lead out, a stranger, and swapped leads"),
    ("two", 8700020, "a lead out, a dead source and a stranger"),
    ("night", 9850042, "a lead out, and the house lights that stopped in that moment and are back"),
    ("night", 9600021, "a switch restarts, and answers again while the cause is not final"),
    ("night", 9850399, "two strangers fight with a desk, and the numbers of its backup stand"),
    ("restarted", 9880124, "a loop at a restart, which the sources do not show in one moment after it"),
    ("restarted", 9880153, "a source that loses frames, on the other network first after a restart"),
    ("restarted", 9880166, "a link between switches is down at a restart, and text arrives on one of its universes"),
    ("restarted", 9910017, "two sources lose frames, by one path after a restart"),
    ("restarted", 9910019, "a desk that was dead at a restart is heard again, one universe after the other"),
    ("two", 9870103, "a lead out, and swapped leads for less than a loss timeout"),
    ("two", 9870105, "two leads out, and swapped leads"),
    ("two", 9394012, "a lead out, the switch of that network dark, and a stranger"),
)


@pytest.mark.parametrize(("kind", "seed"), swept([(kind, seed) for kind, seed, _ in SHOWS], every=3))
def test_sentences_of_a_drawn_show_agree_each_second(kind: str, seed: int) -> None:
    night, found = (any_two if kind == "two" else any_night)(seed), list[str]()
    away_s = away_of(night) if kind == "restarted" else None
    perform(night.scenario, resting=True, restart_s=away_s, look=lambda now: found.extend(violations(now)))
    assert not found, found[:5]
