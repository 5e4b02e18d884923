"""What a stranger with numpy and the pack's folder computes of a run-out; knows nothing of Hubproof. mm."""

import csv
import json
import sys
from pathlib import Path

import numpy as np


def table(folder):
    return list(csv.DictReader((Path(sys.argv[1]) / "data" / folder / f"{sys.argv[2]}.csv").open(newline="")))


value = np.array([row["value_mm"] or "nan" for row in table("working")], float)  # nan: set aside
form = np.array([row["repeatable_mm"] for row in table("profiles")], float)
pieces = [value[int(turn["first_row"]) : int(turn["last_row"]) + 1] for turn in table("turns")]
found = {
    "as_read": np.nanmax(value) - np.nanmin(value),
    "per_turn_as_read": [np.nanmax(piece) - np.nanmin(piece) for piece in pieces],
    "orders": (np.abs(np.fft.rfft(form)) * 2 / form.size)[1:16].tolist(),
}
print(json.dumps(found))
