from __future__ import annotations

from importlib.metadata import files
from pathlib import Path

import pytest

import config
from config.errors import InputError
from config.indicators import SerialLink, indicator_named, load_indicators
from config.settings import shipped
from config.toml_text import indicator_toml

ENTRY = """\
# an invented indicator
[[indicator]]
name = "shop"
resolution = "0.001 mm"
permissible_error = "0.003 mm"
range = "12.7 mm"
[indicator.link]
kind = "serial"
port = "COM3"
[indicator.format]
kind = "lines"
pattern = '(?P<value>-?\\d+\\.\\d+)'
unit = "mm"
"""


def refused(tmp_path: Path, text: str) -> str:
    path = tmp_path / "indicators.toml"
    path.write_text(text)
    with pytest.raises(InputError) as caught:
        load_indicators(path)
    return str(caught.value).removeprefix(str(path))


def test_the_installed_config_package_is_ours() -> None:
    """`config` is a name that anyone may take; this one must come from the project's own distribution."""
    package = Path(config.__file__ or "").parent
    assert {"limits.toml", "indicators.toml", "lengths.py"} <= {path.name for path in package.iterdir()}
    installed = files("hubproof")
    assert installed is not None
    owned = [str(file) for file in installed if str(file).endswith(("config/__init__.py", "hubproof.pth"))]
    assert owned, "neither the package nor the link of an editable installation is there"


def test_the_shipped_indicators_are_exact_and_marked_as_invented() -> None:
    by_name = {indicator.name: indicator for indicator in load_indicators()}
    assert by_name["bench"].resolution_nm == 1_000
    assert by_name["bench-inch"].resolution_nm == 12_700
    assert {indicator.format.kind for indicator in by_name.values()} >= {"lines", "polled", "frames"}
    for indicator in by_name.values():
        assert indicator.simulated
        assert indicator.serial_number.startswith("INVENTED")


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        (
            'resolution = "0.001 mm"',
            "resolution = 0.001",
            ", line 4: resolution: 0.001 has no unit; write it as text, like '0.001 mm'",
        ),
        (
            'resolution = "0.001 mm"',
            'resolution = "-0.001 mm"',
            ", line 4: resolution: Input should be greater than 0",
        ),
        (
            'range = "12.7 mm"',
            'range = "12.7"',
            ", line 6: range: '12.7' has no unit; expected a number with a unit, such as '0.05 mm'",
        ),
        ('range = "12.7 mm"\n', "", ", line 2: range: Field required"),
        (
            'name = "shop"',
            'name = "shop"\ncolour = "red"',
            ", line 4: colour: Extra inputs are not permitted",
        ),
        (
            'port = "COM3"',
            'port = "COM3"\nbaud = 50',
            ", line 10: link.serial.baud: Input should be greater than or equal to 110",
        ),
        ('port = "COM3"\n', "", ", line 7: link.serial: give either port or usb"),
        ("(?P<value>-?", "(?P<number>-?", ", line 12: format.lines: pattern has no group (?P<value>…)"),
        ('unit = "mm"\n', "", ", line 12: format.lines: give unit, or a group (?P<unit>…) in pattern"),
        (
            'unit = "mm"\n',
            'unit = "mm"\nexample = "abc"\n',
            ", line 14: format.lines: example 'abc' does not match the pattern",
        ),
        (
            'kind = "serial"\nport = "COM3"',
            'kind = "bluetooth"\naddress = "00:00:00:00:00:01"',
            ", line 11: indicator: format 'lines' cannot come over a bluetooth link",
        ),
    ],
)
def test_a_wrong_description_is_named_with_its_line(tmp_path: Path, old: str, new: str, message: str) -> None:
    assert old in ENTRY
    assert refused(tmp_path, ENTRY.replace(old, new)) == message


def test_the_line_is_that_of_the_entry_at_fault_and_of_its_own_table(tmp_path: Path) -> None:
    """`kind` stands in both tables, the wrong one in the second entry; comments and quotes do not matter."""
    second = ENTRY.replace('"shop"', '"other"').replace('kind = "lines"', "'kind' = \"words\"  # wrong")
    assert refused(tmp_path, ENTRY + second).startswith(", line 24: format: Input tag 'words' found using")
    inline = ENTRY.split("[indicator.link]")[0] + 'link = { kind = "serial", port = "COM3", baud = 1 }\n'
    inline += 'format = { kind = "lines", pattern = "(?P<value>.*)", unit = "mm" }\n'
    assert refused(tmp_path, inline).startswith(", line 7: link.serial.baud:")


def test_a_table_that_nothing_reads_is_told(tmp_path: Path) -> None:
    assert refused(tmp_path, ENTRY + "[indicators]\n").startswith(": unknown table 'indicators'")


def test_two_of_one_name(tmp_path: Path) -> None:
    assert refused(tmp_path, ENTRY + ENTRY) == ", line 16: a second indicator is named 'shop'"


def test_no_list(tmp_path: Path) -> None:
    assert refused(tmp_path, "indicator = 1") == ": indicator is not a list; expected [[indicator]] tables"


def test_an_unknown_name_lists_the_known() -> None:
    with pytest.raises(InputError) as caught:
        indicator_named("x", load_indicators()[:1])
    assert str(caught.value) == "--indicator: no indicator is named 'x'; expected one of: bench"
    with pytest.raises(InputError, match=r"no indicator is described yet; .*learn"):
        indicator_named("x", ())


def test_a_description_written_out_reads_back_the_same(tmp_path: Path) -> None:
    path = tmp_path / "again.toml"
    shipped_ones = load_indicators()
    path.write_text("\n".join(map(indicator_toml, shipped_ones)), encoding="utf-8")
    assert load_indicators(path) == shipped_ones
    assert len(shipped_ones) == shipped("indicators.toml").count("[[indicator]]")
    assert any(isinstance(indicator.link, SerialLink) for indicator in shipped_ones)
