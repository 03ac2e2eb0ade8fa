"""Real intensive-care records, published under an open licence, through the whole path.

Source: MIMIC-III Clinical Database Demo v1.4 (Johnson A, Pollard T, Mark R; PhysioNet 2019), Open Database
License 1.0, rows with an even stay number. One row is a stretch with start, end, rate and recorded amount, so
that the recorded amount checks our integral and our units. The data are no part of this project.
"""

import csv
import shutil
from decimal import Decimal
from pathlib import Path

import pytest

from dripledger.events.ingest import ingest
from dripledger.site import load_site
from dripledger.store import Ledger

DATA = Path(__file__).resolve().parents[3] / "shared" / "open_data" / "icu_demo_even"
SITE = Path(__file__).parent / "open_data"

pytestmark = pytest.mark.skipif(not DATA.is_dir(), reason="the open data set is not at hand")

#: What the file writes for an amount -> our amount unit and the factor to it.
AMOUNT_UNITS = {
    "ml": {"mL": 1.0},
    "mg": {"mg": 1.0, "ug": 1000.0, "g": 0.001},
    "grams": {"g": 1.0, "mg": 1000.0},
    "mcg": {"ug": 1.0},
    "units": {"[IU]": 1.0},
    "mEq.": {"meq": 1.0},
}


@pytest.fixture(scope="module")
def connection(tmp_path_factory):
    """The records ingested and rebuilt, every table attached."""
    root = tmp_path_factory.mktemp("open data")
    shutil.copytree(SITE, root, dirs_exist_ok=True)
    for lookup in ("ICUSTAYS.csv", "D_ITEMS.csv"):
        shutil.copy(DATA / lookup, root / "sources" / lookup)
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("DRIPLEDGER_KEY", "only for this test: 0123456789abcdef")
        result = ingest(load_site(root), [DATA / "INPUTEVENTS_MV.csv"])
    from dripledger.engine import connect

    con = connect()
    Ledger.open(root / "store").snapshot().attach(con)
    yield con, result
    con.close()


def source_rows():
    with (DATA / "INPUTEVENTS_MV.csv").open(newline="") as file:
        return list(csv.DictReader(file))


def test_every_row_is_accounted_for(connection):
    con, result = connection
    told = result.as_json()
    rows = source_rows()
    voided = sum(row["statusdescription"] == "Rewritten" for row in rows)
    assert told["balanced"]
    assert (
        (told["rows_read"], told["rows_ignored"], told["quarantined"])
        == (len(rows), voided, 0)
        == (6144, 1630, 0)
    )
    assert told["events_kept"] == 6144 - 1630
    assert told["events"] == con.sql("select count(*) from events").fetchall()[0][0] == 2 * (6144 - 1630)
    # Personal numbers are keyed at the first touch; the staff's are nowhere.
    keys = {row[0] for row in con.sql("select distinct patient_key from events").fetchall()}
    assert not keys & {row["subject_id"] for row in rows}


def test_amounts_agree_with_the_recorded_ones(connection):
    con, _ = connection
    stretches = {
        (pump, channel, start): (stop, state, volume, amount, unit)
        for pump, channel, start, stop, state, volume, amount, unit in con.sql(
            "select pump_id, channel, strftime(started_at, '%Y-%m-%d %H:%M:%S'),"
            " strftime(ended_at, '%Y-%m-%d %H:%M:%S'), state, volume_ml, amount, amount_unit"
            " from segments where state = 'running'"
        ).fetchall()
    }
    checked = 0
    for row in source_rows():
        if row["statusdescription"] == "Rewritten" or not row["rate"]:
            continue
        found = stretches[row["icustay_id"], f"{row['itemid']}/{row['linkorderid']}", row["starttime"]]
        stop, _, volume, amount, unit = found
        assert stop == row["endtime"], row["row_id"]
        recorded = Decimal(row["amount"])
        if row["amountuom"] == "ml":
            ours = volume
        else:
            ours = amount / Decimal(str(AMOUNT_UNITS[row["amountuom"]][unit]))
        # 1e-6 relative: the recorded amounts are printed with at most that much.
        assert abs(ours - recorded) <= Decimal("1e-6") * recorded + Decimal("1e-9"), (row["row_id"], found)
        checked += 1
    assert checked == 2315


def test_a_change_of_rate_is_no_new_infusion(connection):
    con, _ = connection
    starts, kept = con.sql(
        "select (select count(*) from infusions),"
        " (select count(*) from events where kind = 'infusion_started')"
    ).fetchall()[0]
    assert 0 < starts < kept
