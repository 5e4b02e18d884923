"""Kills at random instants of capturing, analysing, migrating and packing, and copies as of a power cut.

    python -m tests.bench.crash [--kills 300] [--seed 1]

After every kill the record must pass SQLite's own integrity check and its own hash chain; every reading,
result and pack that was acknowledged must be there; what was read at most 250 ms before a kill may be
lost; and the next start, which is the next kill's victim, needs no hand. A migration is killed at a
statement drawn from all of its statements, everything else at a time drawn from a clock. For the power
cut the victim is stopped, its database and log are copied as they are, and the log's end is torn.
"""

from __future__ import annotations

import argparse
import os
import random
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from analysis.record import Store
from analysis.values import Setup
from capture.folder import DATABASE
from capture.measuring import conclude
from capture.messages import RunRequest
from tests.analysis.record.test_upgrade import VERSIONS, sample
from tests.bench.crash_child import JOURNAL
from tests.bench.load import Line, table, told, value_um
from tests.capture.daemon_process import ROOT, environment, hubproof

PROMISE_MS = 250
SHARES = {"capturing": 0.5, "analysing": 0.15, "migrating": 0.25, "packing": 0.1}
FRESH_AFTER = 25  # kills on one record before a new one is begun
COPY_EVERY = 3  # of so many kills in capturing, a power cut is copied before one


@dataclass
class Tally:
    """What all the kills came to."""

    kills: dict[str, int] = field(default_factory=dict)
    damaged: int = 0
    acknowledged_missing: int = 0
    hands_needed: int = 0
    worst_ms: float = 0.0
    copies: int = 0
    copies_wrong: int = 0

    def wrong(self, what: str) -> None:
        told(f"WRONG: {what}")


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--kills", type=int, default=300)
    asked.add_argument("--seed", type=int, default=1)
    given = asked.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        tally = all_kills(Path(folder), given.kills, given.seed)
    sys.exit(0 if table(f"{sum(tally.kills.values())} kills {tally.kills}", lines_of(tally)) else 1)


def lines_of(tally: Tally) -> list[Line]:
    return [
        Line("records damaged (integrity check, hash chain)", tally.damaged, "", at_most=0),
        Line("acknowledged readings, results or packs missing", tally.acknowledged_missing, "", at_most=0),
        Line("next starts that needed a hand", tally.hands_needed, "", at_most=0),
        Line("oldest reading lost, before the kill", tally.worst_ms, "ms", at_most=PROMISE_MS),
        Line("power cuts copied", tally.copies, ""),
        Line("of these, records damaged or readings missing", tally.copies_wrong, "", at_most=0),
    ]


def all_kills(folder: Path, kills: int, seed: int) -> Tally:
    tally, dice = Tally(), random.Random(seed)
    works = {"capturing": Capturing, "analysing": Analysing, "migrating": Migrating, "packing": Packing}
    for work, share in SHARES.items():
        count = max(1, round(kills * share))
        victim = works[work](folder / work, dice, tally)
        for number in range(count):
            victim.once(number)
            tally.kills[work] = tally.kills.get(work, 0) + 1
    return tally


def start(work: str, folder: Path, number: int = 0) -> subprocess.Popen[bytes]:
    command = [sys.executable, "-m", "tests.bench.crash_child", work, str(folder), str(number)]
    return subprocess.Popen(command, cwd=ROOT, env=environment(), stderr=subprocess.PIPE)


def kill(process: subprocess.Popen[bytes]) -> int:
    """Kill, and give the monotonic clock just before, ns."""
    now_ns = time.monotonic_ns()
    process.send_signal(signal.SIGKILL)
    process.wait()
    return now_ns


def journal_of(folder: Path) -> list[list[str]]:
    path = folder / JOURNAL
    whole = path.read_text().rpartition("\n")[0] if path.exists() else ""
    return [line.split() for line in whole.splitlines()]


def sound(path: Path, tally: Tally) -> bool:
    """Whether the record passes SQLite's check and its own, and opens without a hand."""
    connection = sqlite3.connect(path)
    checked = [row[0] for row in connection.execute("PRAGMA integrity_check")]
    connection.close()
    with Store.open(path) as store:
        store.recover()
        differences = store.verify().differences
    if checked != ["ok"] or differences:
        tally.wrong(f"{path}: {checked} {differences}")
        return False
    return True


