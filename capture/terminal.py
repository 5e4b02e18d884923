"""What the technician sees in a terminal: before, during and after a run. Readable at 80 columns.

On a terminal one small block is kept up to date; where the output goes to a file or a pipe, a line is
written whenever something changed that a person must know.
"""

from __future__ import annotations

from collections.abc import Iterable

from rich.console import Console, Group, RenderableType
from rich.live import Live
from rich.table import Table
from rich.text import Text

from analysis.results import EndplayResult, Judged, RestResult, RunoutResult
from analysis.results_bore import BoreResult
from capture.counted import counted
from capture.messages import IndicatorState, MeasuredKind, Readings, RunProgress
from config.lengths import show_length

TITLES: dict[str, str] = {
    "rest": "Rest check",
    "endplay": "End play",
    "runout": "Run-out",
    "bore": "Bore",
    "trace": "Recording",
}
COUNTED = {"runout": "turns", "endplay": "strokes", "bore": "places"}
BAR = 30
VERDICT_STYLES = {
    "within": "bold green",
    "over": "bold red",
    "undecided": "bold yellow",
    "not measurable": "bold magenta",
}
CAUTIONS = (
    "The vehicle stands secured on stands, never on the jack alone; the other wheels are chocked.",
    "The caliper hangs on a wire, not on its hose.",
    "Hands clear of pinch points; no loose sleeves or gloves near a turning part.",
    "The vehicle maker's procedure, limits and local rules take precedence over this tool.",
)
NUT_CAUTION = "End play counts only with the hub nut at the vehicle maker's torque."


def show_cautions(console: Console, kind: MeasuredKind) -> None:
    """What to see to before a hand goes to the hub."""
    console.print(Text("Before you start", style="bold"))
    for caution in (*CAUTIONS, NUT_CAUTION) if kind == "endplay" else CAUTIONS:
        _point(console, caution)


def _point(console: Console, text: str) -> None:
    """One point of a list: wrapped under itself on a terminal, one line in a file or a pipe."""
    if console.is_terminal:
        console.print(_hanging(text))
    else:
        console.print(Text(f"  - {text}"), soft_wrap=True)


def _hanging(text: str) -> Table:
    grid = Table.grid(padding=(0, 1, 0, 0))
    grid.add_row(Text("  -"), Text(text))
    return grid


def show_length_nm(length_nm: int, unit: str, step_nm: int) -> str:
    """A reading for people, signed, in the unit in which the indicator writes."""
    sign = "+" if length_nm >= 0 else ""
    return sign + show_length(length_nm, "in" if unit == "in" else "mm", step_nm=step_nm)


class RunView:
    """Shows one run as it goes on; use it as a context and hand it every message of that run."""

    def __init__(self, console: Console, kind: MeasuredKind, keys: bool = False) -> None:
        self._console = console
        self._kind = kind
        self._keys = keys
        self._state: IndicatorState | None = None
        self._progress: RunProgress | None = None
        self._length = ""
        self._low = self._high = None  # type: int | None
        self._unit, self._step_nm = "mm", 1_000
        self._said: set[str] = set()
        self._last_line = ""
        self._live = (
            Live(console=console, auto_refresh=False, transient=True) if console.is_terminal else None
        )

    def __enter__(self) -> RunView:
        if self._live is not None:
            self._live.start()
        return self

    def __exit__(self, *_: object) -> None:
        if self._live is not None:
            self._live.stop()

    # What comes in -------------------------------------------------------------------------------

    def indicator(self, state: IndicatorState) -> None:
        """The indicator's state changed."""
        self._state = state
        self._step_nm = state.resolution_nm
        self._show(f"{state.indicator} is {state.state}" + (f": {state.why}" if state.why else ""))

    def readings(self, message: Readings) -> None:
        """New readings: the last is shown, and the movement so far."""
        self._unit = message.unit
        self._length = show_length_nm(message.length_nm[-1], message.unit, self._step_nm)
        low, high = min(message.length_nm), max(message.length_nm)
        self._low = low if self._low is None else min(low, self._low)
        self._high = high if self._high is None else max(high, self._high)
        self._show(None)

    def progress(self, progress: RunProgress) -> None:
        """The run went on."""
        new = [warning for warning in progress.warnings if warning not in self._said]
        self._said.update(new)
        self._progress = progress
        if self._live is None:
            for warning in new:
                self._line(f"Warning: {warning}")
        self._show(progress.say)

    def trouble(self, where: str, text: str) -> None:
        """Something that must be known now."""
        self._console.print(Text(f"{where}: {text}", style="bold red"))

    # What is shown -------------------------------------------------------------------------------

    def _show(self, line: str | None) -> None:
        if self._live is not None:
            self._live.update(self.block(), refresh=True)
        elif line is not None:
            self._line(line)

    def _line(self, line: str) -> None:
        if line != self._last_line:
            self._last_line = line
            self._console.print(Text(line), soft_wrap=True)

    def block(self) -> RenderableType:
        """The block that is kept up to date."""
        rows: list[Text] = [self._head(), Text(f"  {self._length or '…':>16}", style="bold")]
        if self._low is not None and self._high is not None:
            moved = show_length_nm(self._high - self._low, self._unit, self._step_nm).lstrip("+")
            rows[-1].append(f"    moved {moved} so far", style="dim")
        if self._progress is not None:
            rows.append(Text(f"  {self._progress.say}", style="bold cyan"))
            rows += self._counted(self._progress)
            rows += [Text(f"  ! {warning}", style="yellow") for warning in self._progress.warnings]
        if self._keys:
            mark = "space or enter: index mark passes   " if self._kind == "runout" else ""
            rows.append(Text(f"  {mark}s: stop", style="dim"))
        return Group(*rows)

    def _head(self) -> Text:
        head = Text(TITLES[self._kind], style="bold")
        if self._state is not None:
            simulated = " (simulated)" if self._state.simulated else ""
            head.append(f"  {self._state.indicator}{simulated}: {self._state.state}", style="not bold")
            if self._state.why:
                head.append(f"\n  {self._state.why}", style="bold red")
        return head

    def _counted(self, progress: RunProgress) -> list[Text]:
        if progress.asked is None:
            return []
        seen = progress.seen or 0.0
        full = round(BAR * min(1.0, seen / progress.asked))
        what = COUNTED[progress.kind]
        count = "-" if progress.seen is None else f"{seen:.1f}" if what == "turns" else f"{seen:.0f}"
        text = f"  [{'#' * full}{'.' * (BAR - full)}] {count} of {progress.asked:g} {what}"
        if progress.marks:
            text += f", {counted(progress.marks, 'mark')}"
        return [Text(text)]


