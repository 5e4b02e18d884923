"""Asks the analysis what a run's readings say, so far or in the end. Loaded late: it is heavy."""

from __future__ import annotations

from dataclasses import asdict
from importlib import import_module
from typing import TYPE_CHECKING, Any

from analysis.results import EndplayResult, RestResult, RunoutResult
from analysis.results_bore import BoreResult
from analysis.values import Setup
from capture.messages import MeasuredKind, RunRequest
from config.indicators import Indicator
from config.lengths import NM_PER_UM
from config.limits import Limit, parse_limit
from config.settings import default_limit

if TYPE_CHECKING:
    from analysis.record import RunRef, Store
    from analysis.trace import FloatArray, Trace

SURE = 0.8  # below it a count of turns has rivals

AnyResult = RunoutResult | EndplayResult | BoreResult | RestResult


def limit_for(request: RunRequest, limits: tuple[Limit, ...]) -> Limit | None:
    """The limit of a run: the typed one, else the station's for that quantity, else none.

    A rest check is made for what is measured next: it has the tightest of the station's limits.

    Raises:
        InputError: the typed limit has no unit, or is not above zero.
    """
    if request.kind == "trace" or request.unjudged:
        return None
    if request.limit is None:
        kinds = ("runout", "endplay") if request.kind == "rest" else (request.kind,)
        known = [limit for kind in kinds if (limit := default_limit(kind, limits)) is not None]
        return min(known, key=lambda limit: limit.accept_nm, default=None)
    quantity = "runout" if request.kind == "rest" else request.kind
    if request.limit_source:
        return parse_limit(request.limit, quantity, source=request.limit_source)
    return parse_limit(request.limit, quantity)


def setup_for(request: RunRequest, indicator: Indicator, holder_moved: bool | None) -> Setup:
    """What is known of the instrument and how it stands.

    Args:
        request: the run.
        indicator: the instrument.
        holder_moved: what the last rest check with it said, None without one.
    """
    return Setup(
        permissible_error_um=indicator.permissible_error_nm / NM_PER_UM,
        studs=request.studs,
        asked_turns=request.turns if request.kind == "runout" else None,
        surface=request.surface,
        freshly_fitted=request.freshly_fitted,
        holder_moved=holder_moved,
        range_um=range_um(indicator),
    )


def range_um(indicator: Indicator) -> tuple[float, float] | None:
    """Lowest and highest reading of the plunger's travel; None when its zero may stand anywhere in it."""
    if indicator.plunger_out_nm is None:
        return None
    out_nm = indicator.plunger_out_nm
    return out_nm / NM_PER_UM, (out_nm + indicator.range_nm) / NM_PER_UM


def as_applied(request: RunRequest, setup: Setup, limit: Limit | None) -> dict[str, Any]:
    """What is kept with a run: what was asked, and what its result rests on, as applied.

    From these a claim pack gives the same figures again.

    Raises:
        InputError: what was typed of the bore contradicts itself.
    """
    applied = {
        **request.model_dump(mode="json", exclude_none=True),
        "applied_setup": asdict(setup),
        "applied_limit": None if limit is None else asdict(limit),
    }
    if request.kind == "bore":
        from capture.bore_setup import bore_setup_of

        applied["applied_bore"] = asdict(bore_setup_of(request.bore))
    return applied


def measure(request: RunRequest, trace: Trace, limit: Limit | None, setup: Setup) -> AnyResult | None:
    """The result of a trace for the kind of run; None for a run that only records."""
    if request.kind == "runout":
        from analysis.measure import measure_runout

        return measure_runout(trace, limit=limit, setup=setup)
    if request.kind == "endplay":
        from analysis.measure import measure_endplay

        return measure_endplay(trace, limit=limit, setup=setup)
    if request.kind == "bore":
        from analysis.bore import measure_bore
        from capture.bore_setup import bore_setup_of

        return measure_bore(trace, limit=limit, setup=setup, bore=bore_setup_of(request.bore))
    if request.kind == "rest":
        from analysis.rest import check_rest

        return check_rest(trace, setup, limit=limit)
    return None


def conclude(
    request: RunRequest, trace: Trace, limit: Limit | None, setup: Setup
) -> tuple[AnyResult | None, FloatArray | None]:
    """The result as `measure` gives it, and the turns' profiles to keep beside a run-out.

    Returns:
        The result, and (turns, angles) micrometres on a grid of equal angles; None without turns.
    """
    if request.kind != "runout":
        return measure(request, trace, limit, setup), None
    from analysis.measure import work_out_runout

    worked = work_out_runout(trace, limit=limit, setup=setup, second=request.second)
    profiles = worked.runout.profiles if worked.runout else None
    return worked.result, None if profiles is None else profiles.turns_um


def conclude_in(
    store: Store, ref: RunRef, request: RunRequest, limit: Limit | None, setup: Setup
) -> AnyResult | None:
    """Conclude a run from its readings as they are in the record, and keep the result beside them.

    Raises:
        StoreError: the record refuses.
    """
    store.save_arrival(ref.id)
    result, profiles = conclude(request, store.trace(ref.id), limit, setup)
    if result is not None:
        store.save_result(ref.key, result, profiles)
    return result


def load(kind: MeasuredKind) -> None:
    """Import what a run of this kind is worked out with, while nobody waits for it."""
    names = {"runout": ("measure",), "endplay": ("measure",), "bore": ("bore",), "rest": ("rest",)}
    for name in names.get(kind, ()):
        import_module(f"analysis.{name}")


def seen_in(result: AnyResult | None) -> float | None:
    """Turns, strokes or places that were certainly seen; None when it cannot be told yet."""
    if isinstance(result, BoreResult):
        return float(result.places_seen)
    if isinstance(result, EndplayResult):
        return float(len(result.strokes))
    if isinstance(result, RunoutResult) and result.turns.total is not None:
        totals = (result.turns.total, *result.turns.alternatives)
        if result.turns.confidence >= SURE or len(totals) > 1:
            return min(totals)
    return None


def likely_in(result: AnyResult | None) -> float | None:
    """Turns as the readings most likely tell them, whatever else they allow; None when they tell none."""
    return result.turns.total if isinstance(result, RunoutResult) else None