class Victim:
    """Something that is killed again and again in the same folder."""

    def __init__(self, folder: Path, dice: random.Random, tally: Tally) -> None:
        self.folder, self.dice, self.tally = folder, dice, tally

    @property
    def database(self) -> Path:
        return self.folder / DATABASE

    def fresh(self, number: int) -> None:
        if number % FRESH_AFTER == 0 and self.folder.exists():
            shutil.rmtree(self.folder)
        self.folder.mkdir(parents=True, exist_ok=True)
        (self.folder / JOURNAL).unlink(missing_ok=True)

    def wait_for(self, process: subprocess.Popen[bytes], word: str) -> None:
        """Until the journal has a line that begins with `word`: the start went without a hand."""
        end_s = time.monotonic() + 60
        while not any(words[0] == word for words in journal_of(self.folder)):
            if process.poll() is not None or time.monotonic() > end_s:
                self.tally.hands_needed += 1
                assert process.stderr is not None
                raise SystemExit(f"the next start failed: {process.stderr.read().decode()}")
            time.sleep(0.01)


class Capturing(Victim):
    def once(self, number: int) -> None:
        self.fresh(number)
        before = self.runs()
        process = start("capturing", self.folder, self.dice.randrange(1 << 30))
        self.wait_for(process, "begun")
        time.sleep(self.dice.uniform(0.0, 1.2))
        if number % COPY_EVERY == 1:
            self.power_cut(process, before)
        killed_ns = kill(process)
        if process.stderr is not None:
            process.stderr.close()
        if not sound(self.database, self.tally):
            self.tally.damaged += 1
        self.compare(self.database, journal_of(self.folder), before, killed_ns)

    def runs(self) -> set[str]:
        if not self.database.exists():
            return set()
        with Store.open(self.database) as store:
            return {run.id for run in store.runs()}

    def compare(self, database: Path, journal: list[list[str]], before: set[str], at_ns: int) -> None:
        """What was sent and what was acknowledged, against what the record has at `at_ns`."""
        sent: dict[str, list[int]] = {}
        stored = 0
        for words in journal:
            if words[0] == "begun":
                sent[words[1]] = []
            elif words[0] == "sent" and sent:
                next(reversed(sent.values())).append(int(words[2]))
            elif words[0] == "stored":
                stored = int(words[1])
        found = 0
        with Store.open(database) as store:
            runs = {run.id: run.readings for run in store.runs()}
            for run, times_ns in sent.items():
                if run not in runs:
                    self.tally.acknowledged_missing += 1
                    self.tally.wrong(f"run {run} was begun and is gone")
                    continue
                values = np.rint(store.trace(run).reading_um).astype(int).tolist()
                if values != [value_um(seq) for seq in range(len(values))]:
                    self.tally.damaged += 1
                    self.tally.wrong(f"run {run} is not what was sent")
                if len(values) < len(times_ns):
                    age_ms = (at_ns - times_ns[len(values)]) / 1e6
                    self.tally.worst_ms = max(self.tally.worst_ms, age_ms)
            found = sum(count for run, count in runs.items() if run not in before)
        if found < stored:
            self.tally.acknowledged_missing += stored - found
            self.tally.wrong(f"{stored} readings were acknowledged, {found} are there")

    def power_cut(self, process: subprocess.Popen[bytes], before: set[str]) -> None:
        """Stop the victim, copy what the disk would hold, tear the log's end, and look at the copies."""
        process.send_signal(signal.SIGSTOP)
        while Path(f"/proc/{process.pid}/stat").read_text().rpartition(")")[2].split()[0] not in "Tt":
            time.sleep(0.001)
        at_ns, journal = time.monotonic_ns(), journal_of(self.folder)
        whole, torn = self.folder / "whole", self.folder / "torn"
        for copy in (whole, torn):
            shutil.rmtree(copy, ignore_errors=True)
            copy.mkdir()
            for end in ("", "-wal"):
                shutil.copy(self.folder / (DATABASE + end), copy / (DATABASE + end))
        process.send_signal(signal.SIGCONT)
        tear(torn / (DATABASE + "-wal"), self.dice)
        self.tally.copies += 2
        worst_ms, missing = self.tally.worst_ms, self.tally.acknowledged_missing
        self.compare(whole / DATABASE, journal, before, at_ns)
        self.tally.worst_ms = worst_ms  # the promise is measured at the kill
        wrong = not sound(whole / DATABASE, self.tally) or self.tally.acknowledged_missing > missing
        self.tally.copies_wrong += wrong + (not sound(torn / DATABASE, self.tally))


def tear(log: Path, dice: random.Random) -> None:
    """The end of the log as a disk leaves it that lost its power: cut short, or rubbish in its last page."""
    data = bytearray(log.read_bytes())
    if len(data) < 8_192:
        return
    at = len(data) - dice.randrange(1, 8_192)
    if dice.random() < 0.5:
        del data[at:]
    else:
        data[at:] = dice.randbytes(len(data) - at)
    log.write_bytes(data)


