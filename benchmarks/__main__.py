"""Every benchmark in one run: `python -m benchmarks`, or `make bench`. Names of modules as arguments choose."""

from __future__ import annotations

import importlib
import pkgutil
import sys

import benchmarks

NOT_BENCHMARKS = {"__main__", "attacks", "load", "soak"}


def main(wanted: list[str]) -> int:
    names = [module.name for module in pkgutil.iter_modules(benchmarks.__path__) if module.name not in NOT_BENCHMARKS]
    unknown = [name for name in wanted if name not in names]
    if unknown:
        print(f"there is no benchmark {', '.join(unknown)}; there are {', '.join(names)}", file=sys.stderr)
        return 2
    for name in wanted or names:
        print(f"== {name}", flush=True)
        importlib.import_module(f"benchmarks.{name}").main()
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
