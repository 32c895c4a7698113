"""What the command says of itself."""

from __future__ import annotations

import pytest

from slotwatch.cli import main


def test_help_says_that_it_is_no_safety_system(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main(["--help"])
    shown = " ".join(capsys.readouterr().out.split())
    assert "Not a safety system: never use it for emergency or escape lighting, hoists, moving scenery" in shown
    assert "lasers, flames or pyrotechnics" in shown
