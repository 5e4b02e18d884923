"""How many whole turns a trace can hold at the most, told by how often it turns back.

Whatever the flange looks like, a whole turn has a largest and a smallest reading: between the first and
the last of W whole turns the reading turns back at least 2 W - 1 times. A smooth arc of part of a turn
does not, however well a clever speed might lay it over several turns.
"""

from __future__ import annotations

from analysis.trace import FloatArray

_NOISES = 5.0
_STEPS = 1.2
_SHARE = 0.06
"""A way back below this part of the whole movement does not count: noise, a bump, a trembling hand."""


def reversals(reading_um: FloatArray, noise_um: float, resolution_um: float) -> int:
    """How often the reading turns back by more than noise, steps and trembling can explain.

    Args:
        reading_um: (n,) cleaned readings in order.
        noise_um: standard deviation of one.
        resolution_um: their step.
    """
    if reading_um.size < 2:
        return 0
    span = float(reading_um.max() - reading_um.min())
    far = max(_NOISES * noise_um, _STEPS * resolution_um, _SHARE * span)
    low = high = float(reading_um[0])
    heading, count = 0, 0
    for value in reading_um.tolist():
        if heading >= 0 and value > high:
            high = value
        if heading <= 0 and value < low:
            low = value
        if heading >= 0 and high - value > far:
            count += heading > 0
            heading, low = -1, value
        elif heading <= 0 and value - low > far:
            count += heading < 0
            heading, high = 1, value
    return count


def most_whole_turns(back: int) -> int:
    """The largest number of whole turns that readings which turn back `back` times can hold."""
    return (back + 1) // 2
