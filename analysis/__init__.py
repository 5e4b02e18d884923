"""Traces in, judged results out. Pure: arrays in, frozen values out; no clock, no disk, no logging.

Only `analysis.record` (the store) and `analysis.claim` (the pack) have a door to the disk.
"""
