"""The C files under the compiler's sanitizers: they read what strangers send, and C does not check its own steps.

The tests that compare each file with numpy, and one show of hostile traffic, run once more in a process in which a
read or a write outside an array, a shift too far or an overflow ends the process and says where.
Source: gcc's manual, "Program Instrumentation Options", and its AddressSanitizer, a judge outside this project.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests.compiling import SANITIZE, compiler

ROOT = Path(__file__).parents[2]
COMPARISONS = (
    "tests/model/test_continuations.py",
    "tests/model/test_windows.py",
    "tests/model/test_flashes.py",
    "tests/edge/intake/test_udp_in.py",
    "tests/edge/judging/test_recorder.py::test_the_compiled_recorder_keeps_the_same_as_numpy",
    "tests/edge/shared/test_ring.py",
    "tests/wire/test_novelty.py",
    "tests/fuzz/test_sequences.py::test_a_show_under_attack_holds_and_recovers[1]",
)


def _sanitized(*arguments: str) -> subprocess.CompletedProcess[str]:
    """Run Python with the sanitizers loaded before it, as a library that is built with them needs."""
    found = subprocess.run([compiler(), "-print-file-name=libasan.so"], check=True, capture_output=True, text=True)
    library = Path(found.stdout.strip())
    if not library.is_absolute():  # where the compiler has none it repeats the name
        assert os.environ.get("CI") != "true", "AddressSanitizer is missing"
        pytest.skip("AddressSanitizer is missing: sudo apt-get install gcc")
    # Python itself keeps memory until it ends, which is no leak of these files.
    more = {SANITIZE: "1", "LD_PRELOAD": str(library), "ASAN_OPTIONS": "detect_leaks=0"}
    command = [sys.executable, *arguments]
    return subprocess.run(command, cwd=ROOT, env={**os.environ, **more}, capture_output=True, text=True, check=False)


def test_no_compiled_pass_steps_outside_its_arrays() -> None:
    run = _sanitized("-m", "pytest", "-x", "-p", "no:cacheprovider", "-k", "not numpy or compiled", *COMPARISONS)
    assert run.returncode == 0, run.stdout[-3000:] + run.stderr[-3000:]
    assert "passed" in run.stdout


def test_a_step_outside_an_array_is_found(tmp_path: Path) -> None:
    """What the test above rests on: one packet more than there are rows ends the process."""
    source = tmp_path / "beyond.c"
    source.write_text("#include <stdint.h>\nint64_t beyond(int64_t *a, int64_t n) { return a[n] = n; }\n")
    program = f"""
import ctypes, pathlib, numpy
from tests.compiling import build_in
library = ctypes.CDLL(str(build_in(pathlib.Path({str(tmp_path)!r}), pathlib.Path({str(source)!r}))))
rows = numpy.zeros(4096, numpy.int64)
library.beyond(ctypes.c_void_p(rows.ctypes.data), ctypes.c_int64(4095))
print("inside", flush=True)
library.beyond(ctypes.c_void_p(rows.ctypes.data), ctypes.c_int64(4096))
print("beyond", flush=True)
"""
    run = _sanitized("-c", program)
    assert run.returncode != 0
    assert "inside" in run.stdout
    assert "beyond\n" not in run.stdout
    assert "heap-buffer-overflow" in run.stderr
