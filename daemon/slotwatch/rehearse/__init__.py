"""Pretend houses: pure programs that yield timed packets with a known truth."""
