"""Drawn shows of a house of two networks: each fault is reported, and no sentence contradicts another or the truth.

`python -m tests.rehearse.contradictions --two 1 60`, `lives two 1 60` and `night_parts FOLDER 1 60 --two` play more.
What is expected is common practice, no source; the timeouts are those of ANSI E1.31-2018 6.7.1.
"""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache

import pytest

from slotwatch.rehearse.anytwo import any_two
from slotwatch.snapshot import Incident, Snapshot
from tests.rehearse.invariants import violations
from tests.rehearse.lives import of_performance
from tests.rehearse.nights import judge
from tests.rehearse.theatre import BASE_NS, Performance, perform


@cache
def _looked_at(seed: int) -> tuple[Performance, tuple[str, ...], tuple[Incident, ...]]:
    """A show, once for all tests: what contradicted itself, and each incident as it was told, a second each."""
    found: list[str] = []
    told: list[Incident] = []

    def look(now: Snapshot) -> None:
        found.extend(violations(now))
        told.extend(replace(one) for one in now.incidents)

    performance = perform(any_two(seed).scenario, resting=True, look=look)
    return performance, tuple(found), tuple(told)


def _played(seed: int) -> Performance:
    performance, found, _ = _looked_at(seed)
    assert not found, found[:5]
    return performance


def _only(performance: Performance, rule: str) -> Incident:
    (one,) = [each for each in performance.incidents if each.rule == rule]
    return one


@pytest.mark.parametrize(
    "seed", [4, 9, 12, 38, *(pytest.param(n, marks=pytest.mark.slow) for n in (8, 10, 33, 45, 402, 411))]
)
def test_drawn_show_on_two_networks_is_reported_as_it_is(seed: int) -> None:
    performance = _played(seed)
    wrong = judge(any_two(seed), performance).wrong
    assert not [line for line in wrong if "packet-loss" not in line], wrong
    assert not of_performance(performance)


@pytest.mark.parametrize(
    "seed", [pytest.param(27, marks=pytest.mark.slow), 30, pytest.param(32, marks=pytest.mark.slow)]
)
def test_leads_that_were_swapped_back_leave_nothing_lost_or_contested(seed: int) -> None:
    performance = _played(seed)
    rules = {one.rule for one in performance.incidents if one.closed_ns is None}
    assert rules <= {"unexpected-source"}
    assert "identity-changed" not in {one.rule for one in performance.incidents}


def test_stranger_is_still_named_while_the_leads_of_the_listener_are_swapped() -> None:
    """It was there before, and sends what both networks are to carry."""
    stranger = _only(_played(3), "unexpected-source")
    assert {"e131/6@stage", "e131/6@gallery"} == set(stranger.universes)
    assert not any(entry.text.startswith("It was replaced") for entry in stranger.timeline)


def test_sources_with_swapped_leads_are_named_once() -> None:
    swapped = _only(_played(11), "networks-swapped")
    assert swapped.still_working[0].count('"main desk"') == 1


def test_network_that_goes_dark_after_a_lead_came_out_is_no_dead_desk() -> None:
    """The lead of the house lights on south is out since 18.8 s; the switch of north goes dark at 23.2 s."""
    performance = _played(21)
    assert [one.cause for one in performance.incidents] == ["leg-lost", "network-lost"]
    lead = performance.incidents[0].summary
    assert "network north continued then and is silent now" in lead
    assert "running" not in lead


def test_dead_desk_is_not_taken_for_a_lead_of_another_source() -> None:
    """The lights die 0.1 s after a lead of the media server comes out, which Art-Net shows 10 s later."""
    performance = _played(24)
    lights = next(one for one in performance.incidents if "e131/11@north" in one.universes)
    causes = {event.incident.cause for event in performance.events if event.incident and event.incident.id == lights.id}
    assert causes == {"source-lost"}
    assert not any('"media server": lead' in text for text in performance.summaries if "e131/11" in text)


def test_lead_that_is_back_is_said_to_be_back_while_the_other_is_out() -> None:
    """Main and backup lose their leads on stage at once; the main's is back after 12 s."""
    texts = [text for text in _played(25).summaries if text.startswith('Backup "backup desk"')]
    assert texts
    assert all('"main desk" is back.' in text for text in texts if "leads on network" in text)


def test_stranger_of_the_other_network_has_no_part_in_a_lead() -> None:
    """A stranger on A ends near the moment at which the main desk's lead on B comes out."""
    lead = _only(_played(2), "source-absent")
    assert "Test" not in " ".join((lead.summary, *lead.evidence))
    assert not any("192.0.2.10" in line for line in lead.evidence), "that is its address on A"
    assert "universes e131/3@B to e131/6@B" in lead.summary, "the record is of all that it took down"


@pytest.mark.parametrize("seed", [132, pytest.param(181, marks=pytest.mark.slow)])
def test_universe_on_the_wrong_network_is_no_lead_once_swapped_leads_are_right_again(seed: int) -> None:
    """It came home while the listener's leads were swapped, and is on the wrong network after that."""
    lost = next(one for one in _played(seed).incidents if one.rule in ("source-absent", "universe-lost"))
    assert lost.returned_ns is None
    assert lost.cause in ("wrong-network", "path-or-sender")
    assert "lead" not in lost.summary


@pytest.mark.parametrize("seed", [305, *(pytest.param(n, marks=pytest.mark.slow) for n in (604, 960, 1384, 2270))])
def test_lead_that_was_out_before_the_swap_is_not_back_by_what_another_network_brings(seed: int) -> None:
    """While the listener's own leads are swapped, its universes carry the other lead's data: it is not known."""
    performance, _, told = _looked_at(seed)
    swapped = _only(performance, "networks-swapped")
    (lead,) = [one for one in performance.incidents if one.cause == "leg-lost"]
    out = re.search(r"lead on \w+ is out at ([\d.]+) s for ([\d.]+) s", any_two(seed).scenario.title)
    assert out is not None
    back_s = float(out[1]) + float(out[2])
    mine = [one for one in told if one.id == lead.id]
    assert any("not known: this listener's own networks are swapped" in one.summary for one in mine)
    assert "not known" not in lead.summary or lead.closed_ns is None, "the record is of the lead, not of the swap"
    for one in mine:
        if one.returned_ns is not None:
            assert swapped.returned_ns is not None, "it is back while the networks are swapped"
            assert one.returned_ns >= BASE_NS + back_s * 1e9 - 150_000_000, "before the lead was in again"


@pytest.mark.parametrize("seed", [277, 305])
def test_swapped_leads_give_no_source_a_new_address(seed: int) -> None:
    """The other lead of a source that was heard all along on the other network."""
    rules = {event.incident.rule for event in _played(seed).events if event.incident}
    assert "identity-changed" not in rules


@pytest.mark.parametrize(("seed", "due_s"), [(9101004, 24.0 + 14.0), (9870197, 18.6 + 14.0), (9620012, None)])
def test_frames_that_a_dark_network_loses_are_due_once_it_is_back(seed: int, due_s: float | None) -> None:
    """Nobody can count frames on a network that brings none (the third is dark to the end). 14 s: a window of 10 s,
    and its passes."""
    owed = [one.due_s for one in any_two(seed).expected if one.rules == ("packet-loss",)]
    assert owed == ([] if due_s is None else [pytest.approx(due_s, abs=0.1)])
