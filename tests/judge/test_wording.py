"""Phrases that sentences share, as a person reads them aloud."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from slotwatch.judge import wording
from slotwatch.judge.lights import fixture_name, fixture_text
from tests.judge.stage import Desk, Stage, house_of
from tests.judge.test_lights import LED, rig, run


@pytest.mark.parametrize(
    ("names", "labels", "sentence"),
    [
        (["e131/1"], [""], "Universe e131/1"),
        (["e131/40"], ["Foyer"], "Universe Foyer (e131/40)"),
        (["e131/3@A", "e131/3@B"], ["LED", "LED"], "Universe LED (e131/3 on A and B)"),
        (["e131/1", "e131/2"], ["", ""], "Universes e131/1 and e131/2"),
        (["e131/1", "e131/2", "e131/3"], ["", "", ""], "Universes e131/1 to e131/3"),
        (["e131/4@A", "e131/4@B", "e131/5@A", "e131/5@B"], [], "Universes e131/4 and e131/5 on A and B"),
        (["e131/1", "e131/4", "e131/5"], [], "Universes e131/1, e131/4 and e131/5"),
        (["e131/1", "e131/40"], ["", "Foyer"], "Universes e131/1 and Foyer (e131/40)"),
        (
            ["e131/1@A", "e131/1@B", "e131/2@A", "e131/2@B"],
            ["LED", "LED", "", ""],
            "Universes LED (e131/1) and e131/2 on A and B",
        ),
        (["e131/1@A", "e131/2@B"], ["LED", "Floor"], "Universes LED (e131/1@A) and Floor (e131/2@B)"),
        (["e131/1@A", "e131/1@B", "e131/2@B"], [], "Universes e131/1 on A and B and e131/2@B"),
        (
            ["e131/1@A", "e131/1@B", "e131/2@B"],
            ["LED", "LED", "Floor"],
            "Universes LED (e131/1 on A and B) and Floor (e131/2@B)",
        ),
        (
            ["e131/1@A", "e131/1@B", "e131/2@B"],
            ["LED", "LED", ""],
            "Universes LED (e131/1 on A and B) and e131/2@B",
        ),
    ],
)
def test_one_universe_and_several_are_named_alike(names: list[str], labels: list[str], sentence: str) -> None:
    assert wording.list_universes(names, labels) == sentence


@pytest.mark.parametrize(("number", "sentence"), [(1, "1 gap"), (0, "0 gaps"), (3, "3 gaps"), (1200, "1,200 gaps")])
def test_count_agrees_with_its_noun(number: int, sentence: str) -> None:
    assert wording.count(number, "gap") == sentence


@pytest.mark.parametrize(
    ("label", "name", "position", "text", "short"),
    [
        ("Wash 1", "101", "bar 2", "Wash 1 (101)", "Wash 1"),
        ("", "2", "", "fixture 2", "fixture 2"),
        ("", "2", "bar 1", "fixture 2 (bar 1)", "fixture 2"),
        ("", "blinder", "pros", "blinder (pros)", "blinder"),
    ],
)
def test_a_fixture_is_named_so_that_a_bare_number_is_none(
    label: str, name: str, position: str, text: str, short: str
) -> None:
    fixture = replace(LED, label=label, name=name, position=position)
    assert (fixture_text(fixture), fixture_name(fixture)) == (text, short)


def test_a_sentence_that_begins_with_a_fixture_begins_with_a_capital() -> None:
    house = rig(replace(LED, label="", name="2", position="bar 1"))
    found = run(house, lambda t: {2: 0 if t > 2 else 255, 101: 200}, 10).rule("powered-off")
    assert found.summary == "Fixture 2 (bar 1): intensity is up while circuit 2 is off."


def test_a_loss_names_its_source_once() -> None:
    gone = Desk("Desk A", (1,), to_s=10.0)
    other = Desk("Desk B", (2,), "10.0.0.2", 2)
    found = Stage(house_of((1, 2)), gone, other).run(14.0).rule("universe-lost")
    assert found.summary.count("Desk A") == 1 and ". It went completely silent: power, crash" in found.summary
    both = [replace(gone, universes=(1,)), Desk("Desk C", (3,), "10.0.0.3", 3, to_s=10.0)]
    found = Stage(house_of((1, 2, 3)), *both, other).run(14.0).rule("universe-lost")
    assert found.summary.count("Desk C") == 1 and ". They went completely silent: power, crash" in found.summary


def test_figures_of_one_universe_are_not_shown_of_several() -> None:
    """Universe 1 loses one frame in ten, universe 2 one in five: the worst is named with its own count."""
    lossy = Desk("Desk A", (1, 2), drop=lambda universe, index, t: index % (10 if universe == 1 else 5) == 0)
    found = Stage(house_of((1, 2)), lossy).run(20.0).rule("packet-loss")
    assert found.summary.startswith("Universes e131/1 and e131/2 from")
    assert "(20.0 %) on e131/2, the worst of them. " in found.summary


def test_what_is_over_is_recorded_with_its_worst_figures() -> None:
    """A window of 10 s empties while a fault ends: its last figures are a tenth of what happened."""
    lossy = Desk("Desk A", (1, 2), drop=lambda universe, index, t: index % 5 == 0 and 8 < t < 20)
    stage = Stage(house_of((1, 2)), lossy).run(19.0)
    worst = stage.rule("packet-loss")
    assert "(20.0 %)" in worst.summary
    found = stage.run(40.0).rule("packet-loss")
    assert found.closed_ns is not None
    share = float(found.summary.partition(" s (")[2].partition(" %")[0])
    assert share >= 20.0, found.summary
    assert found.evidence[0].split(" frames")[0].split(": ")[1] in found.summary


def test_evidence_begins_with_the_worst_and_names_the_sender_where_there_are_several() -> None:
    def lossy(name: str, number: int, each: int) -> Desk:
        drop = lambda universe, index, t: index % each == 0  # noqa: E731
        return Desk(name, (1,), f"10.0.0.{number}", number, drop=drop)

    found = Stage(house_of((1,)), lossy("Desk A", 1, 10), lossy("Desk B", 2, 4)).run(20.0).rule("packet-loss")
    assert found.evidence[0].startswith('e131/1 from "Desk B": '), found.evidence
    assert any(text.startswith('e131/1 from "Desk A": ') for text in found.evidence[1:])


def test_slots_of_many_runs_are_cut_after_six() -> None:
    assert wording.list_slots([]) == "slots "
    assert wording.list_slots([7]) == "slot 7"
    assert wording.list_slots([1, 2, 3, 40]) == "slots 1 to 3 and 40"
    assert wording.list_slots([*range(1, 12, 2)]) == "slots 1, 3, 5, 7, 9 and 11"
    assert wording.list_slots([*range(1, 14, 2)]) == "slots 1, 3, 5, 7, 9, 11 and 1 more"
    assert wording.list_slots([*range(1, 512, 2)]) == "slots 1, 3, 5, 7, 9, 11 and 250 more"


@pytest.mark.parametrize(
    ("zone", "utc", "text"),
    [
        # The zone database (IANA): summer time of 2026 ends in Berlin on 25 October at 01:00 UTC,
        # in New York on 1 November at 06:00 UTC.
        ("Europe/Berlin", (2026, 10, 24, 23, 59, 59), "01:59:59"),
        ("Europe/Berlin", (2026, 10, 25, 0, 59, 46), "02:59:46 CEST"),
        ("Europe/Berlin", (2026, 10, 25, 1, 0, 21), "02:00:21 CET"),
        ("Europe/Berlin", (2026, 10, 25, 2, 0, 0), "03:00:00"),
        ("Europe/Berlin", (2026, 3, 29, 1, 0, 0), "03:00:00"),
        ("America/New_York", (2026, 11, 1, 5, 59, 46), "01:59:46 EDT"),
        ("America/New_York", (2026, 11, 1, 6, 0, 0), "01:00:00 EST"),
        ("UTC", (2026, 10, 25, 0, 59, 46), "00:59:46"),
    ],
)
def test_a_time_of_an_hour_that_comes_twice_says_which(zone: str, utc: tuple[int, ...], text: str) -> None:
    """A loss of 35 s was "02:59:46 to 02:00:21"."""
    wall_ns = round(datetime(*utc, tzinfo=UTC).timestamp()) * 1_000_000_000
    assert wording.time_of_day(wall_ns - 77, 77, ZoneInfo(zone)) == text


@pytest.mark.parametrize(
    ("span_s", "text"),
    [
        (0.02, "20 ms"),
        (59.94, "59.9 s"),
        (119.0, "119 s"),
        (125.0, "2 min"),
        (7199.0, "119 min"),
        (42_930.0, "11 h 55 min"),
        (200_000.0, "2 days"),
    ],
)
def test_a_long_span_is_said_as_people_say_it(span_s: float, text: str) -> None:
    """As `span` of web/words.js writes it. Common practice, no source."""
    assert wording.seconds(round(span_s * 1e9)) == text
