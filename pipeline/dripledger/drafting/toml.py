"""TOML as a draft writes it: text that loads, whatever stands in a header or label."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from typing import Any, Final

_BARE: Final = re.compile(r"[A-Za-z0-9_-]+")
_WIDTH: Final = 108


def string(text: str) -> str:
    """Return a text as a TOML string."""
    # what acts on a terminal goes out as its code
    written = json.dumps(text, ensure_ascii=False)
    return "".join(c if c.isprintable() else _code(c) for c in written)


def _code(character: str) -> str:
    number = ord(character)
    return f"\\u{number:04X}" if number < 0x10000 else f"\\U{number:08X}"


def key(text: str) -> str:
    """Return a text as a TOML key."""
    return text if _BARE.fullmatch(text) else string(text)


def value(told: Any) -> str:
    """Return a value: text, number, truth, list, table (in line)."""
    if isinstance(told, bool):
        return "true" if told else "false"
    if isinstance(told, str):
        return string(told)
    if isinstance(told, Mapping):
        return "{ " + ", ".join(f"{key(k)} = {value(v)}" for k, v in told.items()) + " }"
    if isinstance(told, list | tuple):
        return array(list(told))
    return str(told)


def array(items: list[Any], indent: str = "    ") -> str:
    """Return a list, broken over lines where it is long."""
    written = [value(item) for item in items]
    line = f"[{', '.join(written)}]"
    if len(line) <= 90:
        return line
    return "[\n" + "".join(f"{indent}{item},\n" for item in written) + "]"


def comment(text: str) -> list[str]:
    """Return a text as lines of comment."""
    words = _printed(text).split(" ")
    lines, line = [], "#"
    for word in words:
        if len(line) + 1 + len(word) > _WIDTH and line != "#":
            lines.append(line)
            line = "#  "
        line += f" {word}"
    return [*lines, line]


def told(name: str, written: Any, why: str = "") -> str:
    """Return one line, ``name = value``, with its reason behind it."""
    text = f"{key(name)} = {value(written)}"
    if not why:
        return text
    return f"{text:<45} # {_printed(why)}"


def _printed(text: str) -> str:
    return "".join(c if c.isprintable() else _code(c) for c in text)
