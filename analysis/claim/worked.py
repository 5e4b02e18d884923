"""The tables of a run's working: what was used and where the hub stood, as CSV, and read back for pictures.

A pack's pictures are drawn from these tables and not from the arithmetic behind them: the last bits of that
differ from one processor to another, and a pack has to be rebuilt to the byte wherever it is checked.

Files, all by row of the trace file, the first reading being 0 (``working`` has a row for each):

* ``working``: every reading as it entered the figures (empty when it was set aside), the hub's angle, and
  what the reading counts for.
* ``profiles``: the surface on an angle grid, each whole turn and what repeats.
* ``turns``: the first and last row of every whole turn, and the angle at which it begins.
* ``model``, ``fit``: by which the surface can be solved again (see `analysis.claim.solved`).
* ``holds``: the rests of every push and pull, and the rows that its level is the mean of.
"""

from __future__ import annotations

import io
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from analysis.claim.bag import Files
from analysis.claim.compare import TOLERANCE
from analysis.claim.solved import MODEL, UM_PER_MM, angle_texts, fit_table, mm_texts, model_table, weights
from analysis.claim.working import Working
from analysis.levels import level_rows
from analysis.runout import turn_edges
from analysis.trace import BoolArray, FloatArray

SAME_UM = 1e-7


@dataclass(frozen=True, slots=True, eq=False)
class Shown:
    """What the pictures of a run are drawn from.

    Attributes:
        kept: (n,) true where the reading of the trace was used.
        value_um: (used,) the readings as used.
        angle_deg: (used,) hub angle, NaN where unknown; None without any.
        grid_deg: (m,) angles of the surface; None without a whole turn.
        turns_um: (turns, m) the surface in each whole turn.
        repeatable_um: (m,) what comes back every turn.
    """

    kept: BoolArray
    value_um: FloatArray
    angle_deg: FloatArray | None = None
    grid_deg: FloatArray | None = None
    turns_um: FloatArray | None = None
    repeatable_um: FloatArray | None = None


def tables_of(working: Working, name: str) -> Files:
    """The tables of a run, by path; those that it has not are left out."""
    made = {
        "working": _working_table(working),
        "profiles": _profile_table(working),
        "turns": _turn_table(working),
        "model": _model_table(working),
        "fit": _fit_table(working),
        "holds": _hold_table(working),
    }
    return {f"{folder}/{name}.csv": table for folder, table in made.items() if table is not None}


def shown(tables: Mapping[str, bytes], name: str) -> Shown:
    """What to draw, from the tables of the run `name`."""
    rows = _columns(tables[f"working/{name}.csv"])
    kept = np.array([text != "" for text in rows["value_mm"]], dtype=np.bool_)
    value = UM_PER_MM * np.array([float(text) for text in rows["value_mm"] if text])
    angle = rows.get("angle_deg")
    angle_deg = None if angle is None else _numbers(angle)[kept]
    profile = tables.get(f"profiles/{name}.csv")
    if profile is None:
        return Shown(kept, value, angle_deg)
    columns = _columns(profile)
    turns = [UM_PER_MM * _numbers(texts) for column, texts in columns.items() if column.startswith("turn")]
    return Shown(
        kept,
        value,
        angle_deg,
        _numbers(columns["angle_deg"]),
        np.array(turns),
        UM_PER_MM * _numbers(columns["repeatable_mm"]),
    )


def table_difference(stated: bytes, anew: bytes, *, least: float = 1.0) -> str | None:
    """The first place in which a table says something else than its recomputation; None within tolerance.

    `least` is the value below which the tolerance no longer falls with it.
    """
    if stated == anew:
        return None
    told, found = stated.decode("utf-8", "replace").splitlines(), anew.decode().splitlines()
    if len(told) != len(found) or told[:1] != found[:1]:
        return f"has {len(told)} lines and the columns {told[0][:80] if told else ''!r}"
    for number, (one, other) in enumerate(zip(told[1:], found[1:], strict=True), start=2):
        if one != other and not _same_cells(one.split(","), other.split(","), least):
            return f"line {number} says {one[:80]!r}, the readings give {other[:80]!r}"
    return None


def _same_cells(told: Sequence[str], found: Sequence[str], least: float) -> bool:
    return len(told) == len(found) and all(
        one == other or _same_number(one, other, least) for one, other in zip(told, found, strict=True)
    )


