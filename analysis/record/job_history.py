"""What is asked of many jobs: lists, share of `over` per part and lot, comebacks. Plain SQL over views."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

# Steps whose run says how the wheel end is after the repair.
AFTER_STEPS = ("play_after", "runout_after")

BY_PART = f"""SELECT new_part AS part, new_lot AS lot, count(*) AS wheel_ends, avg(over) AS share_over
FROM (SELECT coalesce((SELECT answer FROM job_entry WHERE job_entry.wheel_end = wheel_end.key
                       AND step = 'new_part' AND what = 'answer' ORDER BY place DESC LIMIT 1), new_part)
             AS new_part,
             coalesce((SELECT answer FROM job_entry WHERE job_entry.wheel_end = wheel_end.key
                       AND step = 'new_lot' AND what = 'answer' ORDER BY place DESC LIMIT 1), new_lot)
             AS new_lot,
             EXISTS (SELECT 1 FROM job_entry WHERE job_entry.wheel_end = wheel_end.key
                     AND job_entry.step IN {AFTER_STEPS!r} AND job_entry.answer = 'over') AS over
      FROM wheel_end)
WHERE new_part <> '' GROUP BY new_part, new_lot ORDER BY share_over DESC, wheel_ends DESC"""  # noqa: S608

COMEBACKS = """SELECT before.vin AS vin, first.wheel AS wheel, before.id AS before, after.id AS after,
       after.odometer_km - before.odometer_km AS distance_km, first.new_part AS part, first.new_lot AS lot
FROM job AS before JOIN wheel_end AS first ON first.job = before.key
JOIN job AS after ON after.vin = before.vin AND after.key > before.key
JOIN wheel_end AS second ON second.job = after.key AND second.wheel = first.wheel
WHERE after.odometer_km - before.odometer_km <= ? ORDER BY after.id DESC"""


def list_query(wanted: Mapping[str, Any], last: int) -> tuple[str, tuple[Any, ...]]:
    """The jobs that all filters fit (None: not asked), the newest first; SQL and its values.

    Args:
        wanted: columns of `job_list`.
        last: how many lines.
    """
    asked = {column: value for column, value in wanted.items() if value is not None}
    where = "WHERE " + " AND ".join(f"{column} = ?" for column in asked) if asked else ""
    return f"SELECT * FROM job_list {where} ORDER BY id DESC LIMIT ?", (*asked.values(), last)  # noqa: S608
