"""Bytes that are bred by coverage, against all that reads what strangers send or write.

    python -m tests.fuzz.decoders [SECONDS [TARGET …]]

The maintained fuzzer atheris (libFuzzer for Python) does it where it is installed (`pip install -e '.[fuzz]'`); it has
no wheel for every computer. Where it is missing, a line reports that, and our own loop on `sys.settrace` does it:
an input that reaches a line, or a pair of successive lines, that none before it reached is kept and bred from.
An input that breaks a target's invariant is kept under `found/` and named; then the exit status is 1.
"""

from __future__ import annotations

import importlib.util
import random
import subprocess
import sys
import time
import traceback
from collections.abc import Callable
from pathlib import Path
from types import CodeType, FrameType
from typing import Any

import slotwatch
from tests.fuzz.targets import TARGETS

SECONDS = 60.0
MOST_KEPT = 2000
LONGEST = 8000
WATCHED = str(Path(slotwatch.__file__).parent)
FOUND = Path(__file__).parent / "found"
INTERESTING = bytes((0, 1, 2, 4, 7, 8, 14, 0x10, 0x20, 0x50, 0x70, 0x7F, 0x80, 0xA1, 0xCC, 0xDD, 0xFE, 0xFF))

Edge = tuple[CodeType, int, int]


class Coverage:
    """Lines of the watched code that inputs reached, with the line before each."""

    def __init__(self) -> None:
        self.seen: set[Edge] = set()
        self.fresh = 0
        self._watched: dict[CodeType, bool] = {}

    def run(self, target: Callable[[bytes], None], raw: bytes) -> int:
        """Run a target; return how many edges were new. Its exceptions pass through."""
        self.fresh = 0
        before = sys.gettrace()  # a coverage tool's, which continues afterwards
        sys.settrace(self._call)
        try:
            target(raw)
        finally:
            sys.settrace(before)
        return self.fresh

    def _call(self, frame: FrameType, event: str, argument: Any) -> Any:
        code = frame.f_code
        watched = self._watched.get(code)
        if watched is None:
            watched = self._watched[code] = code.co_filename.startswith(WATCHED)
        if not watched:
            return None
        last = 0

        def line(frame: FrameType, event: str, argument: Any) -> Any:
            nonlocal last
            edge = (code, last, frame.f_lineno)
            last = frame.f_lineno
            if edge not in self.seen:
                self.seen.add(edge)
                self.fresh += 1
            return line

        return line


def mutate(chance: random.Random, raw: bytes, others: list[bytes]) -> bytes:
    """Change an input a little: bytes, numbers, cuts, repeats, pieces of another."""
    made = bytearray(raw)
    for _ in range(chance.choice((1, 1, 2, 4, 8))):
        at = chance.randrange(len(made) + 1)
        way = chance.randrange(7)
        if way == 0 and made:
            made[at % len(made)] ^= 1 << chance.randrange(8)
        elif way == 1 and made:
            made[at % len(made)] = chance.choice(INTERESTING)
        elif way == 2:
            del made[at : at + chance.randrange(1, 9)]
        elif way == 3:
            made[at:at] = chance.randbytes(chance.randrange(1, 9))
        elif way == 4:
            made[at : at + 2] = chance.choice((len(made), len(made) - at, 0xFFFF, 0x7FFF, 513)).to_bytes(2, "big")
        elif way == 5:
            other = chance.choice(others)
            made[at:] = other[min(at, len(other)) :]
        else:
            del made[at:]
    return bytes(made[:LONGEST])


def fuzz(
    target: Callable[[bytes], None], seeds: list[bytes], seconds: float, seed: int
) -> tuple[int, int, bytes | None]:
    """Run one target for some time. Return (runs, edges, input that broke it)."""
    chance, coverage = random.Random(seed), Coverage()
    kept: list[bytes] = []
    queue = list(seeds)
    runs, end = 0, time.monotonic() + seconds
    while time.monotonic() < end:
        raw = queue.pop() if queue else mutate(chance, chance.choice(kept), kept)
        runs += 1
        try:
            fresh = coverage.run(target, raw)
        except Exception:
            traceback.print_exc()
            return runs, len(coverage.seen), raw
        if fresh or len(kept) < len(seeds):
            kept.append(raw)
            if len(kept) > MOST_KEPT:
                kept.pop(chance.randrange(len(kept)))
    return runs, len(coverage.seen), None


def by_chance(name: str, seconds: float, seed: int = 0) -> bool:
    """Fuzz one target with the loop of our own. True if nothing broke."""
    from tests.fuzz import corpus

    target = next(one for one in TARGETS if one.__name__ == name)
    runs, edges, culprit = fuzz(target, [*TARGETS[target], *corpus.of(target)], seconds, seed)
    print(f"{name}: {runs} inputs, {edges} edges", flush=True)
    if culprit is None:
        return True
    FOUND.mkdir(exist_ok=True)
    path = FOUND / f"{name}.bin"
    path.write_bytes(culprit)
    print(f"  broken by {len(culprit)} bytes, kept in {path}: {culprit.hex()}")
    return False


def by_atheris(name: str, seconds: float) -> bool:
    """Fuzz one target in a process of its own, since libFuzzer ends the one it runs in. True if nothing broke."""
    done = subprocess.run([sys.executable, "-m", "tests.fuzz.guided", name, str(int(seconds))], check=False)
    return done.returncode == 0


def main(seconds: float = SECONDS, wanted: tuple[str, ...] = ()) -> int:
    """Fuzz every target in turn, or those named, the time shared out evenly."""
    chosen = wanted or tuple(target.__name__ for target in TARGETS)
    run = by_atheris
    if importlib.util.find_spec("atheris") is None:
        print("atheris is not installed (pip install -e '.[fuzz]'): our own loop, which is slower and finds less")
        run = by_chance
    broken = [name for name in chosen if not run(name, max(1.0, seconds / len(chosen)))]
    print(f"broken: {', '.join(broken)}" if broken else f"{len(chosen)} targets, none broken")
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main(float(sys.argv[1]) if len(sys.argv) > 1 else SECONDS, tuple(sys.argv[2:])))
