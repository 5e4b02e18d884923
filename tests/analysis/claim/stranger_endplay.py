"""What a stranger with numpy and the pack's folder computes of an end play; knows nothing of Hubproof. mm."""

import csv
import json
import sys
from pathlib import Path

import numpy as np


def table(folder):
    lines = (Path(sys.argv[1]) / "data" / folder / f"{sys.argv[2]}.csv").open(newline="")
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


time_s = np.array([row["time_s"] for row in table("traces")], float)
value = np.array([row["value_mm"] or "nan" for row in table("working")], float)  # nan: set aside
holds = {}  # number: side, slip, root of the weight, level in the table, and the sums over its rests
for row in table("holds"):
    first, last, begin, end = (int(row[key]) for key in list(row)[2:6])
    count = np.isfinite(value[first : last + 1]).sum()
    level = (np.nanmedian if count < 5 else np.nanmean)(value[begin : end + 1])
    told = [row["side"] == "pulled", row["slip_mm"], float(row["weight"]) ** 0.5, row["level_mm"]]
    hold = holds.setdefault(row["hold"], [np.array(told, float), np.zeros(3), row["level_by"]])
    hold[1] += count * np.array([level, (time_s[first] + time_s[last]) / 2, 1])
side, slip, root, told = np.array([hold[0] for hold in holds.values()]).T
level, middle = np.array([hold[1][:2] / hold[1][2] for hold in holds.values()]).T
level = np.where([hold[2] == "mean" for hold in holds.values()], level - slip, told)
columns = [side - 0.5, np.ones(side.size), middle - middle.mean()][: min(side.size, 3)]
columns += [np.arange(side.size) > place for place in np.flatnonzero(np.diff(slip))]
play = np.linalg.lstsq(root[:, None] * np.stack(columns, axis=1), root * level, rcond=None)[0][0]
print(json.dumps({"play": play, "plays": np.abs(np.diff(level))[::2].tolist()}))