# The result --------------------------------------------------------------------------------------


def show_result(
    console: Console, result: RunoutResult | EndplayResult | BoreResult | RestResult, run: str
) -> None:
    """What a run that has just ended found, and where it is kept."""
    show_figures(console, result)
    console.print(Text(f"Kept as run {run}", style="dim"), soft_wrap=True)


def show_figures(console: Console, result: RunoutResult | EndplayResult | BoreResult | RestResult) -> None:
    """The verdict as a word, then how sure, which part and why."""
    if isinstance(result, RestResult):
        _show_rest(console, result)
    else:
        _show_judged(console, result)


def _show_judged(console: Console, result: RunoutResult | EndplayResult | BoreResult) -> None:
    verdict = result.verdict or "no limit given"
    console.print(
        Text(f"{TITLES[result.kind]}: {verdict.upper()}", style=VERDICT_STYLES.get(verdict, "bold"))
    )
    _rows(console, _figures(result))
    for pointer in result.points_to:
        _point(console, f"points to: {pointer.part}. {pointer.why}")
    for reason in result.reasons:
        _point(console, reason.text)


def _show_rest(console: Console, result: RestResult) -> None:
    word, style = {
        True: ("STEADY", "bold green"),
        False: ("NOT STEADY", "bold red"),
        None: ("NOT MEASURABLE", "bold magenta"),
    }[result.steady]
    console.print(Text(f"{TITLES['rest']}: {word}", style=style))
    _rows(
        console,
        (
            ("scatter", _mm(result.noise_mm)),
            ("drift", "-" if result.drift_mm_per_min is None else f"{result.drift_mm_per_min:+.4f} mm/min"),
            ("slip", _mm(result.slip_mm)),
        ),
    )
    for reason in result.reasons:
        _point(console, reason.text)


def _figures(result: RunoutResult | EndplayResult | BoreResult) -> Iterable[tuple[str, str]]:
    found = _value_mm(result)
    expanded = result.uncertainty_mm.expanded if result.uncertainty_mm else None
    yield "found", _mm(found) + (f"  ± {expanded:.4f} mm (about 95 %)" if expanded is not None else "")
    if result.limit_mm is not None:
        limit = result.limit_mm
        if limit.max is not None:
            yield "limit", f"{_mm(limit.max)}  ({limit.source})"
        else:
            yield "good up to", _mm(limit.good_up_to)
            yield "bad above", f"{_mm(limit.bad_above)}  ({limit.source})"
    if isinstance(result, RunoutResult):
        total = result.turns.total
        yield "turns", "not told" if total is None else f"{total:.2f}, found by {result.turns.found_by}"
        yield "repeatable", _mm(result.fim_mm.repeatable)
        yield "not repeatable", _mm(result.non_repeatable_mm)
        if result.high_spot_deg is not None:
            yield "high spot", f"{result.high_spot_deg:.0f}°"
    elif isinstance(result, BoreResult):
        yield "size at 20 °C", _mm(result.diameter_mm)
        yield "taper", _mm(result.taper_mm)
        yield "places", f"{result.places_seen}, {len(result.depths)} depth(s)"
    else:
        yield "strokes", ", ".join(f"{stroke.play_mm:.4f}" for stroke in result.strokes) or "none"


def _value_mm(result: Judged) -> float | None:
    from analysis.record.results import judged_mm

    return judged_mm(result)


def _mm(value_mm: float | None) -> str:
    return "-" if value_mm is None else f"{value_mm:.4f} mm ({value_mm / 25.4:.5f} in)"


def _rows(console: Console, rows: Iterable[tuple[str, str]]) -> None:
    for name, text in rows:
        console.print(Text(f"  {name:<15} {text}"), soft_wrap=not console.is_terminal)
