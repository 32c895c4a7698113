"""One module a verb of the command line: `add_arguments(parser)` and `run(arguments) -> exit status`.

They compose pieces and print; they hold no judgement of their own.
"""
