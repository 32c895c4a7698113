"""slotwatch watches network DMX and DMX512 lines and says why something failed.

Importing this package imports nothing heavy: the supervising process must stay small.
"""

__version__ = "0.1.0"
