"""The fuzzer itself: it finds new edges, reports what breaks, and the decoders stand a short run of it."""

from __future__ import annotations

import pytest

from tests.fuzz import decoders, targets


@pytest.mark.parametrize("target", targets.TARGETS, ids=lambda target: target.__name__)
def test_a_short_run_breaks_nothing(target) -> None:  # type: ignore[no-untyped-def]
    runs, edges, culprit = decoders.fuzz(target, targets.TARGETS[target], 0.5, seed=1)
    assert culprit is None, culprit
    assert runs > len(targets.TARGETS[target]) and edges > 20


def test_guidance_finds_what_chance_alone_would_not(capsys: pytest.CaptureFixture[str]) -> None:
    """A broken invariant behind two rare branches is found and handed back."""

    def target(octets: bytes) -> None:
        targets.read_groups(octets)
        assert octets[:1] != b"\x17", "a leave"

    _, _, culprit = decoders.fuzz(target, [bytes.fromhex("1600000000000000")], 10, seed=1)
    assert culprit is not None and culprit[0] == 0x17
    assert "a leave" in capsys.readouterr().err
