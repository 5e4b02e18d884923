"""The store: every reading, mark, event and result of every run, in one SQLite file."""

from __future__ import annotations

import hashlib
import json
import sqlite3
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any, Self

import numpy as np
import sqlite_utils

from analysis.arrival import Arrival, arrival_of
from analysis.record import chain, checks, keeping, queries, second
from analysis.record.database import connect, open_record, snapshot, told, writing
from analysis.record.ids import uuid7
from analysis.record.queries import RunRecord, RunRef, RunSummary
from analysis.record.results import profile_rows, result_row
from analysis.record.verify import Verified, verify
from analysis.record.words import EndState, RunKind, Stage, Wheel
from analysis.results import Judged, RestResult
from analysis.results_check import IndicatorCheck
from analysis.trace import FloatArray, Trace
from config.clock import Clock, SystemClock
from config.errors import InputError, StoreError

Reading = tuple[int, int, int | None, str | None, str | None]
"""seq, t_ns of the monotonic clock, length_nm, flag, raw: a reading as the recorder hands it over."""

_Batch = chain.Numbers | list[chain.StoredReading]
"""Good readings as numbers, (n, 3) of seq, t_ns from the run's start and length_nm; any others as rows."""

CUT_OFF = "cut_off"

_ADD_GOOD = "INSERT INTO reading (run, seq, t_ns, length_nm) VALUES (?, ?, ?, ?)"  # half the cost of all six
_ROWS_AT_ONCE = 64
_ADD_BLOCK = _ADD_GOOD + ", (?, ?, ?, ?)" * (_ROWS_AT_ONCE - 1)  # one statement costs more than its rows
_ADD_READING = "INSERT INTO reading (run, seq, t_ns, length_nm, flag, raw) VALUES (?, ?, ?, ?, ?, ?)"
_COUNT_READINGS = "UPDATE run SET readings = ?, rejected = ?, readings_sha256 = ? WHERE key = ?"


@dataclass(frozen=True, slots=True)
class _OpenRun:
    """What the store keeps in memory of a run that is being written."""

    started_t_ns: int
    readings: int = 0
    rejected: int = 0
    sha256: Any = field(default_factory=hashlib.sha256)

    def with_more(self, rows: Sequence[Reading]) -> tuple[_OpenRun, _Batch]:
        """The run with these readings added, and the readings as they are stored."""
        start = self.started_t_ns
        sha256 = self.sha256.copy()
        batch: _Batch
        if chain.all_good(rows):
            batch = chain.good_numbers(rows)
            batch[:, 1] -= start
            sha256.update(chain.good_bytes(batch))
            rejected = 0
        else:
            batch = [(seq, t_ns - start, nm, flag, raw) for seq, t_ns, nm, flag, raw in rows]
            sha256.update(chain.reading_bytes(batch))
            rejected = sum(row[3] is not None for row in rows)
        run = _OpenRun(start, self.readings + len(rows), self.rejected + rejected, sha256)
        return run, batch