class Analysing(Victim):
    def once(self, number: int) -> None:
        self.fresh(number)
        if not self.database.exists():
            with Store.open(self.database) as store:
                a_run_to_judge(store)
        process = start("analysing", self.folder)
        self.wait_for(process, "ready")
        time.sleep(self.dice.uniform(0.0, 1.0))
        kill(process)
        if process.stderr is not None:
            process.stderr.close()
        kept = {words[1] for words in journal_of(self.folder) if words[0] == "kept"}
        if not sound(self.database, self.tally):
            self.tally.damaged += 1
        connection = sqlite3.connect(self.database)
        there = {row[0] for row in connection.execute("SELECT id FROM result")}
        connection.close()
        self.tally.acknowledged_missing += len(kept - there)


def a_run_to_judge(store: Store) -> None:
    """Three turns of a hub in closed form, with its marks."""
    from tests.analysis.record.conftest import INDICATOR, START_NS, START_UTC

    ref = store.begin_run("runout", INDICATOR, settings={}, started_t_ns=START_NS, started_utc=START_UTC)
    turn = np.arange(600) / 180
    um = np.rint(30 * np.sin(2 * np.pi * turn) + 8 * np.cos(4 * np.pi * turn)).astype(int).tolist()
    store.append_readings(
        ref.key, [(seq, START_NS + seq * 25_000_000, 1_000 * each, None, None) for seq, each in enumerate(um)]
    )
    for whole in range(4):
        store.add_mark(ref.key, START_NS + whole * 180 * 25_000_000)
    store.end_run(ref.key, "done", START_NS + 600 * 25_000_000)
    result, profiles = conclude(RunRequest(kind="runout"), store.trace(ref.id), None, Setup())
    assert result is not None
    store.save_result(ref.key, result, profiles)  # type: ignore[arg-type]


class Migrating(Victim):
    """Each kill at another statement of the upgrade; then the upgrade is finished by the next start."""

    statements: dict[int, int]

    def once(self, number: int) -> None:
        if number == 0:
            self.statements = {}
        version = VERSIONS[number % len(VERSIONS)]
        if version not in self.statements:
            self.statements[version] = self.count(version)
        shutil.rmtree(self.folder, ignore_errors=True)
        self.folder.mkdir(parents=True)
        sample(version, self.database)
        before = rows_in(self.database)
        at = self.dice.randrange(1, self.statements[version] + 1)
        process = start("migrating", self.folder, at)
        _, error = process.communicate()
        if process.returncode != -signal.SIGKILL:
            self.tally.hands_needed += 1
            self.tally.wrong(f"version {version}, statement {at}: {error.decode()}")
        if not sound(self.database, self.tally):
            self.tally.damaged += 1
        after = rows_in(self.database)
        if {name: after[name] for name in before} != before:
            self.tally.acknowledged_missing += 1
            self.tally.wrong(f"version {version}, statement {at}: {before} became {after}")

    def count(self, version: int) -> int:
        shutil.rmtree(self.folder, ignore_errors=True)
        self.folder.mkdir(parents=True)
        sample(version, self.database)
        process = start("migrating", self.folder)
        _, error = process.communicate()
        assert process.returncode == 0, error.decode()
        return int(journal_of(self.folder)[-1][1])


def rows_in(database: Path) -> dict[str, int]:
    """How many rows the tables have that hold what was measured and done."""
    connection = sqlite3.connect(database)
    names = [row[0] for row in connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
    kept = [name for name in ("run", "reading", "mark", "result", "job", "job_entry") if name in names]
    found = {name: connection.execute(f"SELECT count(*) FROM {name}").fetchone()[0] for name in kept}
    connection.close()
    return found


class Packing(Victim):
    def once(self, number: int) -> None:
        self.fresh(number)
        if not self.database.exists():
            with Store.open(self.database) as store:
                a_run_to_judge(store)
        for old in self.folder.glob("pack*.zip"):
            old.unlink()
        process = start("packing", self.folder)
        self.wait_for(process, "ready")
        time.sleep(self.dice.uniform(0.0, 6.0))
        kill(process)
        if process.stderr is not None:
            process.stderr.close()
        if not sound(self.database, self.tally):
            self.tally.damaged += 1
        packed = {words[1] for words in journal_of(self.folder) if words[0] == "packed"}
        there = {path.name for path in self.folder.glob("pack*.zip")}
        self.tally.acknowledged_missing += len(packed - there)
        for name in sorted(there)[-1:]:  # whoever finds a pack finds a whole one
            checked = hubproof("verify", str(self.folder / name))
            if checked.returncode != 0:
                self.tally.damaged += 1
                self.tally.wrong(f"{name}: {checked.stdout}{checked.stderr}")
        again = hubproof(
            "claim", "--run", "last", "--data", str(self.folder), "--out", str(self.folder / "again.zip")
        )
        if again.returncode != 0:
            self.tally.hands_needed += 1
            self.tally.wrong(again.stderr)


if __name__ == "__main__":
    if os.name != "posix":
        raise SystemExit("kill -9 is a thing of POSIX systems")
    main()
