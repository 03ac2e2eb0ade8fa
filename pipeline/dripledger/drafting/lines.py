"""Shapes made of lines: which character separates, what the header says, where fixed columns stand."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from typing import Any, Final

from dripledger.drafting.sample import SAMPLE_RECORDS, Head, Sample
from dripledger.drafting.words import concepts_of
from dripledger.sources.records import DelimitedSplitter

_SEPARATORS: Final = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar"}
_NUMBER: Final = re.compile(r"[0-9][0-9 .,']*")
_LETTERS: Final = re.compile(r"[^\W\d_]{2,}")
_COUNT: Final = re.compile(r"[0-9](?:[0-9]|[ .,'](?=[0-9]))*")
#: The header is looked for below at most so many lines.
_MOST_TITLES: Final = 10
_FOOTER: Final = re.compile(r"^\W*(end of|ende|fin de|fin del|total|\*{2,}|-{3,}|={3,})", re.IGNORECASE)


def whole_lines(head: Head) -> list[str]:
    """Return the lines of the sample that it surely holds whole, blank ones left out."""
    lines = head.text.split("\n")
    if not head.complete and lines:
        lines.pop()
    return [line.rstrip("\r") for line in lines if line.strip()]


def delimited(head: Head) -> Sample | None:
    """Return the sample of a delimited file; None where no separator makes columns of it.

    The header is looked for among the first lines: what an export writes above it are title lines. A title
    may hold a separator too; then a later line is the header on whose more columns more lines agree.
    """
    best: tuple[float, int, Sample] | None = None
    for above, rest in _below_titles(head):
        found = _delimited(rest)
        if found is None:
            continue
        even, sample = found
        if best is None or (even > best[0] and len(sample.values) > len(best[2].values)):
            best = (even, above, sample)
        if best[0] == 1:
            break
    return None if best is None else _titled(best[2], best[1])


def _below_titles(head: Head) -> Iterator[tuple[int, Head]]:
    """Yield how many lines are left out as titles, and what stands below: none at first, then more."""
    physical = head.text.split("\n")
    for above in range(min(_MOST_TITLES + 1, len(physical))):
        if physical[above].strip():
            yield above, replace(head, text="\n".join(physical[above:]))


def _titled(sample: Sample, above: int) -> Sample:
    """Declare the lines above the header."""
    if above:
        sample.options["title_lines"] = above
        lines = f"the first {above} lines stand" if above > 1 else "the first line stands"
        sample.notes.append(f"{lines} above the header and {'are' if above > 1 else 'is'} not read")
    return sample


def _delimited(head: Head) -> tuple[float, Sample] | None:
    """Return the share of lines that fit, and the sample, of a delimited file that begins with its header."""
    every = whole_lines(head)
    lines = every[: SAMPLE_RECORDS + 1]
    best: tuple[float, float, str, list[list[str] | None]] | None = None
    for separator in _SEPARATORS:
        rows = _split(lines, separator)
        width = len(rows[0] or ()) if rows else 0
        if width < 2:
            continue
        even = sum(row is not None and len(row) == width for row in rows) / len(rows)
        # more columns win only where the lines agree on them
        score = even + min(width, 20) / 200
        if even >= 0.6 and (best is None or score > best[0]):
            best = (score, even, separator, rows)
    if best is None:
        return None
    _, even, separator, rows = best
    header = [name.strip() for name in rows[0] or ()]
    if not _is_header(header):
        return None
    again = sum(row is not None and [v.strip() for v in row] == header for row in rows[1:])
    body = [row for row in rows[1:] if row is not None and len(row) == len(header)]
    body = [row for row in body if [v.strip() for v in row] != header]
    (last,) = _split(every[-1:], separator)
    ended = head.complete and (last is None or len(last) != len(header))
    footer = _footer(every[-1], len(every) - 2 - every[1:].count(every[0])) if ended else None
    values: dict[str, list[str | None]] = {}
    twice = {name for name, n in Counter(header).items() if n > 1}
    for at, name in enumerate(header):
        if name and name not in twice:
            values[name] = [row[at].strip() or None for row in body]
    options: dict[str, Any] = {"separator": separator}
    sample = Sample(
        "delimited",
        options,
        values,
        f"each line has {len(header)} values with a {_SEPARATORS[separator]} between them, and "
        f"the first is a header",
    )
    if twice:
        sample.notes.append(f"{len(twice)} names stand twice in the header; those columns cannot be read")
    odd = len(rows) - 1 - len(body) - again
    if footer is not None:
        _declare(sample, footer)
        odd -= len(every) == len(lines)
    if odd > 0:
        sample.notes.append(
            f"{odd} of the first {len(rows) - 1} lines do not have the header's number of values"
        )
    return even, sample


def _split(lines: list[str], separator: str) -> list[list[str] | None]:
    if not lines:
        return []
    splitter = DelimitedSplitter(separator, '"')
    block = ("\n".join(lines) + "\n").encode("utf-8")
    return [
        None if row.fields is None else [field.decode("utf-8", "replace") for field in row.fields]
        for row in splitter.split(block)
    ]


def _is_header(names: list[str]) -> bool:
    """Whether a first line names columns instead of holding values."""
    filled = [name for name in names if name]
    if not filled:
        return False
    plain = sum(bool(_LETTERS.search(name)) and not re.search(r"\d{4}|:\d\d", name) for name in filled)
    known = sum(bool(concepts_of(name)) for name in filled)
    return plain >= 0.7 * len(filled) and known >= 0.3 * len(filled)


def _under(header: str, at: int, starts: list[int]) -> bool:
    """Whether the header has a word above the column that begins at a place."""
    end = next((other for other in starts if other > at), len(header))
    return bool(header[at:end].strip())


def _filled(lines: list[str], at: int, starts: list[int]) -> bool:
    """Whether some line below the header has a value in the column that begins at a place."""
    end = next((other for other in starts if other > at), None)
    return any(line[at:end].strip() for line in lines[1:])


def _footer(last: str, records: int) -> str | None:
    """Return a last line that is no record, its number of records put in place; None: it is none."""
    last = last.strip()
    if not _FOOTER.match(last) or len(last) < 3:
        return None
    for found in _COUNT.finditer(last):
        if re.sub(r"\D", "", found[0]) == str(records):
            return f"{last[: found.start()]}{{records}}{last[found.end() :]}"
    return last


def _declare(sample: Sample, footer: str) -> None:
    """Declare a footer, unless a number in it would be another one in the next export."""
    if any(c.isdigit() for c in footer):
        sample.assumed.append(
            f"{sample.shape}.footer: the last line is no record, and a number in it is not the count of "
            "records; declare the line where it is always the same"
        )
    else:
        sample.options["footer"] = footer


def fixed_width(head: Head) -> Sample | None:
    """Return the sample of a fixed-width file; None where no columns can be told.

    Without a header the columns are named by their place. A header makes the lines above it titles; of a
    title above columns without one nothing tells that it is none of them.
    """
    best: tuple[int, int, Sample] | None = None
    for above, rest in _below_titles(head):
        sample = _fixed_width(rest)
        if sample is None:
            continue
        # a title of a few words may name a thing or two, the header names the columns
        named = sum(bool(concepts_of(name)) for name in sample.values) if sample.options["header"] else 0
        if best is None or named > best[0]:
            best = (named, above, sample)
    return None if best is None else _titled(best[2], best[1])


def _fixed_width(head: Head) -> Sample | None:
    """Return the sample of a fixed-width file that begins with its header, or with a record."""
    lines = [line for line in whole_lines(head)[: SAMPLE_RECORDS + 1] if "\t" not in line]
    if len(lines) < 4:
        return None
    footer = _footer(lines[-1], len(lines) - 1 - _is_header(lines[0].split())) if head.complete else None
    if footer is not None:
        lines.pop()
    width = max(len(line) for line in lines)
    blank = [all(at >= len(line) or line[at] == " " for line in lines) for at in range(width)]
    starts = [at for at in range(width) if not blank[at] and (at == 0 or blank[at - 1])]
    if len(starts) < 3:
        return None
    header = _is_header(lines[0].split()) and not any(c.isdigit() for c in lines[0])
    if header:
        # words of one value: only what the header names begins a column
        starts = [at for at in starts if lines[0][at : at + 1].strip() or _under(lines[0], at, starts)]
        # a unit behind a name, with numbers under the name alone, is no column of its own
        starts = [
            at for at in starts if lines[0][at : at + 1] not in ("[", "(") or _filled(lines, at, starts)
        ]
    columns, values = [], {}
    for place, start in enumerate(starts):
        end = starts[place + 1] if place + 1 < len(starts) else width
        name = " ".join(lines[0][start:end].split()) if header else ""
        name = name or f"column {place + 1}"
        if name in values:
            name = f"{name} {place + 1}"
        columns.append({"name": name, "start": start + 1, "width": end - start})
        values[name] = [line[start:end].strip() or None for line in lines[header:]]
    options: dict[str, Any] = {"columns": columns, "header": header}
    if any(len(line) < width for line in lines):
        options["trimmed"] = True
    sample = Sample(
        "fixed_width",
        options,
        values,
        f"blanks stand at the same places of every line and make {len(columns)} columns",
        [
            "fixed_width.columns: where each column begins and ends follows from the blanks of "
            "the first records"
        ],
    )
    if footer is not None:
        _declare(sample, footer)
    return sample
