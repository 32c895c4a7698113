"""Pretend houses: pure programs that yield timed packets with a known truth.

They build every byte themselves from the standards' tables and never use the project's own codecs, so
that a scenario is an independent witness of what the decoders and rules say.
"""
