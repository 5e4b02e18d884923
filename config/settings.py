"""Reads the TOML files of the station, and says which line is wrong when one is."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from importlib import resources
from pathlib import Path
from typing import Any

from config.errors import InputError
from config.lengths import parse_length_nm
from config.limits import Limit

LIMIT_LENGTHS = ("max", "good_up_to", "bad_above")
LIMIT_TEXTS = ("name", "quantity", "source", "applies_to")


def shipped(name: str) -> str:
    """The text of a file that travels with the package, such as ``limits.toml``."""
    return resources.files("config").joinpath(name).read_text(encoding="utf-8")


def read_toml(path: Path | None, shipped_name: str) -> tuple[str, str, dict[str, Any]]:
    """Where the settings come from, their text, and what they hold.

    Args:
        path: the workshop's own file, or None for the shipped one.
        shipped_name: the shipped file to use without `path`.

    Raises:
        InputError: the file is missing, not UTF-8 or not TOML; the message names file and line.
    """
    where = str(path) if path else shipped_name
    try:
        text = path.read_text(encoding="utf-8") if path else shipped(shipped_name)
        return where, text, tomllib.loads(text)
    except OSError as error:
        raise InputError(f"cannot be read: {error.strerror}", where=where) from error
    except UnicodeDecodeError as error:
        raise InputError("is not UTF-8 text", where=where, expected="a TOML file") from error
    except RecursionError as error:
        raise InputError("is nested too deep", where=where, expected="a TOML file") from error
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"is not TOML: {error}", where=where) from error


def line_of(text: str, table: str, index: int, key: str | None = None) -> int | None:
    """The line (from 1) of entry `index` of ``[[table]]`` in `text`, or of its `key`; None if unseen."""
    seen, inside = -1, False
    entry_line: int | None = None
    for number, line in enumerate(text.splitlines(), start=1):
        bare = line.strip()
        if bare.startswith("["):
            header = bare.split("#")[0].strip()
            is_entry = header == f"[[{table}]]"
            seen += is_entry
            inside = seen == index and (is_entry or header.startswith((f"[{table}.", f"[[{table}.")))
            if inside and is_entry:
                entry_line = number
        elif inside and key is not None and bare.split("=")[0].strip().strip('"') == key:
            return number
    return entry_line


def load_limits(path: Path | None = None) -> tuple[Limit, ...]:
    """The limits of the workshop's file, or the shipped ones.

    Raises:
        InputError: a key is missing, unknown, or not a positive length; names file, line and key.
    """
    where, text, content = read_toml(path, "limits.toml")
    entries = content.get("limit", [])
    if not isinstance(entries, list) or not entries:
        raise InputError("holds no limit", where=where, expected="one [[limit]] table or more")
    return tuple(_limit(entry, where, text, index) for index, entry in enumerate(entries))


def _limit(entry: Mapping[str, Any], where: str, text: str, index: int) -> Limit:
    def place(key: str | None = None) -> str:
        line = line_of(text, "limit", index, key)
        return f"{where}, line {line}" if line else where

    unknown = set(entry) - {*LIMIT_LENGTHS, *LIMIT_TEXTS}
    if unknown:
        key = min(unknown)
        raise InputError(
            f"unknown key {key!r}",
            where=place(key),
            expected="one of " + ", ".join((*LIMIT_TEXTS, *LIMIT_LENGTHS)),
        )
    for key in ("name", "quantity", "source"):
        if not isinstance(entry.get(key), str):
            raise InputError(f"{key!r} is missing or not text", where=place(key))
    if entry["quantity"] not in ("runout", "endplay", "bore"):
        raise InputError(
            f"unknown quantity {entry['quantity']!r}",
            where=place("quantity"),
            expected="runout, endplay or bore",
        )
    lengths = {}
    for key in LIMIT_LENGTHS:
        if key in entry:
            if not isinstance(entry[key], str):
                raise InputError(
                    f"{key} = {entry[key]} has no unit", where=place(key), expected='text like "0.05 mm"'
                )
            lengths[f"{key}_nm"] = parse_length_nm(entry[key], where=f"{place(key)}, {key}")
    try:
        return Limit(
            name=entry["name"],
            quantity=entry["quantity"],
            source=entry["source"],
            applies_to=entry.get("applies_to", ""),
            **lengths,
        )
    except InputError as error:
        raise InputError(error.what, where=place(), expected=error.expected) from error


def default_limit(quantity: str, limits: tuple[Limit, ...]) -> Limit | None:
    """The first limit for `quantity`, or None."""
    return next((limit for limit in limits if limit.quantity == quantity), None)