class Store:
    """The record of one station. Safe to call from several threads; writers wait for each other.

    Only one process may write runs into a file at a time (the daemon, or a command while no daemon
    runs); any number may read. Every method raises `StoreError` when the database refuses.
    """

    def __init__(self, path: Path, connection: sqlite3.Connection, clock: Clock) -> None:
        self.path = path
        self._clock = clock
        self._connection = connection
        self._database = sqlite_utils.Database(connection)
        self._reader = connect(path)
        self._lock = threading.RLock()
        self._reading_lock = threading.RLock()
        self._open: dict[int, _OpenRun] = {}

    @classmethod
    def open(cls, path: Path, *, clock: Clock | None = None) -> Self:
        """Open the record, or make it; bring an older one to the newest version.

        Raises:
            StoreError: of a newer version, not a record of Hubproof, not writable, damaged.
        """
        connection = open_record(path)
        try:
            with told(path):
                return cls(path, connection, clock or SystemClock())
        except StoreError:
            connection.close()
            raise

    def close(self) -> None:
        """Close the file. What was appended is on the disk already."""
        with self._lock, self._reading_lock, told(self.path):
            self._reader.close()
            self._connection.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @contextmanager
    def _writing(self) -> Iterator[None]:
        with self._lock, told(self.path), writing(self._connection):
            yield

    @contextmanager
    def _reading(self) -> Iterator[sqlite3.Connection]:
        with self._reading_lock, told(self.path), snapshot(self._reader):
            yield self._reader

    # Writing a run -------------------------------------------------------------------------------

    def begin_run(
        self,
        kind: RunKind,
        indicator: Mapping[str, Any],
        *,
        settings: Mapping[str, Any],
        started_t_ns: int,
        started_utc: datetime,
        job: str | None = None,
        wheel: Wheel | None = None,
        stage: Stage | None = None,
    ) -> RunRef:
        """Begin a run; it is `running` until `end_run`.

        Args:
            kind: what is measured.
            indicator: the indicator's description as it is now, JSON values only.
            settings: what the run was started with, JSON values only.
            started_t_ns: the monotonic clock at the start; all `t_ns` are of the same clock.
            started_utc: the time of day at the same instant, with its time zone.
            job: id of the job that the run belongs to.
            wheel: wheel position.
            stage: stage of the job.
        """
        run_id = str(uuid7(started_utc))
        row = {
            "id": run_id,
            "kind": kind,
            "state": "running",
            "started_utc": queries.rfc3339(started_utc),
            "started_t_ns": started_t_ns,
            "indicator": json.dumps(indicator, ensure_ascii=False, allow_nan=False),
            "settings": json.dumps(settings, ensure_ascii=False, allow_nan=False),
            "job": job,
            "wheel": wheel,
            "stage": stage,
            "readings_sha256": hashlib.sha256().hexdigest(),
        }
        with self._writing():
            key = self._insert("run", row)
            self._link("run begun", run_id, queries.begun_sha256(self._connection, key))
        self._open[key] = _OpenRun(started_t_ns)
        return RunRef(id=run_id, key=key)

    def append_readings(self, key: int, rows: Sequence[Reading]) -> None:
        """Store readings of a run in one transaction; when it returns they survive a power cut.

        Args:
            key: of a run begun by this store and not ended.
            rows: (seq, t_ns, length_nm, flag, raw) each, seq growing; t_ns of the monotonic clock.
                raw is needed only for a rejected reading.

        Raises:
            StoreError: none of the rows was stored; the same call may be tried again.
        """
        if rows:
            self.append_many({key: rows})

    def append_many(self, rows_of: Mapping[int, Sequence[Reading]]) -> None:
        """Store readings of several runs in one transaction: all of them, or none.

        Args:
            rows_of: by the key of the run, rows as for `append_readings`; none empty.

        Raises:
            StoreError: none of the rows was stored; the same call may be tried again.
        """
        fresh = {key: self._running(key).with_more(rows) for key, rows in rows_of.items()}
        with self._writing():
            for key, (run, stored) in fresh.items():
                self._add_readings(key, stored)
                counted = (run.readings, run.rejected, run.sha256.hexdigest(), key)
                self._connection.execute(_COUNT_READINGS, counted)
        self._open.update({key: run for key, (run, _) in fresh.items()})

    def _add_readings(self, key: int, batch: _Batch) -> None:
        if isinstance(batch, list):
            self._connection.executemany(_ADD_READING, [(key, *row) for row in batch])
            return
        rows = np.insert(batch, 0, key, axis=1)
        whole = len(rows) // _ROWS_AT_ONCE * _ROWS_AT_ONCE
        blocks = rows[:whole].reshape(-1, _ROWS_AT_ONCE * rows.shape[1])
        self._connection.executemany(_ADD_BLOCK, blocks.tolist())
        self._connection.executemany(_ADD_GOOD, rows[whole:].tolist())

    def add_mark(self, key: int, t_ns: int) -> None:
        """Keep that the index mark passed at `t_ns` of the monotonic clock; the same instant counts once."""
        start = self._running(key).started_t_ns
        with self._writing():
            self._connection.execute(
                "INSERT OR IGNORE INTO mark (run, t_ns) VALUES (?, ?)", (key, t_ns - start)
            )

    def add_angles(self, key: int, rows: Sequence[tuple[int, float]]) -> None:
        """Keep angles of readings of a run that goes on: the reading's number, and degrees."""
        self._running(key)
        with self._writing():
            self._connection.executemany(
                "INSERT INTO reading_angle (run, seq, angle_deg) VALUES (?, ?, ?)",
                [(key, seq, float(angle_deg)) for seq, angle_deg in rows],
            )

    def add_event(self, key: int, t_ns: int, code: str, text: str) -> None:
        """Keep what happened in a run at `t_ns` of the monotonic clock: a gap, a change of unit, a stop."""
        start = self._running(key).started_t_ns
        with self._writing():
            self._insert("event", {"run": key, "t_ns": t_ns - start, "code": code, "text": text})

    def end_run(self, key: int, state: EndState, t_ns: int) -> None:
        """End a run at `t_ns` of the monotonic clock; nothing can be added to its readings afterwards."""
        run = self._running(key)
        with self._writing():
            self._end(key, state, t_ns - run.started_t_ns)
        del self._open[key]

    def recover(self) -> tuple[RunRef, ...]:
        """Close the runs that were cut off as `interrupted`; call once, when the station starts.

        Returns:
            The runs that were closed. Their readings stay and can be analysed.
        """
        with self._writing():
            cut_off = [
                RunRef(row["id"], row["key"])
                for row in self._database.query(
                    "SELECT id, key FROM run WHERE state = 'running' ORDER BY key"
                )
                if row["key"] not in self._open
            ]
            for ref in cut_off:
                last_t_ns = queries.last_t_ns(self._connection, ref.key)
                text = "the station stopped before the run ended"
                self._insert("event", {"run": ref.key, "t_ns": last_t_ns, "code": CUT_OFF, "text": text})
                self._end(ref.key, "interrupted", last_t_ns)
        return tuple(cut_off)

    def save_result(self, key: int, result: Judged | RestResult, profiles: FloatArray | None = None) -> str:
        """Keep a result of a run beside earlier ones; the latest counts.

        Args:
            key: of any run.
            result: as analysed.
            profiles: (turns, angles) micrometres on a grid of equal angles from the index mark, NaN
                where there is no reading.

        Returns:
            The result's id.
        """
        now = self._clock.utc()
        row = {
            "id": str(uuid7(now)),
            "run": key,
            "saved_utc": queries.rfc3339(now),
            **result_row(result),
        }
        with self._writing():
            queries.run_id(self._connection, key)  # refuses a run that is not there
            result_key = self._insert("result", row)
            kept = profile_rows(result_key, profiles)
            if kept:
                self._database.table("turn_profile").insert_all(kept)
            self._link("result", row["id"], queries.result_sha256(self._connection, result_key))
        return str(row["id"])

    def keep(self, run_id: str, word: keeping.Word, reason: str = "") -> None:
        """Keep what the technician says of a run that has ended; the latest word counts, all stay.

        Args:
            run_id: whole id of the run.
            word: kept or thrown away.
            reason: needed when it is thrown away.

        Raises:
            InputError: no such run, one that still goes on, or thrown away without a reason.
        """
        plain = keeping.checked(word, reason, f"run {run_id}")
        with self._writing():
            ref = queries.find(self._connection, run_id)
            if ref.key in self._open:
                raise InputError("still goes on", where=f"run {ref.id}", do="stop it first")
            row = {"run": ref.id, "word": word, "reason": plain, "at_utc": queries.rfc3339(self._clock.utc())}
            subject = f"{ref.id}/{self._insert('keeping', row)}"
            record = keeping.record_now(self._connection, subject)
            assert record is not None
            self._link(keeping.KEEPING, subject, record)

    def save_check(self, check: IndicatorCheck, run: str | None = None) -> str:
        """Keep a check of an indicator; the latest counts, all stay.

        Args:
            check: as found.
            run: id of the run with its readings.

        Returns:
            The check's id.
        """
        now = self._clock.utc()
        row = checks.row_of(check, str(uuid7(now)), queries.rfc3339(now), run)
        with self._writing():
            self._insert("indicator_check", row)
            record = checks.record_now(self._connection, row["id"])
            assert record is not None
            self._link(checks.CHECK, row["id"], record)
        return str(row["id"])

    def save_arrival(self, id_or_prefix: str) -> Arrival:
        """Keep how the readings of a run arrived, beside their own times, which stay as they are.

        Returns:
            The pattern; its times are of the station's monotonic clock.

        Raises:
            InputError: no such run, or more than one.
        """
        with self._reading() as connection:
            record = queries.run(connection, id_or_prefix)
            arrived_s = second.arrived_s(connection, record)
            started_ns = second.started_ns(connection, record)
        arrival = arrival_of(arrived_s)  # nobody waits for the record meanwhile
        row = checks.arrival_row(record.key, started_ns, arrival, paced_link=second.paced_link(record))
        with self._writing():
            self._database.table("run_arrival").insert(row, pk="run", replace=True)
        return arrival

    def _running(self, key: int) -> _OpenRun:
        run = self._open.get(key)
        if run is None:
            raise StoreError(f"run number {key} is not being written", where=str(self.path))
        return run

    def _end(self, key: int, state: EndState, ended_t_ns: int) -> None:
        self._database.table("run").update(key, {"state": state, "ended_t_ns": ended_t_ns})
        self._link(
            "run ended", queries.run_id(self._connection, key), queries.run_sha256(self._connection, key)
        )

    def _insert(self, table: str, row: Mapping[str, Any]) -> int:
        key = self._database.table(table).insert(dict(row)).last_pk
        assert isinstance(key, int)
        return key

    def _link(self, what: str, subject: str, record: str) -> None:
        before = queries.last_link(self._connection)
        link = chain.link_sha256(before, what, subject, chain.FORM, record)
        self._insert(
            "chain",
            {
                "what": what,
                "subject": subject,
                "form": chain.FORM,
                "record_sha256": record,
                "link_sha256": link,
            },
        )

    # Reading ---------------------------------------------------------------------------------------

    def runs(
        self,
        *,
        kind: RunKind | None = None,
        job: str | None = None,
        wheel: Wheel | None = None,
        last: int | None = None,
    ) -> tuple[RunSummary, ...]:
        """Runs, the newest first, with the figures of their latest result."""
        with self._reading() as connection:
            return queries.runs(connection, kind=kind, job=job, wheel=wheel, last=last)

    def run(self, id_or_prefix: str) -> RunRecord:
        """One run with its events, marks and results, by id, by the beginning of one, or ``last``.

        Raises:
            InputError: no such run, or more than one.
        """
        with self._reading() as connection:
            return queries.run(connection, id_or_prefix)

    def trace(self, id_or_prefix: str) -> Trace:
        """The readings of a run that have a value, with their marks, exact to the nanometre.

        Raises:
            InputError: no such run, or more than one.
        """
        with self._reading() as connection:
            return second.whole_trace(connection, queries.run(connection, id_or_prefix))

    def last_link(self) -> str:
        """SHA-256 of the hash chain's last link, hexadecimal; a claim pack carries it blinded."""
        with self._reading() as connection:
            return queries.last_link(connection)

    def has_link(self, is_it: Callable[[str], bool]) -> bool:
        """Whether the hash chain holds a link (by its SHA-256): what it proves was not rewritten since."""
        with self._reading() as connection:
            return any(map(is_it, queries.all_links(connection)))

    def last_check(
        self, indicator: str, serial_number: str = "", *, before: datetime | None = None
    ) -> checks.KeptCheck | None:
        """The latest check of an indicator; with `before` (with time zone) the latest made by then."""
        until = None if before is None else queries.rfc3339(before)
        with self._reading() as connection:
            return checks.last(connection, indicator, serial_number, until)

    def profiles_um(self, id_or_prefix: str) -> FloatArray:
        """The turns of a run's latest result as they were stored: (turns, angles) on a grid of equal angles.

        Raises:
            InputError: no such run, or more than one.
        """
        with self._reading() as connection:
            return queries.profiles_um(connection, queries.find(connection, id_or_prefix).key)

    def verify(self) -> Verified:
        """Find records that were changed, added or removed after they were written."""
        with self._reading() as connection:
            return verify(connection)
