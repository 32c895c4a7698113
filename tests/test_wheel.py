"""The wheel holds the page and the example houses, and runs outside the checkout."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

ROOT = Path(__file__).parent.parent


def test_the_wheel_holds_the_page_and_runs_outside_the_checkout(tmp_path: Path) -> None:
    built = subprocess.run(
        [sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", str(tmp_path), str(ROOT)],
        capture_output=True,
        text=True,
    )
    assert built.returncode == 0, built.stdout + built.stderr
    (wheel,) = tmp_path.glob("*.whl")
    inside = tmp_path / "inside"
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(inside)
    program = (
        "from slotwatch.edge.shared import compiled, shipped; from slotwatch.edge.shared.files import load_house; "
        "from slotwatch.views.templates import environment; "
        "assert environment().get_template('report.html') and environment().get_template('plain.html'); "
        "built = None not in (compiled.load(), compiled.load_receiving(), compiled.load_recording(), "
        "compiled.load_looking(), compiled.load_copying(), compiled.load_intervals(), compiled.load_levels()); "
        f"assert built or {shutil.which('cc') is None}; "
        "assert (shipped.directory('web') / 'index.html').is_file(); "
        "print(load_house(shipped.directory('config') / 'harbour-street' / 'house.toml').name, shipped.__file__)"
    )
    ran = subprocess.run(
        [sys.executable, "-c", program],
        capture_output=True,
        text=True,
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(inside)},
    )
    assert ran.stdout.startswith("Harbour Street Playhouse"), ran.stderr
    assert str(inside) in ran.stdout, "the wheel's own files were used, not the checkout's"
