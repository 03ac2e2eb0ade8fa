"""People in every shape: what is masked or keyed is in no staging file, no table and no message."""

from __future__ import annotations

from pathlib import Path

import pyarrow.parquet as pq
import pytest

from dripledger.events import run as running
from dripledger.sources.mapping import Mapping
from dripledger.sources.staging import Staged, StagingRoom
from tests.event_samples import drop, make_site, read, rows
from tests.functional.written_logs import FORMS, ROWS, Form, gzipped
from tests.marks import LONG

#: The number of a patient that the log writes, long enough that no hash holds it by chance.
NUMBER = "9900471188003355"
NAME = "Séraphine Fenwright-Oduya"


#: In a plain run; the others before a merge.
_ALWAYS = ("comma", "json_deep", "xml_attributes", "xlsx")


@pytest.mark.parametrize(
    "form", [pytest.param(f, marks=() if f.name in _ALWAYS else LONG, id=f.name) for f in FORMS]
)
def test_nobody_is_named(tmp_path: Path, form: Form, monkeypatch: pytest.MonkeyPatch) -> None:
    """The area holds a name and is masked; the case is a number and is keyed."""
    people = tuple((*row[:4], NAME, *row[5:8], NUMBER) for row in ROWS)
    if form.shape == "fixed_width":
        people = tuple((*row[:4], NAME[:19], *row[5:8], NUMBER[:8]) for row in ROWS)
    looked: list[int] = []
    true_stage = running.stage

    def staged_and_looked_at(room: StagingRoom, mapping: Mapping, *rest: object) -> Staged:
        told = true_stage(room, mapping, *rest)  # type: ignore[arg-type]
        files = [path for path in room.folder.rglob("*") if path.is_file()]
        for path in files:
            assert path.suffix == ".parquet", "something else than staged columns was written"
            text = str(pq.read_table(path).to_pylist())
            assert NAME[:10] not in text
            assert NUMBER[:8] not in text
        looked.append(len(files))
        return told

    monkeypatch.setattr(running, "stage", staged_and_looked_at)
    raw = form.names[4]
    mapping = form.mapping().replace(f'care_area = "{raw}"\n', "") + f'[personal]\nmask = ["{raw}"]\n'
    site = make_site(tmp_path, {"log": mapping}, "[people]\ndemo_seed = 7\n")
    data = form.write(people)
    # a record that cannot be read, and a file that cannot be read, say nothing either
    drop(site, "log", gzipped(data) if form.text else data)
    drop(site, "log cut", data[: len(data) * 2 // 3])
    result = read(site)
    assert looked
    assert looked[0] > 0
    said = " ".join([*map(str, result.failures), *result.notes])
    for table in ("events", "quarantined", "ingests"):
        said += str(rows(site, f"select * from {table}"))
    assert NAME[:10] not in said
    assert NUMBER[:8] not in said
    keys = rows(site, "select distinct length(patient_key) from events where patient_key is not null")
    assert keys == [(64,)]
