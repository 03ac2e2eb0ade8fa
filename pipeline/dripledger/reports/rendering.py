"""Every file of a report: pages, PDF, workbook, tables and manifest, as bytes."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Final

import duckdb
import pyarrow as pa

from dripledger.measures import Month, tabulate
from dripledger.reports.behind import CSV_NAMES, without_times
from dripledger.reports.case_list import case_lines
from dripledger.reports.change_months import CSV_NAME, change_months
from dripledger.reports.changes import shown_changes
from dripledger.reports.compose import build
from dripledger.reports.dashboard import compose_dashboard
from dripledger.reports.material import Material, gather
from dripledger.reports.model import Stamp
from dripledger.reports.page_html import render_leaves, style_sheet
from dripledger.reports.paper import render_paper
from dripledger.reports.redeclared import not_built_yet, redeclared_blocks
from dripledger.reports.restated import CSV_NAME as RESTATED
from dripledger.reports.restated import restated_months, restated_table
from dripledger.reports.tables import as_csv
from dripledger.reports.workbook import render_workbook
from dripledger.site import Site
from dripledger.store import Snapshot

#: Number of the manifest's form.
MANIFEST_FORMAT = 1
_SCRIPT: Final = Path(__file__).resolve().parent / "templates" / "tables.js"


def render_files(
    con: duckdb.DuckDBPyConnection,
    site: Site,
    month: Month,
    made_from: Stamp,
    *,
    snapshot: Snapshot | None = None,
    share: bool = False,
) -> dict[str, bytes]:
    """Render every file of a report.

    Parameters
    ----------
    con
        Connection in which the store's tables stand.
    site, month, made_from
        The site, the month, the stamp.
    snapshot
        The store version that the tables are of, to look back at what was published and at settled months;
        None: nothing is restated.
    share
        Whether to make the form for sharing.

    Returns
    -------
    dict of str to bytes
        Path inside the folder -> content.
    """
    earlier = build(con, site, month, snapshot=snapshot, share=share)
    material = gather(con, site, month, made_from, earlier, share=share)
    texts: dict[str, str] = {"style.css": style_sheet(), "tables.js": _SCRIPT.read_text(encoding="utf-8")}
    told = redeclared_blocks(site, month, snapshot, share=share)
    unbuilt = list(not_built_yet(site, snapshot))
    if share:
        measures = _as_table(con, site, month, material)
        board = compose_dashboard(material, [], measures, told, unbuilt)
        texts["measures.csv"] = as_csv(measures)
    else:
        measures = tabulate(con, site, [month], ("care_area",), read=material.facts)
        restated = restated_months(material, snapshot)
        board = compose_dashboard(material, restated, measures, told, unbuilt)
        texts.update(_tables(material, measures))
        if any(one.differs for one in restated):
            texts[RESTATED] = as_csv(restated_table(restated))
        if shown_changes(material):
            texts[CSV_NAME] = as_csv(change_months(material))
    material.facts.forget()
    texts.update(render_leaves(board))
    files = {name: text.encode("utf-8", "replace") for name, text in texts.items()}
    files["report.pdf"] = render_paper(board)
    files["report.xlsx"] = render_workbook(board)
    files = dict(sorted(files.items()))
    return {**files, "manifest.json": manifest(files, month, made_from, share=share)}


def _as_table(con: duckdb.DuckDBPyConnection, site: Site, month: Month, material: Material) -> pa.Table:
    """Return the shared rows of the month as a table of measures."""
    rows = [row for row in (*material.by_area, *material.facility) if row["month"] == str(month)]
    seen: dict[tuple[str, str], dict[str, object]] = {}
    for row in rows:
        seen.setdefault((row["measure"], row["care_area"]), {**row, "care_area": row["care_area"]})
    schema = tabulate(con, site, [], ("care_area",), ()).schema
    return pa.Table.from_pylist(
        [{name: row.get(name) for name in schema.names} for row in seen.values()], schema
    )


def _tables(material: Material, measures: pa.Table) -> dict[str, str]:
    con, site, month, facts = material.con, material.site, material.month, material.facts
    texts = {"measures.csv": as_csv(measures)}
    for name, groups in (
        ("measures_by_source.csv", ("source",)),
        ("measures_by_pump_type.csv", ("care_area", "pump_type")),
        ("measures_by_high_alert.csv", ("high_alert",)),
    ):
        texts[name] = as_csv(tabulate(con, site, [month], groups, read=facts))
    texts["measures_facility.csv"] = as_csv(tabulate(con, site, [month], (), read=facts))
    for name, relation in (
        ("infusions.csv", "report_infusions"),
        ("implausible.csv", "report_implausible_events"),
    ):
        # Months before may stand in the relations as well.
        texts[name] = as_csv(con.sql(f"select * from {relation} where month = '{month}'").to_arrow_table())
    for name, relation, what in (
        ("far_overrides.csv", "report_warnings", "far_override"),
        ("left_library.csv", "report_warnings", "left_library"),
        ("long_stops.csv", "report_moments", "long_stop"),
        ("rate_changes.csv", "report_moments", "rate_change"),
    ):
        found = con.sql(
            f"select * from {relation} where month = '{month}' and what = '{what}'"
        ).to_arrow_table()
        # the other events of a moment are for finding its review
        texts[name] = as_csv(found.drop_columns(["known_as"]) if "known_as" in found.column_names else found)
    names, lines = case_lines(material.cases, str(month))
    texts["cases.csv"] = as_csv(pa.table({n: [line[i] for line in lines] for i, n in enumerate(names)}))
    for name, table in material.tables.items():
        texts[CSV_NAMES[name]] = as_csv(without_times(table))
    texts["lists/start_windows.csv"] = as_csv(con.sql("select * from report_start_windows").to_arrow_table())
    texts["lists/pumps.csv"] = as_csv(con.sql("select * from report_pumps").to_arrow_table())
    return texts


def manifest(files: Mapping[str, bytes], month: Month, made_from: Stamp, *, share: bool = False) -> bytes:
    """Return the manifest: the hash of each file and what they were made from; no wall-clock."""
    document = {
        "format": MANIFEST_FORMAT,
        "kind": "report",
        "form": "shared" if share else "internal",
        "month": str(month),
        **made_from.model_dump(),
        "files": {
            name: {"sha256": hashlib.sha256(content).hexdigest(), "bytes": len(content)}
            for name, content in sorted(files.items())
        },
    }
    return (json.dumps(document, indent=2, ensure_ascii=False) + "\n").encode()
