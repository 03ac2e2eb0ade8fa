"""What a mapping can say of each file shape: how it is written, not what it means."""

from __future__ import annotations

from itertools import pairwise
from typing import Annotated, Final, Literal

from pydantic import Field, model_validator

from dripledger.site import Strict

#: The shapes, each with the table of the mapping that holds its options.
SHAPES: Final = ("delimited", "json_lines", "json_array", "xml", "fixed_width", "workbook", "hl7")

Decimal = Literal[".", ","]
EncodingName = Literal["detect", "utf-8", "utf-16", "windows-1252"]
_NAME: Final = r"[^\s/<>&\"'=@]+"
#: Lines or rows that may stand above a header.
_Titles = Annotated[int, Field(ge=0, le=1000)]


class Options(Strict):
    """Options that more than one shape has.

    Parameters
    ----------
    encoding
        ``"detect"``: a byte order mark or zero bytes tell UTF-16, all else has to be UTF-8. Windows-1252 has
        to be declared, for nothing tells it from its like. What is detected is stated.
    """

    encoding: EncodingName = "detect"


class DelimitedOptions(Options):
    """How a delimited file is written; its first record below the title lines is the header.

    Parameters
    ----------
    separator, quote
        One ASCII character each.
    decimal
        Decimal mark of numbers.
    title_lines
        Lines above the header, blank ones counted; they are not read.
    footer
        A line that is no record; ``{records}`` in it is compared with the records since the header.
    """

    separator: Annotated[str, Field(min_length=1, max_length=1)] = ","
    quote: Annotated[str, Field(min_length=1, max_length=1)] = '"'
    decimal: Decimal = "."
    title_lines: _Titles = 0
    footer: Annotated[str, Field(min_length=3)] | None = None

    @model_validator(mode="after")
    def _distinct(self) -> DelimitedOptions:
        if self.separator == self.quote or any(
            ord(c) > 127 or c in "\r\n" for c in (self.separator, self.quote)
        ):
            raise ValueError("separator and quote are two different ASCII characters")
        return self


class JsonLinesOptions(Options):
    """How a JSON-lines file is written: one object a line.

    Parameters
    ----------
    each
        Dotted path of an array inside the object; each element carries an event of the one record.
    decimal
        Decimal mark of numbers that are written as text.
    """

    each: str | None = None
    decimal: Decimal = "."


class JsonArrayOptions(Options):
    """How a JSON document with an array of objects is written.

    Parameters
    ----------
    path
        Dotted path of the array inside the document; empty: the document is the array.
    each
        Dotted path of an array inside the object; each element carries an event of the one record.
    decimal
        Decimal mark of numbers that are written as text.
    """

    path: Annotated[str, Field(pattern=r"^([^.]+(\.[^.]+)*)?$")] = ""
    each: str | None = None
    decimal: Decimal = "."


class XmlOptions(Options):
    """How an XML file is written.

    Parameters
    ----------
    record
        Path of the element that is one record, from the outermost: ``"log/events/event"``. Prefixes of
        namespaces are left out, here and in the names of fields.
    decimal
        Decimal mark of numbers.
    """

    record: Annotated[str, Field(pattern=rf"^{_NAME}(/{_NAME})*$")] = "log/event"
    decimal: Decimal = "."

    @property
    def steps(self) -> tuple[str, ...]:
        """The path's elements, the outermost first."""
        return tuple(self.record.split("/"))


class FixedColumn(Strict):
    """One column of a fixed-width file: name, first character (from 1), width in characters."""

    name: Annotated[str, Field(min_length=1)]
    start: Annotated[int, Field(ge=1)]
    width: Annotated[int, Field(ge=1)]


class FixedWidthOptions(Options):
    """How a fixed-width file is written: one record a line, each column in its place.

    Parameters
    ----------
    columns
        Its columns.
    title_lines
        Lines above the header, or above the first record, blank ones counted; they are not read.
    header
        Whether the first line below them is a header; it is not read.
    trimmed
        Whether blanks at the end of a line may be missing; else a line that ends before its last column
        waits.
    decimal
        Decimal mark of numbers.
    footer
        A line that is no record; see `DelimitedOptions`.
    """

    columns: tuple[FixedColumn, ...] = ()
    title_lines: _Titles = 0
    header: bool = False
    trimmed: bool = False
    decimal: Decimal = "."
    footer: Annotated[str, Field(min_length=3)] | None = None

    @model_validator(mode="after")
    def _apart(self) -> FixedWidthOptions:
        names = [column.name for column in self.columns]
        if len(set(names)) < len(names):
            raise ValueError("two columns have the same name")
        ordered = sorted(self.columns, key=lambda c: c.start)
        for left, right in pairwise(ordered):
            if left.start + left.width > right.start:
                raise ValueError(f"the columns {left.name!r} and {right.name!r} overlap")
        return self


class WorkbookOptions(Strict):
    """Which part of a workbook (xlsx, ods) is read; the first row below its title rows is the header.

    Rows without a value are passed over.

    Parameters
    ----------
    sheet
        Name of the sheet; default: the first.
    title_rows
        Rows with a value above the header; they are not read.
    decimal
        Decimal mark of numbers that are written as text; cells that hold numbers need none.
    """

    sheet: str | None = None
    title_rows: _Titles = 0
    decimal: Decimal = "."


class Hl7Options(Options):
    """How device messages are written."""
