"""Entries written into the station's file: nothing else in it changes, nothing wrong is written."""

from __future__ import annotations

from pathlib import Path

import pytest

from config.errors import InputError
from config.indicators import Indicator, load_indicators
from config.indicators_file import add_indicator
from tests.capture.helpers import indicator
from tests.config.test_indicators import ENTRY


def named(name: str, **more: object) -> Indicator:
    return indicator(name=name, **more)


def test_a_new_file_and_a_second_entry(tmp_path: Path) -> None:
    path = tmp_path / "station" / "indicators.toml"
    assert add_indicator(path, named("one")) is None
    kept = add_indicator(path, named("two", plunger_out="-1 mm"))
    assert [each.name for each in load_indicators(path)] == ["one", "two"]
    assert load_indicators(path)[1] == named("two", plunger_out="-1 mm")
    assert kept is not None
    assert [each.name for each in load_indicators(kept)] == ["one"]


def test_what_stands_there_stays_to_the_letter(tmp_path: Path) -> None:
    path = tmp_path / "indicators.toml"
    path.write_text(ENTRY + "\n# and so on\n", encoding="utf-8")
    add_indicator(path, named("mine"))
    assert path.read_text(encoding="utf-8").startswith(ENTRY + "\n# and so on\n")


def test_a_name_is_taken_only_once_unless_it_is_replaced(tmp_path: Path) -> None:
    path = tmp_path / "indicators.toml"
    path.write_text(ENTRY + "\n# the other one\n" + ENTRY.replace('"shop"', '"other"'), encoding="utf-8")
    with pytest.raises(InputError, match="an indicator is named 'shop' already; give another --name"):
        add_indicator(path, named("shop"))
    add_indicator(path, named("shop", serial_number="77"), replace=True)
    by_name = {each.name: each for each in load_indicators(path)}
    assert set(by_name) == {"shop", "other"}
    assert by_name["shop"].serial_number == "77"
    assert "# the other one\n" in path.read_text(encoding="utf-8")


def test_a_file_that_is_wrong_is_not_touched(tmp_path: Path) -> None:
    path = tmp_path / "indicators.toml"
    path.write_text(ENTRY.replace('range = "12.7 mm"', 'range = "12.7"'), encoding="utf-8")
    before = path.read_bytes()
    with pytest.raises(InputError, match="line 6: range"):
        add_indicator(path, named("mine"))
    path.write_text("no toml", encoding="utf-8")
    with pytest.raises(InputError, match="is not TOML"):
        add_indicator(path, named("mine"))
    path.write_bytes(before)
    assert [each.name for each in tmp_path.iterdir()] == ["indicators.toml"]
