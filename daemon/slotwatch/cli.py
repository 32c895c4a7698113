"""The command line: verbs, exit status, and the promise that no traceback ever reaches a user.

Exit status: 0 all well, 1 it ran and found faults, 2 it could not run. A verb's module is imported only
when that verb is asked for, so that the supervising process stays small.
"""

from __future__ import annotations

import argparse
import importlib
import os
import sys
from collections.abc import Sequence
from typing import NoReturn

from slotwatch import __version__
from slotwatch.errors import COULD_NOT_RUN, SlotwatchError
from slotwatch.printable import shown

NOT_SAFETY = (
    "Not a safety system: never use it for emergency or escape lighting, hoists, moving scenery, lasers, flames or "
    "pyrotechnics."
)

VERBS: dict[str, str] = {
    "serve": "run the daemon: listen, judge and serve the page, until Ctrl-C or SIGTERM",
    "check": "check a house file, its patch and its routes without a network",
    "replay": "judge a packet capture",
    "survey": "find who sends what, and write a first house file",
    "host": "check this computer: interfaces, buffers, limits, ports, clock, serial rights",
    "patch": "list the patch by universe, by fixture or by free space",
    "ready": "answer the half-hour call: ready or not, with the reasons",
    "rehearse": "play a pretend house that sends real packets to loopback",
    "report": "write the show report from the stored history",
    "reference": "keep the present levels under a name, and compare with them later",
    "backup": "write the house and its history into one file, also while the daemon runs",
    "restore": "restore a backup",
    "notify": "send a test message to the recipients in the house file",
}


class Parser(argparse.ArgumentParser):
    """Says what is wrong with the words given as everything else does: one line for each thing, exit status 2."""

    def error(self, message: str) -> NoReturn:
        self.exit(COULD_NOT_RUN, f"{shown(f'{self.prog}: {message}; see {self.prog} --help')}\n")


def build_parser(only: str | None = None) -> argparse.ArgumentParser:
    """Make the parser. With `only`, other verbs are listed but their modules are not imported."""
    parser = Parser(
        prog="slotwatch",
        description="Monitors the DMX data that your lighting depends on, and explains why it failed.",
        epilog=NOT_SAFETY,
    )
    parser.add_argument("--version", action="version", version=f"slotwatch {__version__}")
    verbs = parser.add_subparsers(dest="verb", metavar="VERB", required=True)
    for name, summary in VERBS.items():
        sub = verbs.add_parser(name, help=summary, description=summary[0].upper() + summary[1:] + ".")
        if only is None or only == name:
            module = importlib.import_module(f"slotwatch.verbs.{name}")
            module.add_arguments(sub)
            sub.set_defaults(run=module.run)
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run one verb and return its exit status."""
    words = list(sys.argv[1:] if argv is None else argv)
    asked = next((word for word in words if not word.startswith("-")), "")
    # With no known verb argparse only prints help or its error, and needs no verb's own options for that.
    arguments = build_parser(asked).parse_args(words)
    try:
        return int(arguments.run(arguments))
    except SlotwatchError as error:
        for line in error.lines:
            print(f"slotwatch {arguments.verb}: {line}", file=sys.stderr)
        return COULD_NOT_RUN
    except BrokenPipeError:
        # The reader of our output (head, less) has gone: not a fault. Keep the interpreter from saying so.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 0
    except KeyboardInterrupt:
        return 0
    except Exception as error:  # the last line of defence: a sentence, and the details only if asked for
        if os.environ.get("SLOTWATCH_TRACEBACK"):
            raise
        print(
            f"slotwatch {arguments.verb}: internal fault: {type(error).__name__}: {shown(str(error))}; "
            "run again with SLOTWATCH_TRACEBACK=1 and report what it prints",
            file=sys.stderr,
        )
        return COULD_NOT_RUN


if __name__ == "__main__":
    sys.exit(main())
