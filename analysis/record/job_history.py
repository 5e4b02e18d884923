"""What is asked of many jobs: lists, share of `over` per part and lot, comebacks. Plain SQL over views."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

# Steps whose run says how the wheel end is after the repair.
AFTER_STEPS = ("play_after", "runout_after")

# Part and lot as read at the bearing; the latest of a wheel end.
_READ = (
    "SELECT wheel_end, answer, max(place) FROM job_entry"
    " WHERE step = '{step}' AND what = 'answer' AND step IN ('old_part', 'old_lot', 'new_part', 'new_lot')"
    " GROUP BY wheel_end"
)

# The same of one wheel end, from the index of parts alone.
_OF_FIRST = (
    "SELECT answer FROM job_entry WHERE job_entry.wheel_end = first.key AND step = '{step}'"
    " AND what = 'answer' AND step IN ('old_part', 'old_lot', 'new_part', 'new_lot')"
    " ORDER BY place DESC LIMIT 1"
)

BY_PART = f"""SELECT coalesce(part.answer, wheel_end.new_part) AS part,
       coalesce(lot.answer, wheel_end.new_lot) AS lot, count(*) AS wheel_ends,
       avg(over.wheel_end IS NOT NULL) AS share_over
FROM wheel_end
LEFT JOIN ({_READ.format(step="new_part")}) AS part ON part.wheel_end = wheel_end.key
LEFT JOIN ({_READ.format(step="new_lot")}) AS lot ON lot.wheel_end = wheel_end.key
LEFT JOIN (SELECT DISTINCT wheel_end FROM job_entry WHERE answer = 'over' AND step IN {AFTER_STEPS!r})
     AS over ON over.wheel_end = wheel_end.key
WHERE coalesce(part.answer, wheel_end.new_part) <> ''
GROUP BY 1, 2 ORDER BY share_over DESC, wheel_ends DESC"""  # noqa: S608

COMEBACKS = f"""SELECT before.vin AS vin, first.wheel AS wheel, before.id AS before, after.id AS after,
       after.odometer_km - before.odometer_km AS distance_km,
       coalesce(({_OF_FIRST.format(step="new_part")}), first.new_part) AS part,
       coalesce(({_OF_FIRST.format(step="new_lot")}), first.new_lot) AS lot
FROM job AS before JOIN job AS after ON after.vin = before.vin AND after.id > before.id
JOIN wheel_end AS first ON first.job = before.key
JOIN wheel_end AS second ON second.job = after.key AND second.wheel = first.wheel
WHERE after.odometer_km - before.odometer_km <= ? ORDER BY after.id DESC"""  # noqa: S608


def list_query(wanted: Mapping[str, Any], last: int) -> tuple[str, tuple[Any, ...]]:
    """The jobs that all filters fit (None: not asked), the newest first; SQL and its values.

    Args:
        wanted: columns of `job_list`.
        last: how many lines.
    """
    asked = {column: value for column, value in wanted.items() if value is not None}
    where = "WHERE " + " AND ".join(f"{column} = ?" for column in asked) if asked else ""
    return f"SELECT * FROM job_list {where} ORDER BY id DESC LIMIT ?", (*asked.values(), last)  # noqa: S608
