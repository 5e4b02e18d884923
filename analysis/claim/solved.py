"""The tables by which the surface of a run-out is solved again: its columns, and what was fitted to them.

The problem is that of `analysis.surface.Posed`. ``model`` has a row for every column of the design matrix: a
cosine or, of the first three, level, drift and the bend of the drift; or what stands beside in ``fit``; each
with the variance of its coefficient before the readings are asked. What was fitted are mostly the readings
themselves: ``working`` then has their weight beside them. Where they were not (very many readings put
together, stops at the studs) a table ``fit`` has the rows.
"""

from __future__ import annotations

import numpy as np

from analysis.claim.working import Working
from analysis.decimal_text import decimal_text
from analysis.surface import Posed
from analysis.trace import BoolArray, FloatArray

DIGITS = 10  # of a millimetre: 0.1 pm, far below any figure's doubt
ANGLE_DIGITS = 7
UM_PER_MM = 1000.0
MODEL = ("per_turn", "from_deg", "prior_mm2", "drawn", "beside", "middle_s", "half_s", "reading_mm2")
SAME_RAD, SAME_UM = 1e-6, 1e-7
STEADY = 3  # level, drift, bend of the drift


def mm_texts(value_um: FloatArray) -> list[str]:
    """Lengths in mm, empty for NaN."""
    return ["" if v != v else repr(v + 0.0) for v in np.round(value_um / UM_PER_MM, DIGITS).tolist()]


def angle_texts(angle_deg: FloatArray) -> list[str]:
    """Angles in degrees, empty for NaN."""
    return ["" if v != v else repr(v + 0.0) for v in np.round(angle_deg, ANGLE_DIGITS).tolist()]


def weights(working: Working) -> dict[str, list[str]]:
    """Columns that stand beside the used readings: their weight, and of coarse steps what was fitted to them.

    Empty where something else than the readings was fitted.
    """
    posed = working.posed
    if posed is None or not _are_readings(posed, working):
        return {}
    assert working.turns is not None
    assert working.turns.angle_deg is not None
    known = np.isfinite(working.turns.angle_deg)
    told = {"weight": _placed(_weight_texts(posed.weight), known)}
    if np.allclose(posed.value_um, working.cleaned.trace.reading_um[known], 0, SAME_UM):
        return told
    return {"fitted_mm": _placed(mm_texts(posed.value_um), known), **told}


def fit_table(working: Working) -> tuple[tuple[str, ...], list[tuple[str, ...]]] | None:
    """Names and rows of ``fit``; None where the readings themselves were fitted."""
    posed = working.posed
    if posed is None or _are_readings(posed, working):
        return None
    columns = {
        "angle_deg": angle_texts(np.rad2deg(posed.angle_rad)),
        "time_s": [decimal_text(value) for value in posed.time_s.tolist()],
        "fitted_mm": mm_texts(posed.value_um),
        "weight": _weight_texts(posed.weight),
    }
    if posed.beside is not None:
        beside = zip(*posed.beside.tolist(), strict=True)
        columns |= {f"beside{n}_mm": [repr(v / UM_PER_MM) for v in one] for n, one in enumerate(beside, 1)}
    return tuple(columns), list(zip(*columns.values(), strict=True))


def model_table(working: Working) -> list[tuple[str, ...]] | None:
    """Rows of ``model``; None without a surface."""
    posed = working.posed
    if posed is None:
        return None
    shape, orders = posed.shape, posed.shape.orders
    start_deg = float(np.rad2deg(shape.start_rad))
    waves = [(float(order), 0.0) for order in range(1, orders + 1)]
    waves += [(per_turn, start_deg) for per_turn in shape.slow_per_turn.tolist()]
    columns = [(0.0, 0.0)] * STEADY
    for per_turn, from_deg in waves:
        # A sine is a cosine that begins a quarter of its period later.
        columns += [(per_turn, from_deg), (per_turn, from_deg + 90.0 / per_turn)]
    left_out = 2 * (orders - posed.kept_orders)
    drawn = [1] * (shape.periodic.stop - left_out) + [0] * left_out + [1] * (2 * shape.slow_per_turn.size)
    same = (repr(shape.middle_s), repr(shape.half_s), repr(posed.variance / UM_PER_MM**2))
    rows = []
    for number, prior in enumerate(posed.prior.tolist()):
        is_beside = number >= len(columns)
        per_turn, from_deg = (0.0, 0.0) if is_beside else columns[number]
        # What stands beside is in mm already, its coefficient a bare number.
        mm2 = prior if is_beside else prior / UM_PER_MM**2
        told = (drawn[number], 0) if not is_beside else (0, 1)
        rows.append((repr(per_turn), repr(from_deg), repr(mm2), *map(str, told), *same))
    return rows


def _are_readings(posed: Posed, working: Working) -> bool:
    """Whether each row of the fit is a used reading at its own angle."""
    angle_deg = working.turns.angle_deg if working.turns is not None else None
    if posed.beside is not None or angle_deg is None:
        return False
    known_rad = np.deg2rad(angle_deg[np.isfinite(angle_deg)])
    return known_rad.size == posed.angle_rad.size and np.allclose(known_rad, posed.angle_rad, 0, SAME_RAD)


def _weight_texts(weight: FloatArray) -> list[str]:
    return [f"{value:.9g}" for value in weight.tolist()]


def _placed(texts: list[str], known: BoolArray) -> list[str]:
    of_known = iter(texts)
    return [next(of_known) if is_known else "" for is_known in known.tolist()]
