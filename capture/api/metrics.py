"""The station's figures for a monitoring system: OpenMetrics 1.0 text at ``/metrics``."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from fastapi import FastAPI
from fastapi.responses import Response

from capture.bench import Bench, own_version
from capture.spread import EDGES_S, SpreadState

CONTENT_TYPE = "application/openmetrics-text; version=1.0.0; charset=utf-8"

Sample = tuple[str, dict[str, str], float]
"""What follows the family's name, labels, value."""


def add_metrics(app: FastAPI, bench: Bench) -> None:
    """Add the route."""

    @app.get("/metrics", response_class=Response, responses={200: {"content": {CONTENT_TYPE: {}}}})
    async def metrics() -> Response:
        return Response("\n".join([*_lines(bench), "# EOF", ""]), headers={"content-type": CONTENT_TYPE})


def _lines(bench: Bench) -> Iterator[str]:
    recorder, health = bench.recording(), bench.health()
    states, counts = bench.indicators(), bench.counts()
    one: list[tuple[str, str, str, float]] = [
        ("readings_stored", "counter", "Readings on the disk.", recorder.stored),
        ("readings_dropped", "counter", "Readings that no memory was left for.", recorder.dropped),
        ("readings_waiting", "gauge", "Readings in memory that are not on the disk yet.", recorder.waiting),
        (
            "recording",
            "gauge",
            "1 while the disk takes what is read, 0 while it refuses.",
            not recorder.failing,
        ),
        ("active_runs", "gauge", "Runs that go on.", len(health.active_runs)),
        ("listeners", "gauge", "Pages and terminals that listen.", health.listeners),
    ]
    yield from _family(
        "station", "info", "", "The station's program.", [("_info", {"version": own_version()}, 1)]
    )
    for name, kind, text, value in one:
        yield from _family(name, kind, "", text, [("_total" if kind == "counter" else "", {}, value)])
    per_indicator: list[tuple[str, str, str, dict[str, float]]] = [
        (
            "indicator_live",
            "gauge",
            "1 while readings arrive.",
            {s.indicator: s.state == "live" for s in states},
        ),
        ("readings", "counter", "Readings received.", {name: each.readings for name, each in counts.items()}),
        ("gaps", "counter", "Times without readings.", {name: each.gaps for name, each in counts.items()}),
        ("unreadable", "counter", "What was no reading.", {s.indicator: s.unreadable for s in states}),
        (
            "reconnects",
            "counter",
            "Connections after the first.",
            {s.indicator: s.reconnects for s in states},
        ),
    ]
    for name, kind, text, values in per_indicator:
        end = "_total" if kind == "counter" else ""
        yield from _family(
            name, kind, "", text, [(end, {"indicator": key}, val) for key, val in values.items()]
        )
    for name, text, spread in (
        ("write_seconds", "How long transactions of readings took.", recorder.writes),
        ("handed_over_seconds", "From a reading's last byte to the recorder.", recorder.handed_over),
        ("on_disk_seconds", "From a reading's last byte to the disk, oldest of a write.", recorder.on_disk),
    ):
        yield from _family(name, "histogram", "seconds", text, _histogram(spread))


def _histogram(spread: SpreadState) -> Iterator[Sample]:
    below = 0
    for count, edge in zip(spread.counts, (*EDGES_S, None), strict=True):
        below += count
        yield "_bucket", {"le": "+Inf" if edge is None else repr(float(edge))}, below
    yield "_count", {}, below
    yield "_sum", {}, spread.sum_s


def _family(name: str, kind: str, unit: str, text: str, samples: Iterable[Sample]) -> Iterator[str]:
    yield f"# TYPE hubproof_{name} {kind}"
    if unit:
        yield f"# UNIT hubproof_{name} {unit}"
    yield f"# HELP hubproof_{name} {text}"
    for ending, labels, value in samples:
        inner = ",".join(f'{key}="{_escaped(each)}"' for key, each in labels.items())
        yield f"hubproof_{name}{ending}{'{' + inner + '}' if inner else ''} {value:.9g}"


def _escaped(text: str) -> str:
    return text.replace("\\", "\\\\").replace('"', '\\"').replace("\n", "\\n")
