"""Phrases that sentences share, as a person reads them aloud."""

from __future__ import annotations

import pytest

from slotwatch.judge import wording


@pytest.mark.parametrize(
    ("names", "labels", "said"),
    [
        (["e131/1"], [""], "Universe e131/1"),
        (["e131/40"], ["Foyer"], "Universe Foyer (e131/40)"),
        (["e131/3@A", "e131/3@B"], ["LED", "LED"], "Universe LED (e131/3 on A and B)"),
        (["e131/1", "e131/2"], ["", ""], "Universes e131/1 and e131/2"),
        (["e131/1", "e131/2", "e131/3"], ["", "", ""], "Universes e131/1 to e131/3"),
        (["e131/1", "e131/40"], ["", "Foyer"], "Universes e131/1 and Foyer (e131/40)"),
    ],
)
def test_one_universe_and_several_are_named_alike(names: list[str], labels: list[str], said: str) -> None:
    assert wording.list_universes(names, labels) == said


@pytest.mark.parametrize(("number", "said"), [(1, "1 gap"), (0, "0 gaps"), (3, "3 gaps"), (1200, "1,200 gaps")])
def test_count_agrees_with_its_noun(number: int, said: str) -> None:
    assert wording.count(number, "gap") == said
