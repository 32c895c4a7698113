"""One target under atheris, in a process of its own: `python -m tests.fuzz.guided TARGET SECONDS`."""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import atheris

with atheris.instrument_imports(include=["slotwatch"]):
    from tests.fuzz import corpus as kept
    from tests.fuzz.targets import TARGETS

FOUND = Path(__file__).parent / "found"
LONGEST = 8000
SLOWEST_S = 10
"""An input that takes longer is a fault as well."""
MOST_MIB = 2048


def main(name: str, seconds: int) -> None:
    """Fuzz until the time is over. Ends the process: 0, or another status if an input broke the target."""
    target = next(one for one in TARGETS if one.__name__ == name)
    FOUND.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as corpus:
        for number, seed in enumerate([*TARGETS[target], *kept.of(target)]):
            (Path(corpus) / f"seed-{number}").write_bytes(seed)
        print(f"{name}: {seconds} s", flush=True)
        limits = (
            f"-max_total_time={seconds}",
            f"-max_len={LONGEST}",
            f"-timeout={SLOWEST_S}",
            f"-rss_limit_mb={MOST_MIB}",
        )
        quiet = ("-verbosity=0", "-print_final_stats=1", f"-artifact_prefix={FOUND}/{name}-")
        atheris.Setup([sys.argv[0], *limits, *quiet, corpus], target)
        atheris.Fuzz()


if __name__ == "__main__":
    main(sys.argv[1], int(sys.argv[2]))
