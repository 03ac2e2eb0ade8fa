"""The command line does not wait for pandas, and who asks for a frame still gets one."""

from __future__ import annotations

import subprocess
import sys

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
