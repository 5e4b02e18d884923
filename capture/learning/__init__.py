"""Learning an unknown indicator: what arrives is looked at, a wire format proposed, its scale confirmed.

`lines` and `frames` propose from bytes alone, `scale` from a known length, `listening` brings the bytes
in over a port, `radio` over Bluetooth. Nothing is guessed that a known length could confirm.
"""
