from __future__ import annotations

from pathlib import Path

import pytest

from config.errors import InputError
from config.limits import Limit, parse_limit
from config.settings import default_limit, line_of, load_limits, read_toml

GOOD = """\
# limits of an invented workshop
[[limit]]
name = "flange run-out"
quantity = "runout"
max = "0.05 mm"
source = "invented"

[[limit]]
name = "play"
quantity = "endplay"
good_up_to = "0.003 in"
bad_above = "0.005 in"
source = "invented"
"""


def refused(tmp_path: Path, text: str | bytes) -> str:
    path = tmp_path / "limits.toml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    with pytest.raises(InputError) as caught:
        load_limits(path)
    return str(caught.value).removeprefix(str(path))


def test_the_shipped_limits_are_those_of_common_practice() -> None:
    """Common practice, no published source: 0.002 in run-out; play good to 0.003 in, bad above 0.005 in."""
    runout, endplay = load_limits()
    assert (runout.quantity, runout.max_nm) == ("runout", 50_800)
    assert (endplay.quantity, endplay.good_up_to_nm, endplay.bad_above_nm) == ("endplay", 76_200, 127_000)
    for limit in (runout, endplay):
        assert "no published source" in limit.source
        assert "takes precedence" in limit.source
    assert default_limit("endplay", (runout, endplay)) is endplay
    assert default_limit("bore", (runout, endplay)) is None


def test_a_workshops_own_limits(tmp_path: Path) -> None:
    path = tmp_path / "limits.toml"
    path.write_text(GOOD)
    runout, endplay = load_limits(path)
    assert (runout.accept_nm, runout.reject_nm) == (50_000, 50_000)
    assert (endplay.accept_nm, endplay.reject_nm) == (76_200, 127_000)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('max = "0.05 mm"', "max = 0.05", ', line 5: max = 0.05 has no unit; expected text like "0.05 mm"'),
        (
            'max = "0.05 mm"',
            'max = "0.05"',
            ", line 5, max: '0.05' has no unit; expected a number with a unit, such as '0.05 mm'",
        ),
        (
            'max = "0.05 mm"',
            'max = "-0.05 mm"',
            ", line 2: limit 'flange run-out' is not positive; expected a length above zero",
        ),
        (
            'max = "0.05 mm"',
            'maxi = "0.05 mm"',
            ", line 5: unknown key 'maxi'; expected one of name, quantity, source, applies_to, max,"
            " good_up_to, bad_above",
        ),
        (
            'max = "0.05 mm"\n',
            "",
            ", line 2: limit 'flange run-out' is incomplete; expected either max, or good_up_to together with"
            " bad_above",
        ),
        (
            'bad_above = "0.005 in"\n',
            "",
            ", line 8: limit 'play' is incomplete; expected either max, or good_up_to together with"
            " bad_above",
        ),
        (
            'bad_above = "0.005 in"',
            'bad_above = "0.001 in"',
            ", line 8: limit 'play': good_up_to lies above bad_above",
        ),
        (
            'quantity = "endplay"',
            'quantity = "wobble"',
            ", line 10: unknown quantity 'wobble'; expected runout, endplay or bore",
        ),
        ('name = "play"\n', "", ", line 8: 'name' is missing or not text"),
        (
            'bad_above = "0.005 in"\nsource = "invented"',
            'bad_above = "0.005 in"\nsource = " "',
            ", line 8: limit 'play' names no source; expected who gives this figure",
        ),
        (GOOD, "", ": holds no limit; expected one [[limit]] table or more"),
        (GOOD, "limit = 3", ": holds no limit; expected one [[limit]] table or more"),
    ],
)
def test_a_wrong_limit_is_named_with_its_line(tmp_path: Path, old: str, new: str, message: str) -> None:
    assert old in GOOD
    assert refused(tmp_path, GOOD.replace(old, new)) == message


def test_files_that_are_no_toml(tmp_path: Path) -> None:
    assert "is not TOML: " in refused(tmp_path, "[[limit\n")
    assert "line 1" in refused(tmp_path, "[[limit\n")
    assert refused(tmp_path, b"# \xb5\n") == ": is not UTF-8 text; expected a TOML file"
    with pytest.raises(InputError, match=r"none\.toml: cannot be read: No such file or directory"):
        read_toml(tmp_path / "none.toml", "limits.toml")


def test_lines_of_entries_and_of_keys_below_them() -> None:
    text = '[[a]]\nx = 1\n[a.b]\ny = 2\n[[c]]\nx = 3\n[[a]] # two\n"x" = 4\n'
    assert [line_of(text, "a", index) for index in (0, 1, 2)] == [1, 7, None]
    assert line_of(text, "a", 0, "y") == 4
    assert line_of(text, "a", 1, "x") == 8
    assert line_of(text, "a", 1, "none") == 7


def test_typed_limits() -> None:
    limit = parse_limit("0.002 in", "runout")
    assert (limit.max_nm, limit.source) == (50_800, "typed with the command")
    with pytest.raises(InputError, match="is incomplete"):
        Limit(name="x", quantity="runout", source="y", max_nm=1, good_up_to_nm=1, bad_above_nm=2)
