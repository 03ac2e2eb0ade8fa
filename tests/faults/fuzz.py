"""Guided fuzzing of one parser: ``python -m tests.faults.fuzz PARSER --seconds N``.

Needs the package `atheris`, which is no dependency of the project (``pip install atheris``). Bytes are cut
into records in small blocks and in one block: where both are read, they have to find the same records; else
the file has to be refused with a message. Anything else is a finding, and libFuzzer keeps its bytes in the
folder where it was started. PARSER is a shape.
"""

from __future__ import annotations

import sys
import tempfile
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
        from dripledger.sources.staging import reading_of
    from tests.faults import hostile

    with tempfile.TemporaryDirectory() as folder:
        root = Path(folder)
        form = hostile.BY_NAME.get(PARSERS[parser])
        site = hostile.make(root / "site", () if form is None else (form,))
        mapping = load_mappings(site)["device_messages" if form is None else form.name]
        corpus = root / "corpus"
        corpus.mkdir()
        for place, data in enumerate(_seeds(form)):
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


if __name__ == "__main__":
    given = sys.argv[1:]
    if len(given) not in (1, 3) or given[0] not in PARSERS or given[1:2] not in ([], ["--seconds"]):
        sys.exit(f"python -m tests.faults.fuzz {'|'.join(PARSERS)} [--seconds N]")
    main(given[0], int(given[2]) if len(given) == 3 else 120)
