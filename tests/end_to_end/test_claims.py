"""The claim pack of each scripted job, against independent readers: bagit, sha256sum, ssh-keygen, numpy."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import zipfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import bagit
import pytest

from capture.commands import run as hubproof
from tests.end_to_end import test_jobs as jobs
from tests.end_to_end.test_jobs import recorded, traces  # noqa: F401 - fixtures

BORED = [*jobs.OUT, ("bore", "bore_good.csv"), *jobs.FIT]
AT = [step for step, _ in jobs.IN].index("flange_in")
NEW_FLANGE = [*jobs.IN[:AT], ("flange_not_bent", "new"), *jobs.IN[AT:]]
JOBS = {
    "good": [*jobs.FOUND, ("nut_torqued", "no"), *jobs.measured("good", "good"), ("replace", "no"),
             ("released", "yes")],
    "worn": [*jobs.FOUND, *jobs.measured("worn", "good"), *BORED, *jobs.IN, *jobs.AFTER, *jobs.END],
    "bent": [*jobs.FOUND, *jobs.measured("good", "bent"), *BORED, *NEW_FLANGE, *jobs.AFTER, *jobs.END],
    "oval": [*jobs.FOUND, *jobs.measured("worn", "good"), *jobs.OUT, ("bore", "bore_oval.csv")],
}  # fmt: skip
RUNS = {"good": 2, "worn": 5, "bent": 5, "oval": 3}
# All three together are what the signature vouches for: the files, the list of files, who signed the list.
CHECK = (
    "sha256sum --strict --quiet -c manifest-sha256.txt && "
    "sha256sum --strict --quiet -c tagmanifest-sha256.txt && "
    "ssh-keygen -Y verify -f allowed_signers -I hubproof-station -n hubproof-claim-pack "
    "-s tagmanifest-sha256.txt.sig < tagmanifest-sha256.txt"
)
needs_tools = pytest.mark.skipif(
    not (shutil.which("ssh-keygen") and shutil.which("sha256sum")),
    reason="needs ssh-keygen and sha256sum: apt-get install openssh-client coreutils",
)


@dataclass(frozen=True)
class Claimed:
    name: str
    data: Path
    zip: Path
    folder: Path

    def json(self, path: str) -> Any:
        return json.loads((self.folder / "data" / path).read_text("utf-8"))


@pytest.fixture(scope="module")
def claimed(
    request: pytest.FixtureRequest,
    traces: Path,  # noqa: F811
    tmp_path_factory: pytest.TempPathFactory,
) -> Claimed:
    name = request.param
    folder = tmp_path_factory.mktemp(name)
    for trace in traces.glob("*.csv"):
        shutil.copy(trace, folder)
    body = jobs.SHEET.format(vin=jobs.VIN, release="true" if name != "oval" else "false")
    for step, value in JOBS[name]:
        key = "trace" if value.endswith(".csv") else "answer"
        body += f'[[step]]\nstep = "{step}"\n' + (f"{key} = {json.dumps(value)}\n" if value else "")
    (folder / "job.toml").write_text(body, "utf-8")
    data, pack = folder / "data", folder / "pack.zip"
    assert hubproof(["job", "run-file", str(folder / "job.toml"), "--data", str(data)]) in (0, 1)
    assert hubproof(["claim", "last", "--workshop", "Invented", "--data", str(data), "--out", str(pack)]) == 0
    zipfile.ZipFile(pack).extractall(folder / "unzipped")
    (inside,) = (folder / "unzipped").iterdir()
    return Claimed(name, data, pack, inside)


@pytest.mark.parametrize("claimed", ["worn", "oval"], indirect=True)
def test_it_is_unchanged_and_recomputed_on_another_machine(
    claimed: Claimed, capsys: pytest.CaptureFixture[str]
) -> None:
    assert hubproof(["verify", str(claimed.zip), "--data", str(claimed.zip.parent / "nothing")]) == 0
    told = capsys.readouterr()
    assert "unchanged and recomputed" in told.out
    assert f"{RUNS[claimed.name]} runs" in told.out
    # As it was measured: what was kept gives the same figures again, so nothing was computed otherwise.
    notes = [run["note"] for run in claimed.json("job.json")["runs"]]
    assert notes == [""] * RUNS[claimed.name]


@pytest.mark.parametrize("claimed", ["good"], indirect=True)
def test_it_is_made_from_its_record_and_comes_out_the_same_again(claimed: Claimed, tmp_path: Path) -> None:
    assert hubproof(["verify", str(claimed.zip), "--database", "--data", str(claimed.data)]) == 0
    again = tmp_path / "again.zip"
    arguments = ["claim", "last", "--workshop", "Invented", "--data", str(claimed.data), "--out", str(again)]
    assert hubproof(arguments) == 0
    assert again.read_bytes() == claimed.zip.read_bytes()


@pytest.mark.parametrize("claimed", sorted(JOBS), indirect=True)
def test_an_independent_implementation_finds_the_bag_valid(claimed: Claimed) -> None:
    bag = bagit.Bag(str(claimed.folder))
    bag.validate()
    assert bag.version_info == (1, 0)


@pytest.mark.parametrize("claimed", sorted(JOBS), indirect=True)
@needs_tools
def test_stock_tools_accept_it_and_refuse_one_flipped_bit_in_every_file_in_turn(claimed: Claimed) -> None:
    def accepted() -> bool:
        return subprocess.run(["sh", "-c", CHECK], cwd=claimed.folder, capture_output=True).returncode == 0

    assert accepted()
    files = [path for path in sorted(claimed.folder.rglob("*")) if path.is_file()]
    assert len(files) > 20
    for path in files:
        content = path.read_bytes()
        at = len(content) // 2
        path.write_bytes(content[:at] + bytes([content[at] ^ 4]) + content[at + 1 :])
        changed = accepted()
        path.write_bytes(content)
        assert not changed, path
    assert accepted()


@pytest.mark.parametrize("claimed", sorted(JOBS), indirect=True)
def test_steps_are_there_with_time_and_name(claimed: Claimed) -> None:
    document = claimed.json("job.json")
    steps = document["steps"]
    assert [step["step"] for step in steps] == [step for step, _ in JOBS[claimed.name]]
    assert all(step["by"] == "A. Invented" and step["at_utc"].endswith("Z") for step in steps)
    runs = {run["id"]: run["kind"] for run in document["runs"]}
    measured = [step for step in steps if step["run"]]
    assert len(measured) == len(runs) == RUNS[claimed.name]
    problems = [step["step"] for step in steps if step["problem"]]
    assert problems == {"good": ["nut_torqued"], "oval": ["bore"]}.get(claimed.name, [])
    (end,) = document["wheels"]
    assert end["torque_n_m"] == 180
    assert end["source"] == "invented workshop manual"
    if claimed.name in ("worn", "bent"):
        assert (end["new_part"], end["old_part"]) == ("NEW-7", 'OLD 1,2 "x"')
        (fit,) = [step["figures"] for step in steps if step["step"] == "fit"]
        assert fit["verdict"] == "within"


@pytest.mark.parametrize("claimed", ["worn"], indirect=True)
def test_the_scripts_in_the_pack_find_the_same_figures_with_numpy_alone(claimed: Claimed) -> None:
    seen = []
    for path in sorted((claimed.folder / "data" / "results").iterdir()):
        result = json.loads(path.read_text("utf-8"))
        if result["kind"] not in ("runout", "endplay"):
            continue
        script = claimed.folder / f"compute-{result['kind']}.py"
        done = subprocess.run(
            [sys.executable, "-I", script, "data", path.stem],
            capture_output=True, check=True, cwd=claimed.folder, text=True,
        )  # fmt: skip
        lines = [line.split() for line in done.stdout.splitlines()]
        found = {word: [float(number) for number in numbers] for word, *numbers in lines}
        if result["kind"] == "endplay":
            assert found["play"] == pytest.approx([result["play_mm"]], abs=1e-9)
            plays = [stroke["play_mm"] for stroke in result["strokes"]]
            assert found["strokes"] == pytest.approx(plays, abs=1e-9)
        else:
            fim = result["fim_mm"]
            assert found["as_read"] == pytest.approx([fim["as_read"], *fim["per_turn_as_read"]], abs=1e-9)
            assert found["judged"] == pytest.approx(fim["per_turn"], abs=1e-9)
            assert found["repeatable"] == pytest.approx([fim["repeatable"]], abs=1e-9)
            amplitudes = [order["amplitude_mm"] for order in result["per_turn_orders"]]
            assert found["orders"] == pytest.approx(amplitudes, abs=1e-9)
        seen.append(result["kind"])
    assert sorted(seen) == ["endplay", "endplay", "runout", "runout"]
