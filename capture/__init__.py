"""Bytes to readings to runs: links, decoding, the recorder, the daemon, its door, and the commands."""
