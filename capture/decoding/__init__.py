"""Bytes in, readings and errors out: pure functions, shared by all links."""
