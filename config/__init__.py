"""What the station is told: limits, indicators, bench; lengths, units, clock and errors.

The lowest floor: it imports nothing of ours.
"""
