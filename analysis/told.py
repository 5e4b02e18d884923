"""From micrometres inside the analysis to what a result tells: millimetres, budgets, reasons."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace

from analysis.results import BudgetLine, Counts, LimitOut, Reason, UncertaintyOut
from analysis.trace import Trace
from analysis.uncertainty import true_from_plunger_um
from analysis.values import Cleaned, Component, Note, Setup, Uncertainty
from config.lengths import NM_PER_UM, mm_from_um
from config.limits import Limit


def mm_or_none(value_um: float | None) -> float | None:
    """Millimetres, or None where there is no figure."""
    return None if value_um is None else mm_from_um(value_um)


def uncertainty_out(found: Uncertainty) -> UncertaintyOut:
    """The uncertainty with its budget, in mm; infinite degrees of freedom are told as None."""
    return UncertaintyOut(
        standard=mm_from_um(found.standard_um),
        coverage_factor=found.coverage_factor,
        expanded=mm_from_um(found.expanded_um),
        degrees_of_freedom=_freedom(found.degrees_of_freedom),
        budget=tuple(_line(part) for part in found.budget),
    )


def _line(part: Component) -> BudgetLine:
    return BudgetLine(
        source=part.source,
        standard=mm_from_um(part.standard_um),
        evaluation=part.evaluation,
        degrees_of_freedom=_freedom(part.degrees_of_freedom),
    )


def _freedom(degrees: float) -> float | None:
    return None if math.isinf(degrees) else degrees


def limit_out(limit: Limit | None) -> LimitOut | None:
    """The limit in mm with its source."""
    if limit is None:
        return None

    def in_mm(length_nm: int | None) -> float | None:
        return None if length_nm is None else mm_from_um(length_nm / NM_PER_UM)

    return LimitOut(
        max=in_mm(limit.max_nm),
        good_up_to=in_mm(limit.good_up_to_nm),
        bad_above=in_mm(limit.bad_above_nm),
        source=limit.source,
    )


def reasons_out(notes: Iterable[Note]) -> tuple[Reason, ...]:
    """Notes as reasons, in order, each said once."""
    return tuple(Reason(code=note.code, text=note.text) for note in dict.fromkeys(notes))


def counts(trace: Trace, used: int) -> Counts:
    """Readings kept by the cleaning, and those set aside."""
    return Counts(used=used, rejected=len(trace) - used)


def along_the_axis(cleaned: Cleaned, setup: Setup) -> tuple[Cleaned, tuple[Note, ...]]:
    """The readings of a plunger that is known to stand askew, put right by the cosine, and that said."""
    if setup.plunger_angle_deg == 0.0:
        return cleaned, ()
    factor = true_from_plunger_um(1.0, setup.plunger_angle_deg)
    second = cleaned.trace.reading2_um
    trace = replace(
        cleaned.trace,
        reading_um=cleaned.trace.reading_um * factor,
        reading2_um=None if second is None else second * factor,
    )
    note = Note(
        "plunger_angle",
        f"The plunger stands {setup.plunger_angle_deg:g} deg to the motion: readings are multiplied by "
        f"{factor:.5f}.",
    )
    straight = replace(
        cleaned,
        trace=trace,
        noise_um=cleaned.noise_um * factor,
        resolution_um=cleaned.resolution_um * factor,
        corrected_um=cleaned.corrected_um * factor,
        correction_standard_um=cleaned.correction_standard_um * factor,
    )
    return straight, (note,)


def instrument_notes(setup: Setup) -> tuple[Note, ...]:
    """What is not known of the instrument and therefore not in the budget."""
    if setup.permissible_error_um is None and setup.permissible_local_error_um is None:
        return (
            Note(
                "permissible_error_unknown",
                "The indicator's permissible error is not known and not in the uncertainty.",
            ),
        )
    return ()
