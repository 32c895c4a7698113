"""Every command that the documents show is typed as it is shown there, and none is refused."""

from __future__ import annotations

from typing import Any

import pytest

from tests.documents import commands
from tests.net.documented import NOT_HERE
from tests.net.namespace import inside

pytestmark = pytest.mark.net

FOUND_FAULTS = (
    "slotwatch host",
    "slotwatch ready",
    "slotwatch report",
    "slotwatch replay",
    "slotwatch reference compare",
)
"""Their status 1 says that something is wrong with the house or the computer, and they have said what."""
INTERRUPTED = ("curl -sN", "slotwatch rehearse")


@pytest.fixture(scope="module")
def typed(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    place = tmp_path_factory.mktemp("documents")
    return inside(f"from pathlib import Path\nfrom tests.net.documented import main\nmain(Path({str(place)!r}))")


def test_every_command_is_typed_or_has_a_reason(typed: dict[str, Any]) -> None:
    assert typed["left"] == []
    assert set(NOT_HERE) <= set(commands()), "a reason for a command that no page shows"


def test_each_does_what_it_says(typed: dict[str, Any]) -> None:
    wrong = []
    for command, (status, printed) in typed["typed"].items():
        fine = {0, 1} if command.startswith(FOUND_FAULTS) or "slotwatch replay" in command else {0}
        if command.startswith(INTERRUPTED):
            fine |= {-2, 130}
        if status not in fine or "Traceback" in printed:
            wrong.append(f"{command}: {status}\n{printed}")
    assert not wrong, "\n".join(wrong)
