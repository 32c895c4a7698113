"""What crosses processes is as it is written down under its number, so no process reads a shape it does not know."""

from __future__ import annotations

import pytest

from tests.shapes import FORMATS, recorded, shape_of

ADVICE = "raise its FORMAT and run `python -m tests.shapes`"


@pytest.mark.parametrize("name", FORMATS)
def test_the_shape_is_the_one_of_its_number(name: str) -> None:
    number, shape = FORMATS[name]
    before, lines = recorded(name)
    changed = sorted(set(shape()) ^ set(lines))
    assert not changed, f"{name} changed: {ADVICE}"
    assert number == before, f"{name} has another number than is written down: {ADVICE}"


def test_a_field_that_changes_its_type_changes_the_shape() -> None:
    from slotwatch.snapshot.health import LineHealth
    from slotwatch.snapshot.routes import LinePort

    assert "LineHealth.trouble: str" in shape_of(LineHealth)
    assert "LinePort.path: str" in shape_of(tuple[LinePort, ...])
    assert "LinePort.path: str" in shape_of(LinePort | None)
