"""The fuzzer itself: it finds new edges, reports what breaks, and the decoders pass a short run of it."""

from __future__ import annotations

import pytest

from tests.fuzz import corpus, decoders, targets


@pytest.mark.parametrize("target", targets.TARGETS, ids=lambda target: target.__name__)
def test_a_short_run_breaks_nothing(target) -> None:  # type: ignore[no-untyped-def]
    seeds = [*targets.TARGETS[target], *corpus.of(target)]
    for raw in seeds:
        target(raw)
    runs, edges, culprit = decoders.fuzz(target, seeds, 0.5, seed=1)
    assert culprit is None, culprit
    assert runs > 0 and edges > 20


def test_what_is_kept_is_of_a_target_that_exists_and_small() -> None:
    files = sorted(corpus.PLACE.glob("*.txt"))
    assert {file.stem for file in files} == {target.__name__ for target in targets.TARGETS}
    assert sum(file.stat().st_size for file in files) < 400_000


def test_guidance_finds_what_chance_alone_would_not(capsys: pytest.CaptureFixture[str]) -> None:
    """A broken invariant behind two rare branches is found and handed back."""

    def target(raw: bytes) -> None:
        targets.read_groups(raw)
        assert raw[:1] != b"\x17", "a leave"

    _, _, culprit = decoders.fuzz(target, [bytes.fromhex("1600000000000000")], 10, seed=1)
    assert culprit is not None and culprit[0] == 0x17
    assert "a leave" in capsys.readouterr().err
