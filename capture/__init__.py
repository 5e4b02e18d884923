"""Bytes to readings to runs: links, decoding, the recorder, the daemon, its door, and the commands."""

from config.threads import one_thread

one_thread()
