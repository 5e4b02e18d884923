"""What a stranger with numpy and the pack's folder computes; knows nothing of Hubproof. Lengths in mm."""

import csv
import json
import sys
from pathlib import Path

import numpy as np

data, name = Path(sys.argv[1]) / "data", sys.argv[2]


def table(folder):
    path = data / folder / f"{name}.csv"
    if not path.exists():
        return {}
    rows = list(csv.DictReader(line for line in path.open(newline="") if not line.startswith("#")))
    return {key: [row[key] for row in rows] for key in rows[0]}


trace, profile = table("traces"), table("profiles")
reading = np.array(trace["reading_mm"], float)
used = np.ones(reading.size, bool)
used[np.array(table("set-aside").get("row", []), int)] = False
result = json.loads((data / "results" / f"{name}.json").read_text())
found = {}
if result["kind"] == "runout":
    found["as_read"] = np.ptp(reading[used])
    form = np.array(profile["repeatable_mm"], float)
    found["orders"] = (np.abs(np.fft.rfft(form)) * 2 / form.size)[
        1 : len(result["per_turn_orders"]) + 1
    ].tolist()
else:
    found["plays"] = [stroke["pulled_mm"] - stroke["pushed_mm"] for stroke in result["strokes"]]
print(json.dumps(found))
