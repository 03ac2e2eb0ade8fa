"""The worked recipes of DEVELOPERS.md, done in a copy of the checkout: each gives what it promises."""

from __future__ import annotations

import csv
import io
import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

from tests.functional.conftest import HEADER, SITE_TOML, infusion, make_site
from tests.marks import LONG

pytestmark = LONG

ROOT = Path(__file__).parents[2]
_RECIPES = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").partition("## Recipes, worked\n")[2]
_BLOCK = re.compile(r"```(?:python|sql)\n(?:#|--) (\S+?)(?:, (after|before): (.+?))?\n(.*?)```", re.DOTALL)


def section(title: str) -> str:
    found = _RECIPES.partition(f"### {title}, worked\n")[2].partition("\n### ")[0]
    assert found, f"DEVELOPERS.md has no recipe {title!r}"
    return found


class Copy:
    """A copy of the checkout in which a recipe was followed."""

    def __init__(self, root: Path, title: str) -> None:
        self.root, self.site = root / "checkout", root / "a site"
        for name in ("pipeline", "sql", "synthetic_data"):
            shutil.copytree(ROOT / name, self.root / name, ignore=shutil.ignore_patterns("__pycache__"))
        blocks = _BLOCK.findall(section(title))
        assert blocks
        assert len(blocks) == len(re.findall(r"```(?:python|sql)\n", section(title))), "a block names no file"
        for name, where, words, text in blocks:
            self._apply(self.root / name, where, words, text)
        make_site(self.site)

    def _apply(self, path: Path, where: str, words: str, text: str) -> None:
        if not where:
            assert not path.exists(), f"{path} exists already"
            path.write_text(text, encoding="utf-8")
            return
        lines = path.read_text(encoding="utf-8").splitlines(keepends=True)
        (at,) = (number for number, line in enumerate(lines) if words in line)
        lines.insert(at + (where == "after"), text)
        path.write_text("".join(lines), encoding="utf-8")

    def run(self, *args: str | Path, code: int = 0) -> str:
        env = {**os.environ, "PYTHONPATH": str(self.root / "pipeline"), "HOME": str(self.root)}
        done = subprocess.run(
            [sys.executable, "-W", "error", "-m", "dripledger.cli", *map(str, args), "--site", self.site],
            capture_output=True, text=True, encoding="utf-8", env=env, cwd=self.root, timeout=120,
        )  # fmt: skip
        assert done.returncode == code, done.stderr
        self.told = done.stderr
        return done.stdout

    def drop(self, text: str) -> None:
        (self.site / "inbox" / "october.csv").write_text(text, encoding="utf-8")
        self.run("ingest")

    def query(self, sql: str) -> list[dict[str, str]]:
        return list(csv.DictReader(io.StringIO(self.run("query", sql, "--format", "csv"))))


def test_every_recipe_is_followed_here() -> None:
    titles = re.findall(r"^### (.+), worked$", _RECIPES, re.MULTILINE)
    assert titles == ["A check of events", "A measure", "A rule of incidents", "An adapter"]


def test_a_check(tmp_path: Path) -> None:
    copy = Copy(tmp_path, "A check of events")
    head = "pump_id,channel,device_time,sequence,kind,rate_ml_h,programmed_duration_s\n"
    copy.drop(
        head + "P-1,A,2026-10-01T08:00:00,1,infusion_started,10,2678401\n"
        "P-1,A,2026-10-01T09:00:00,2,infusion_stopped,,\n"
        "P-1,A,2026-10-01T10:00:00,3,infusion_started,10,2678400\n"
    )
    found = copy.query(
        "select sequence, array_to_string(implausible, ' ') as odd from events order by sequence"
    )
    assert [row["odd"] for row in found] == ["duration_over_31_days", "", ""]


def test_a_measure(tmp_path: Path) -> None:
    copy = Copy(tmp_path, "A measure")
    copy.drop(
        HEADER + infusion("P-1", "2026-10-01T08:00:00", "2026-10-01T08:05:00", 1)
        + infusion("P-1", "2026-10-02T08:00:00", "2026-10-02T08:04:59", 3)
    )  # fmt: skip
    rows = json.loads(copy.run("measures", "--month", "2026-10", "--by", "source", "--json"))
    (row,) = (row for row in rows if row["measure"] == "brief_share" and row["numerator"] is not None)
    assert (float(row["numerator"]), float(row["denominator"])) == (1, 2)


def test_a_rule_of_incidents(tmp_path: Path) -> None:
    copy = Copy(tmp_path, "A rule of incidents")
    lines = infusion("P-1", "2026-10-01T08:00:00", "2026-10-01T09:00:00", 1).splitlines(keepends=True)
    cleared = "P-1,A,2026-10-01T08:30:00,2,totals_cleared,ICU,,,\n"
    copy.drop(HEADER + lines[0] + cleared + lines[1].replace(",2,infusion_stopped", ",3,infusion_stopped"))
    copy.run("trace", "--pump", "P-1", "--from", "2026-10-01T08:00", "--to", "2026-10-01T09:00")
    assert "The counter of what was pumped was cleared here. [totals_cleared:" in copy.told


def test_an_adapter(tmp_path: Path) -> None:
    copy = Copy(tmp_path, "An adapter")
    (copy.site / "site.toml").write_text(SITE_TOML, encoding="utf-8")
    (copy.site / "sources" / "plain.toml").unlink()
    (copy.site / "sources" / "named.toml").write_text(
        'pattern = ["*.txt"]\nshape = "pairs"\nrecords = ["all"]\n[time]\nformat = "iso"\nzone = "UTC"\n'
        '[fields]\npump_id = "Pump"\nchannel = "Ch"\ndevice_time = "Time"\nkind = "What"\nsequence = "No"\n'
        'rate_ml_h = { field = "Rate", unit = "mL/h" }\n'
        '[kinds]\n"go" = "infusion_started"\n"end" = "infusion_stopped"\n',
        encoding="utf-8",
    )
    lines = (
        "Pump=P-1;Ch=A;Time=2026-10-01T08:00:00;No=1;What=go;Rate=12.5\n"
        "Pump=P-1;Ch=A;Time=2026-10-01T08:30:00;No=2;What=end\n"
        "Pump=P-1;torn\n"
    )
    (copy.site / "inbox" / "log.txt").write_text(lines, encoding="utf-8")
    document = json.loads(copy.run("ingest", "--json", code=4))
    assert (document["rows_read"], document["events_kept"], document["quarantined"]) == (3, 2, 1)
    (row,) = copy.query("select pump_id, running_hours, volume_ml from infusions")
    assert (row["pump_id"], float(row["running_hours"]), float(row["volume_ml"])) == ("P-1", 0.5, 6.25)
