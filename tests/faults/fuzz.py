"""Guided fuzzing of one parser: ``python -m tests.faults.fuzz PARSER --seconds N``.

Needs the package `atheris`, which is no dependency of the project (``pip install atheris``). Bytes are cut
into records in small blocks and in one block: where both are read, they have to find the same records; else
the file has to be refused with a message. Anything else is a finding, and libFuzzer keeps its bytes in the
folder where it was started. PARSER is a shape, or `workbook_parts`: there the bytes are one part of a
workbook (the first byte says which), put into a sound zip, for a damaged zip hides what is inside.
"""

from __future__ import annotations

import contextlib
import io
import sys
import tempfile
import zipfile
from pathlib import Path
from typing import Any, Final

#: Shape -> the form of the invented log that the fuzzing starts from.
PARSERS: Final = {
    "delimited": "comma",
    "json_lines": "json_lines",
    "json_array": "json_array",
    "xml": "xml_children",
    "fixed_width": "fixed_width",
    "workbook": "xlsx",
    "workbook_parts": "xlsx",
    "hl7": "",
}
_BLOCKS: Final = (97, 1 << 22)


def main(parser: str, seconds: int) -> None:
    """Fuzz one parser for so many seconds; libFuzzer prints the number of executions at the end."""
    try:
        import atheris
    except ModuleNotFoundError:
        sys.exit("This needs the package atheris: pip install atheris")
    with atheris.instrument_imports(include=["dripledger.sources"]):
        from dripledger.errors import InputError
        from dripledger.site import Limits
        from dripledger.sources.mapping import load_mappings
        from dripledger.sources.one_pass import one_pass
        from dripledger.sources.staging import reading_of, splitter_of
    from tests.faults import hostile

    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder)
        form = hostile.BY_NAME.get(PARSERS[parser])
        site = hostile.make(root / "site", () if form is None else (form,))
        mapping = load_mappings(site)["device_messages" if form is None else form.name]
        corpus = root / "corpus"
        corpus.mkdir()
        parts = _parts(form) if parser == "workbook_parts" else {}
        seeds = (
            [bytes([place]) + data for place, data in enumerate(parts.values())] if parts else _seeds(form)
        )
        for place, data in enumerate(seeds):
            (corpus / str(place)).write_bytes(data)
        limits = Limits()

        def cut(data: bytes, block: int) -> tuple[int, int] | str:
            at = 0

            def read(size: int) -> bytes:
                nonlocal at
                at += size
                return data[at - size : at]

            try:
                told = one_pass(read, len, reading_of(mapping, limits), block)
            except InputError:
                return "refused"
            return told.records, sum(frame.length for frame in told.frames)

        def one(data: bytes) -> None:
            if parts:
                data = _with_part(parts, data)
                splitter = splitter_of(mapping, limits)
                with contextlib.suppress(InputError):
                    # the reader as well, which does not count on the bytes
                    splitter.consume(data, True)
                    list(splitter.split(data))
            small, large = (cut(data, block) for block in _BLOCKS)
            # how a file begins is looked at in its first block, which a short one shows less of
            if "refused" not in (small, large) and small != large:
                raise AssertionError(f"in small blocks {small}, in one block {large}")

        options = [f"-max_total_time={seconds}", "-max_len=4096", "-print_final_stats=1", str(corpus)]
        atheris.Setup([sys.argv[0], *options], one)
        atheris.Fuzz()


def _seeds(form: Any) -> list[bytes]:
    from tests.faults import hostile
    from tests.functional.written_logs import ROWS

    if form is None:
        return [hostile.messages()[0].encode("utf-8", "surrogatepass")[:4000]]
    return [form.write(ROWS), form.write(ROWS[:1])]


def _parts(form: Any) -> dict[str, bytes]:
    """Return the parts of a small workbook by name."""
    from tests.functional.written_logs import ROWS

    with zipfile.ZipFile(io.BytesIO(form.write(ROWS[:2]))) as book:
        return {name: book.read(name) for name in book.namelist()}


def _with_part(parts: dict[str, bytes], data: bytes) -> bytes:
    """Return the workbook with one part as given; the first byte says which."""
    name = list(parts)[(data[0] if data else 0) % len(parts)]
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_STORED) as book:
        for one, content in {**parts, name: data[1:]}.items():
            book.writestr(zipfile.ZipInfo(one), content)
    return out.getvalue()


if __name__ == "__main__":
    given = sys.argv[1:]
    if len(given) not in (1, 3) or given[0] not in PARSERS or given[1:2] not in ([], ["--seconds"]):
        sys.exit(f"python -m tests.faults.fuzz {'|'.join(PARSERS)} [--seconds N]")
    main(given[0], int(given[2]) if len(given) == 3 else 120)