def _same_number(one: str, other: str, least: float) -> bool:
    try:
        first, second = float(one), float(other)
    except ValueError:
        return False
    return abs(first - second) <= TOLERANCE * max(least, abs(second))


# Writing --------------------------------------------------------------------------------------------


def _csv(names: Iterable[str], rows: Iterable[str]) -> bytes:
    text = io.StringIO()
    text.write(",".join(names) + "\r\n")
    for row in rows:
        text.write(row + "\r\n")
    return text.getvalue().encode()


def _working_table(working: Working) -> bytes:
    kept = working.cleaned.kept
    columns = {"value_mm": _spread(mm_texts(working.cleaned.trace.reading_um), kept)}
    angle_deg = working.turns.angle_deg if working.turns is not None else None
    if angle_deg is not None and np.isfinite(angle_deg).any():
        columns["angle_deg"] = _spread(angle_texts(angle_deg), kept)
    for name, texts in weights(working).items():
        columns[name] = _spread(texts, kept)
    return _csv(columns, map(",".join, zip(*columns.values(), strict=True)))


def _spread(texts: Sequence[str], kept: BoolArray) -> list[str]:
    """The texts of the used readings, with an empty one for each that was not."""
    of_used: Iterator[str] = iter(texts)
    return [next(of_used) if used else "" for used in kept.tolist()]


def _profile_table(working: Working) -> bytes | None:
    profiles = working.profiles
    if profiles is None:
        return None
    turns = [f"turn{number}_mm" for number in range(1, len(profiles.turns_um) + 1)]
    columns = [mm_texts(values) for values in (profiles.repeatable_um, *profiles.turns_um)]
    rows = zip(angle_texts(profiles.angle_deg), *columns, strict=True)
    return _csv(("angle_deg", "repeatable_mm", *turns), map(",".join, rows))


def _turn_table(working: Working) -> bytes | None:
    turns = working.turns
    if turns is None or turns.angle_deg is None or turns.complete < 1 or working.profiles is None:
        return None
    known = np.isfinite(turns.angle_deg)
    row = np.flatnonzero(working.cleaned.kept)[known]
    edges = turn_edges(working.cleaned.trace.time_s[known], turns.starts_s)
    begins = map(repr, working.begins_deg) if working.begins_deg else [""] * len(edges)
    rows = [
        f"{number},{row[first]},{row[min(last, row.size - 1)]},{begins_deg}"
        for number, ((first, last), begins_deg) in enumerate(zip(edges, begins, strict=True), 1)
    ]
    return _csv(("turn", "first_row", "last_row", "begins_deg"), rows)


def _model_table(working: Working) -> bytes | None:
    rows = model_table(working)
    return None if rows is None else _csv(MODEL, map(",".join, rows))


def _fit_table(working: Working) -> bytes | None:
    table = fit_table(working)
    return None if table is None else _csv(table[0], map(",".join, table[1]))


def _hold_table(working: Working) -> bytes | None:
    play = working.play
    if play is None or not play.holds:
        return None
    row = np.flatnonzero(working.cleaned.kept)
    rows = []
    for number, (hold, level, weight) in enumerate(
        zip(play.holds, play.levels, play.level_weights, strict=True), start=1
    ):
        side = "pulled" if hold.pulled else "pushed"
        # Where all readings lie on one step or flicker between two, the level is not their mean.
        by = "mean" if abs(level.level_um - hold.level_um) < SAME_UM else "steps"
        lengths = mm_texts(np.array([level.level_um, hold.slipped_um]))
        for rest in hold.rests:
            first, stop = level_rows(rest)
            places = (rest.first, rest.stop - 1, first, stop - 1)
            cells = [str(number), side, *(str(row[place]) for place in places), by, *lengths, repr(weight)]
            rows.append(",".join(cells))
    names = ("hold", "side", "first_row", "last_row", "level_first_row", "level_last_row", "level_by")
    return _csv((*names, "level_mm", "slip_mm", "weight"), rows)


# Reading --------------------------------------------------------------------------------------------


def _columns(table: bytes) -> dict[str, list[str]]:
    lines = [line.split(",") for line in table.decode().splitlines()]
    return {name: list(texts) for name, *texts in zip(*lines, strict=True)}


def _numbers(texts: Sequence[str]) -> FloatArray:
    return np.array([float(text) if text else np.nan for text in texts])
