"""Random nights: each fault that was played is reported with its cause, and nothing else is; in words without slips."""

from __future__ import annotations

import pytest

from slotwatch.rehearse.anytwo import any_two
from slotwatch.rehearse.nights import any_night, healthy_night
from tests.rehearse.nights import KNOWN_S, SLACK_S, away_of, known_despite, play, play_restarted

SEEDS = (
    *(50001, 65005, 65055, 65096, 65103, 65137, 9100012, 9100027, 9100034),
    *(9300057, 9300070, 9300103, 9300108, 9340021, 9340042, 9340058),
)
"""A few of those that `python -m tests.rehearse.night_parts` plays."""
HEALTHY_SEEDS = (1, 2, 3)
RESTARTED_SEEDS = (*SEEDS[:3], 9330022, 9330045, 9330011)


@pytest.mark.slow
@pytest.mark.parametrize("seed", SEEDS)
def test_drawn_night_is_reported_as_it_was(seed: int) -> None:
    assert play(seed).wrong == ()


@pytest.mark.slow
@pytest.mark.parametrize("seed", HEALTHY_SEEDS)
def test_healthy_night_raises_nothing(seed: int) -> None:
    night = play(seed, healthy_night)
    assert night.is_healthy and night.incidents == () and night.wrong == ()


@pytest.mark.slow
@pytest.mark.parametrize("seed", RESTARTED_SEEDS)
def test_drawn_night_with_a_restart_of_the_listener_is_reported_as_it_was(seed: int) -> None:
    assert play_restarted(seed).wrong == ()


@pytest.mark.slow
@pytest.mark.parametrize("seed", (9350004, 9350012, 9350014))
def test_drawn_show_on_two_networks_with_a_restart_of_the_listener_is_reported_as_it_was(seed: int) -> None:
    assert play_restarted(seed, any_two).wrong == ()


def test_what_a_restart_may_hide_need_not_be_reported_and_everything_else_must() -> None:
    nights = [any_night(seed) for seed in range(1, 60)]
    before = between = after = 0
    for night in nights:
        (from_s, back_s), known = away_of(night), known_despite(night, away_of(night))
        before += sum(one.due_s + SLACK_S <= from_s for one in known.expected)
        after += sum(one.at_s >= back_s + KNOWN_S for one in known.expected)
        between += len(night.expected) - len(known.expected)
        unknown = sum(one.at_s < back_s for one in night.unknown)
        assert len(night.expected) + len(night.allowed) + unknown == len(known.expected) + len(known.allowed)
        assert all(one.causes == () for one in known.allowed if one not in night.allowed)
    assert min(before, between, after) > 0


def test_healthy_nights_hold_what_looks_odd() -> None:
    titles = " ".join(healthy_night(seed).scenario.title for seed in range(1, 60))
    assert all(doing in titles for doing in ("overtaken", "media gap", "lights late", "closes"))


def test_a_seed_is_always_the_same_night() -> None:
    first, second = any_night(5), any_night(5)
    assert first.expected == second.expected and first.scenario.title == second.scenario.title
    packets = zip(first.scenario.items(), second.scenario.items(), strict=False)
    assert all(one == other for _, (one, other) in zip(range(500), packets, strict=False))


def test_nights_draw_every_kind_of_fault_and_healthy_ones() -> None:
    nights = [any_night(seed) for seed in range(1, 600)]
    faults = {one.fault for night in nights for one in (*night.expected, *night.allowed)}
    assert len(faults) >= 125
    beside = {
        "fixtures overlap",
        "levels where no fixture is",
        "uplink down",
        "two queriers",
        "line with framing faults",
        "lost on the way here",
        "node silent",
        "group not joined",
        "address taken",
        "packets arrive damaged",
        "flood of polls",
        "media server moved",
        "port of a route gone",
        "process of the routes ended",
        "device of a route gone",
        "route met its own output",
        "level stays up in the blackout",
        "cues come apart",
        "lights left on",
        "unlike other shows: slower",
    }
    assert beside <= faults
    assert {len(night.expected) for night in nights} >= {0, 1, 2, 3}
    assert any(night.scenario.title.startswith(phase) for night in nights for phase in ("dark", "get-in", "post-show"))
