"""Numbers as decimal text that reads back to the very same double, and lengths without a rounding."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal, localcontext

import numpy as np

from analysis.trace import FloatArray
from config.lengths import NM_PER_UM, NM_PER_UNIT

NM_PER_INCH_STEP = 127  # whole multiples of it have at most six decimals in inches
_PRECISION = 40


def decimal_text(value: float) -> str:
    """The shortest decimal that reads back as `value`, without an exponent."""
    text = repr(float(value))
    return format(Decimal(text), "f") if "e" in text else text.removesuffix(".0")


def lengths_from_text(texts: Sequence[str], values: FloatArray, unit: str) -> FloatArray:
    """Micrometres of lengths written in `unit`, each the double nearest to the exact product.

    Args:
        texts: as written, each a decimal number.
        values: (n,) the same as doubles.
        unit: "mm", "um" or "in".
    """
    if unit == "um":
        return values
    nm_per_unit = float(NM_PER_UNIT[unit])
    nm = np.rint(values * nm_per_unit)
    length_um: FloatArray = nm / NM_PER_UM
    for index in np.flatnonzero(
        nm / nm_per_unit != values
    ).tolist():  # finer than a nanometre: exact, but slow
        length_um[index] = _exact_um(texts[index], unit)
    return length_um


def _exact_um(text: str, unit: str) -> float:
    with localcontext() as context:
        context.prec = max(_PRECISION, len(text) + 10)
        return float(Decimal(text) * NM_PER_UNIT[unit] / NM_PER_UM)


def texts_from_lengths(length_um: FloatArray, unit: str) -> list[str]:
    """Lengths written in `unit`, so that `lengths_from_text` gives the same doubles again."""
    if unit == "um":
        return [decimal_text(value) for value in length_um.tolist()]
    nm = np.rint(length_um * NM_PER_UM)
    if np.array_equal(nm / NM_PER_UM, length_um) and (unit == "mm" or not np.any(nm % NM_PER_INCH_STEP)):
        return _whole_nanometres([int(value) for value in nm], unit)
    return [_exact_text(value, unit) for value in length_um.tolist()]


def _whole_nanometres(length_nm: list[int], unit: str) -> list[str]:
    """Six decimals hold every whole nanometre in mm, and every half of 0.00001 in; fewer where they can."""
    millionths = length_nm if unit == "mm" else [nm * 5 // NM_PER_INCH_STEP for nm in length_nm]
    spare = next(digits for digits in (3, 2, 1, 0) if not any(value % 10**digits for value in millionths))
    keep, scale = 6 - spare, 10 ** (6 - spare)
    texts = []
    for value in millionths:
        whole, part = divmod(abs(value) // 10**spare, scale)
        texts.append(f"{'-' if value < 0 else ''}{whole}.{part:0{keep}d}")
    return texts


def _exact_text(value_um: float, unit: str) -> str:
    with localcontext() as context:
        context.prec = _PRECISION
        exact = Decimal(repr(value_um)) * NM_PER_UM / NM_PER_UNIT[unit]
        return format(exact.normalize(), "f")
