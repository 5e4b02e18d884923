"""Indicators, what was found, and checks, as tables for the terminal."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from rich.console import Console
from rich.table import Table
from rich.text import Text

from analysis.results_check import IndicatorCheck
from capture.check_messages import IndicatorCard
from capture.finding import FoundPeripheral, FoundPort
from config.lengths import show_length

NO_FIGURE = "-"
STATE_STYLES = {"live": "green", "connecting": "yellow", "stale": "bold yellow", "lost": "bold red"}
VERDICTS = {"within": "green", "over": "bold red", "undecided": "yellow"}


def show_cards(console: Console, cards: Sequence[IndicatorCard]) -> None:
    """One row an indicator; where it is and what is wrong below."""
    table = Table(
        "indicator", "state", "battery", "calibration", "last check", "last reading", box=None, pad_edge=False
    )
    for card in cards:
        table.add_row(
            Text(card.indicator),
            Text(card.state, style=STATE_STYLES[card.state]),
            Text(NO_FIGURE if card.battery is None else f"{card.battery} %"),
            _calibration(card),
            _last_check(card),
            Text(_last_reading(card)),
        )
    console.print(table)
    for card in cards:
        step = show_length(card.resolution_nm, step_nm=card.resolution_nm)
        console.print(Text(f"{card.indicator}: {card.port or card.link}, step {step}"), soft_wrap=True)
        if card.why:
            console.print(Text(f"{card.indicator}: {card.why}", style="bold"), soft_wrap=True)


def _calibration(card: IndicatorCard) -> Text:
    if card.calibration_due is None:
        return Text("not described" if card.calibrated is None else f"done {card.calibrated}")
    if card.calibration_overdue:
        return Text(f"was due {card.calibration_due}", style="bold red")
    return Text(f"due {card.calibration_due}")


def _last_check(card: IndicatorCard) -> Text:
    last = card.last_check
    if last is None:
        return Text("never")
    word = "passed" if last.check.passed else "not passed"
    return Text(f"{last.made_utc:%Y-%m-%d} {word}", style="green" if last.check.passed else "bold red")


def _last_reading(card: IndicatorCard) -> str:
    last = card.last_reading
    if last is None:
        return NO_FIGURE
    shown = show_length(last.length_nm, last.unit, step_nm=card.resolution_nm)
    return f"{shown} ({last.flag})" if last.flag else shown


def show_ports(console: Console, ports: Sequence[FoundPort]) -> None:
    """The serial ports, and what to do where one may not be opened."""
    console.print(Text("Serial ports", style="bold"))
    if not ports:
        console.print("  none is plugged in")
    for port in ports:
        usb = f"  USB {port.usb}" if port.usb else ""
        number = f" number {port.usb_serial_number}" if port.usb_serial_number else ""
        console.print(
            Text(f"  {port.port}  {port.description}{usb}{number}{_known(port.described_as)}"), soft_wrap=True
        )
        if not port.allowed:
            console.print(Text(f"    may not be opened: {port.do}", style="yellow"), soft_wrap=True)


def show_peripherals(console: Console, found: Sequence[FoundPeripheral]) -> None:
    """The Bluetooth peripherals, the strongest first."""
    console.print(Text("Bluetooth", style="bold"))
    if not found:
        console.print("  no peripheral in reach: switch the indicator on and bring it nearer")
    for each in found:
        signal = "" if each.signal_dbm is None else f"  {each.signal_dbm} dBm"
        name = each.name or "(no name)"
        console.print(Text(f"  {each.address}  {name}{signal}{_known(each.described_as)}"), soft_wrap=True)
        for service in each.services:
            console.print(Text(f"    advertises service {service}"), soft_wrap=True)
        for offer in each.offers or ():
            form = offer.form or "no form described"
            console.print(
                Text(f"    notifies {offer.characteristic} of service {offer.service}: {form}"),
                soft_wrap=True,
            )
        if each.why:
            console.print(Text(f"    {each.why}", style="yellow"), soft_wrap=True)


def _known(name: str | None) -> str:
    return f"  = indicator {name!r}" if name else ""


def show_check(console: Console, check: IndicatorCheck) -> None:
    """What a check found: the figures, the blocks one by one, and what speaks against the indicator."""
    word, style = ("PASSED", "bold green") if check.passed else ("NOT PASSED", "bold red")
    console.print(Text(f"Indicator {check.indicator}: {word}", style=style))
    for name, text in _figures(check):
        console.print(Text(f"  {name:<18} {text}"), soft_wrap=True)
    if check.blocks is not None:
        table = Table("block", "way", "read", "deviation", box=None, padding=(0, 2, 0, 2))
        for point in check.blocks.points:
            deviation = f"{1000 * point.deviation_mm:+.1f} um"
            table.add_row(
                f"{point.nominal_mm:g} mm", point.direction, f"{point.reading_mm:.4f} mm", deviation
            )
        console.print(table)
        verdict = check.blocks.verdict
        console.print(Text(f"  permissible error: {verdict.upper()}", style=VERDICTS.get(verdict, "")))
    for reason in check.reasons:
        console.print(Text(f"  - {reason.text}"), soft_wrap=True)


def _figures(check: IndicatorCheck) -> Iterable[tuple[str, str]]:
    pace, rest = check.pace, check.at_rest
    yield "rate", NO_FIGURE if pace.rate_hz is None else f"{pace.rate_hz:.2f} readings/s"
    late = f"{pace.jitter_ms:.1f} ms, at most {pace.worst_delay_ms:.1f} ms" if pace.rate_hz else NO_FIGURE
    yield "jitter", late
    sent = rest.readings + (pace.missing or 0)
    yield "missing", NO_FIGURE if pace.missing is None else f"{pace.missing} of {sent}"
    yield "noise at rest", _mm(rest.noise_mm)
    yield "spread at rest", _mm(rest.spread_mm)
    yield "step delivered", NO_FIGURE if rest.step_mm is None else f"{rest.step_mm:g} mm"
    if rest.lowest_mm is not None and rest.highest_mm is not None:
        yield "reads", f"{rest.lowest_mm:.4f} to {rest.highest_mm:.4f} mm"
    if check.travel_mm is not None:
        yield "travel", f"{check.travel_mm:.3f} mm"
    if check.blocks is not None:
        blocks = check.blocks
        yield "largest deviation", f"{_mm(blocks.worst_mm)} at {blocks.worst_at_mm:g} mm"
        yield "uncertainty", f"± {blocks.uncertainty_mm.expanded:.4f} mm (about 95 %)"
        yield "permissible", f"± {blocks.permissible_error_mm:g} mm"
        yield "hysteresis", _mm(blocks.hysteresis_mm)


def _mm(value_mm: float | None) -> str:
    return NO_FIGURE if value_mm is None else f"{value_mm:.4f} mm"
