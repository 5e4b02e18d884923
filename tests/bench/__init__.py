"""Benches: programs that print figures. On one thread, as the station computes."""

from config.threads import one_thread

one_thread()
