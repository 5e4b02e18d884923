"""A hub, a hand and an indicator that stand in for the hardware, and the wires that carry them."""
