"""``hubproof clock``: the bolt position of the brake disc that makes its run-out least."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from capture.commands.options import json_option
from config.errors import InputError
from config.sizes import mm_of

if TYPE_CHECKING:
    from analysis.clocking import Clocking, Position, Wave

RUNOUT = "'0.040 mm at 30', or a file written by 'hubproof analyse --kind runout --json'"


@click.command(short_help="Find the bolt position of the disc with the least run-out.")
@click.option("--flange", required=True, metavar="RUNOUT|FILE", help="The flange's face alone.")
@click.option("--disc", required=True, metavar="RUNOUT|FILE", help="The disc as mounted now.")
@click.option("--bolts", type=click.IntRange(2, 12), required=True, help="Studs of the flange.")
@click.option("--flange-radius", metavar="LENGTH", help="Where the plunger stood on the flange.")
@click.option("--disc-radius", metavar="LENGTH", help="Where it stood on the disc.")
@json_option
def command(
    flange: str, disc: str, bolts: int, flange_radius: str | None, disc_radius: str | None, as_json: bool
) -> None:
    """Predict the run-out of the mounted disc in every bolt position.

    RUNOUT is the run-out and the angle of its high spot in degrees from stud 1, growing in the direction in
    which the hub is turned, such as '0.040 mm at 30'; FILE is a result of 'analyse --kind runout --json'.
    Both runs count from the same stud. Measure again after turning the disc: the prediction is no proof.
    """
    from analysis.clocking import at_radius, clock_disc

    if (flange_radius is None) != (disc_radius is None):
        raise InputError("one radius alone says nothing", where="clock", expected="both radii or none")
    base = _waves(flange, "--flange")
    if flange_radius is not None and disc_radius is not None:
        base = at_radius(
            base,
            from_mm=mm_of(flange_radius, "--flange-radius"),
            to_mm=mm_of(disc_radius, "--disc-radius"),
        )
    found = clock_disc(base, _waves(disc, "--disc"), bolts=bolts)
    if as_json:
        import json

        click.echo(json.dumps(_told(found)))
        return
    for position in found.positions:
        best = "  best" if position is found.best else ""
        click.echo(f"turned on by {_bolts(position.bolts)}: {_figure(position)}{best}")
    click.echo(_advice(found))


def _waves(text: str, where: str) -> tuple[Wave, ...]:
    """Orders of a typed run-out, or of a result file."""
    from analysis.clocking import Wave

    runout, at, angle = text.partition(" at ")
    if not at:
        return _read(Path(text), where)
    try:
        peak_deg = float(angle.removesuffix("deg"))
    except ValueError as error:
        raise InputError(f"{angle!r} is no angle", where=where, expected=RUNOUT) from error
    swing_mm = mm_of(runout, where)
    if swing_mm < 0.0 or not -360.0 <= peak_deg <= 360.0:
        raise InputError(f"{text!r} is no run-out", where=where, expected=RUNOUT)
    return (Wave(1, swing_mm * 1000.0 / 2.0, peak_deg % 360.0),)


def _read(path: Path, where: str) -> tuple[Wave, ...]:
    from pydantic import ValidationError

    from analysis.clocking import Wave
    from analysis.results import RunoutResult

    try:
        result = RunoutResult.model_validate_json(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise InputError(
            f"{str(path)!r} cannot be read: {error.strerror}", where=where, expected=RUNOUT
        ) from error
    except (UnicodeDecodeError, ValidationError) as error:
        raise InputError(f"{str(path)!r} holds no run-out result", where=where, expected=RUNOUT) from error
    if not result.per_turn_orders:
        raise InputError(f"{str(path)!r} holds no orders of the turn", where=where, do="measure again")
    if result.turns.found_by not in ("marks", "angle"):
        raise InputError(
            f"the angle in {str(path)!r} does not count from a stud",
            where=where,
            do="measure again and mark each passing of stud 1",
        )
    return tuple(
        Wave(o.order, o.amplitude_mm * 1000.0, o.peak_deg, (o.standard_mm or 0.0) * 1000.0)
        for o in result.per_turn_orders
    )


def _told(found: Clocking) -> dict[str, Any]:
    return {
        "positions": [
            {
                "bolts": position.bolts,
                "run_out_mm": round(position.runout_um / 1000.0, 9),
                "standard_mm": round(position.standard_um / 1000.0, 9),
            }
            for position in found.positions
        ],
        "best_bolts": found.best.bolts,
        "predicted_mm": round(found.best.runout_um / 1000.0, 9),
        "gain_mm": round(found.gain_um / 1000.0, 9),
        "sure": found.sure,
    }


def _figure(position: Position) -> str:
    spread = f" ± {2 * position.standard_um / 1000:.4f}" if position.standard_um else ""
    return f"{position.runout_um / 1000:.4f}{spread} mm"


def _bolts(count: int) -> str:
    return "1 bolt" if count == 1 else f"{count} bolts"


def _advice(found: Clocking) -> str:
    if found.best.bolts == 0:
        return "leave the disc as it is: no other position is better"
    if not found.sure:
        return "leave the disc as it is: the gain is not larger than its uncertainty"
    return (
        f"turn the disc on by {_bolts(found.best.bolts)} in the direction of turning: "
        f"{_figure(found.best)} predicted, less by {found.gain_um / 1000:.4f} mm; then measure it"
    )
