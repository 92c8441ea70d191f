"""Decide what a pool needs next: pure functions of the log and the time."""
