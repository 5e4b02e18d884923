"""Ways to an indicator: each gives bytes with the instant at which they came."""
