"""The command line does not wait for pandas, and who asks for a frame still gets one."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

pytest.importorskip("pandas")

CODE = """
import sys
{prepare}
import pyarrow as pa
table = pa.table({{"a": [1, 2]}})
print("pandas" in sys.modules)
print(table.to_pandas()["a"].to_list())
import pandas as pd
print(pa.array(pd.Series([1, 2])).to_pylist(), pa.Table.from_pandas(table.to_pandas()).num_rows)
"""


IN_PROCESS = """
from dripledger.cli import main
main(["status", "--site", "nowhere"])
import pandas as pd, pyarrow as pa
print(pa.array(pd.Series([1.0, float("nan")])).null_count)
"""


def test_who_calls_the_command_line_from_a_program_keeps_arrow_as_it_was(tmp_path: Path) -> None:
    """A number that is missing in a Series is null, as it is without us."""
    done = subprocess.run(
        [sys.executable, "-c", IN_PROCESS], capture_output=True, text=True, check=True, cwd=tmp_path
    )
    assert done.stdout.splitlines()[-1] == "1"


@pytest.mark.parametrize(
    ("prepare", "imported"),
    [("", "True"), ("from dripledger.engine.frames import leave_pandas_out; leave_pandas_out()", "False")],
)
def test_arrow_imports_pandas_only_when_a_frame_is_asked_for(prepare: str, imported: str) -> None:
    """In a process of its own: what Arrow imports by itself, and that a frame comes out either way."""
    done = subprocess.run(
        [sys.executable, "-c", CODE.format(prepare=prepare)], capture_output=True, text=True, check=True
    )
    assert done.stdout.splitlines() == [imported, "[1, 2]", "[1, 2] 2"]
