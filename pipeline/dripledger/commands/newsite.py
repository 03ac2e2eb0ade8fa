"""`init`: a new site folder, commented and ready to edit, and the key for pseudonyms outside it."""

from __future__ import annotations

import os
import re
import secrets
import shlex
from pathlib import Path

from dripledger.errors import UsageError

_SITE_TOML = """\
# One hospital (or one group of wards that reports together). Every key is explained where it stands; what is
# commented out shows its default. After a change, run: dripledger ingest

format = 1
# The facility's name is part of every key in the store: choose it once and keep it.
facility = "{facility}"
# IANA name of the zone that the wards live in, such as "Europe/Lisbon". CHANGE THIS BEFORE THE FIRST INGEST.
time_zone = "UTC"

# Care areas as they are selected at the pumps. With none declared, every label is taken as it is; with some,
# a label that is neither a name nor an alias is counted as unmapped. context = "maintenance" or "training"
# keeps an area out of every measure.
# [care_areas."Adult intensive care"]
# aliases = ["ICU", "ICU-2"]
# [care_areas."Workshop"]
# context = "maintenance"

# Windows and shares of the rules. Each is printed with the figures that rest on it.
# [thresholds]
# continue_after_stop_s = 900      # a start this soon after a stop continues the infusion
# continue_after_pause_s = 3600    # the same after a pause
# no_gap_s = 2                     # a stop and a start this close are a change of rate
# keep_open_wait_s = 60            # keep-open follows a completion within this time
# false_start_s = 30               # shorter runs are counted apart
# stale_library_days = 7           # a start on an older library counts as stale after that many days
# long_stop_s = 600                # longer stops of high-alert entries by an alarm are listed
# provisional_share = 0.95         # a month is provisional until this share of pumps was heard after its end
# quarantine_share_max = 0.02      # a run with a larger share in quarantine ends with exit code 4

# Least data for a rate; below it a cell shows its counts only.
# [minimums]
# starts = 20
# infusions = 10
# channel_hours = 500

# How large a file in the inbox may be; one past a limit is refused whole, and the others are read.
# [limits]
# unpack_ratio = 200               # unpacked over packed size, from 16 MiB on
# unpacked_gib = 64                # unpacked size of one compressed file
# members = 10000                  # files in one zip
# workbook_mib = 512               # unpacked size of one workbook
# workbook_cells = 20000000        # rows times columns of a sheet, as far as it holds values
# record_mib = 16                  # length of one record
# columns = 2000                   # columns of one header
# nesting = 100                    # levels inside each other (XML and JSON arrays)
# free_mib = 64                    # MiB that an ingest leaves free on the disk

# [report]
# title = "Infusion pump safety"
# decimal = "."                    # or ","
# dates = "year_first"             # 2026-10-31; or "day_first" (31 Oct 2026), "month_first" (Oct 31, 2026)
# paper = "a4"                     # or "letter"

[people]
# Patients and orders enter the store only as keyed pseudonyms. The key stays outside this folder: whoever has
# both can try out names. Losing it means that the same patient gets another pseudonym from then on.
key_file = {key_file}

# Where two sources report the same fact, say which one counts; the other stays as evidence.
# [[precedence]]
# counts = "wards"
# kinds = ["infusion_started", "infusion_stopped"]
# pumps = ["P-001"]                # left out: all pumps
"""

_EXAMPLE_MAPPING = """\
# One source: which files are its exports, and which raw field is which column. To use this file, edit it and
# rename it so that its name ends in .toml. Below it reads a comma-separated export such as this:
#
#   Device,Chan,When,No,Event,Area,Drug,Rate,Unit,Patient
#   P-001,A,2026-10-01 08:00:00,17,START,ICU,morphine,2.5,mL/h,88004711

name = "wards"
pattern = ["wards/*.csv"]          # files below inbox/
shape = "delimited"                # or "json_lines", "json_array", "xml", "fixed_width", "workbook", "hl7"
# Every kind that this source can log. A measure that needs another kind reads not_measurable, never 0.
records = ["powered_on", "powered_off", "infusion_started", "rate_changed", "infusion_paused",
           "infusion_resumed", "infusion_completed", "infusion_stopped"]
sequence_reliable = false          # true: the running number has no holes unless something was lost
file_order = false                 # true: lines of the same second stand in the order in which they happened

[delimited]
separator = ","
quote = '"'
decimal = "."
encoding = "detect"                # UTF-8 and UTF-16 tell themselves; "windows-1252" has to be declared

[time]
format = "%Y-%m-%d %H:%M:%S"       # or "iso"
zone = "site"                      # the facility's zone; or "UTC", an IANA name, "in_text"
resolution_s = 1

[fields]
pump_id = "Device"
channel = "Chan"
device_time = "When"
sequence = "No"
kind = "Event"
care_area = "Area"
entry = "Drug"
rate_ml_h = { field = "Rate", unit_field = "Unit" }
patient_key = { field = "Patient", personal = "key" }

[kinds]
"ON" = "powered_on"
"OFF" = "powered_off"
"START" = "infusion_started"
"RATE" = "rate_changed"
"PAUSE" = "infusion_paused"
"RESUME" = "infusion_resumed"
"DONE" = "infusion_completed"
"STOP" = "infusion_stopped"
"BEAT" = { ignore = "sign of life, carries no event" }
"""

#: Lists that a person keeps; the name loses .example when the list comes into use.
_LISTS = {
    "pumps.csv.example": (
        "pump,model,type,home_area,in_service_from,in_service_to\n"
        "P-001,,large_volume,Adult intensive care,2026-01-15,\n"
    ),
    "clocks.csv.example": "pump,from,offset_s\nP-001,2026-03-01 00:00,2820\n",
    "service.csv.example": "pump,from,to,context\nP-001,2026-02-02 08:00,2026-02-03 12:00,maintenance\n",
    "changes.csv.example": "date,area,what\n2026-03-02,Adult intensive care,drug library release 7\n",
    "reviews.csv.example": "case,disposition,date\n0123456789abcdef0123456789abcdef,intended,2026-11-05\n",
    "entries.csv.example": "entry,high_alert,aliases\nmorphine,yes,MORPHINE|Morphine 1 mg/mL\n",
    "libraries/library.csv.example": (
        "version,published_at,care_area,entry,concentration_value,concentration_unit,dosing_unit,quantity,"
        "hard_low,soft_low,soft_high,hard_high,weight_min_kg,weight_max_kg\n"
        "7,2026-03-02T00:00:00Z,Adult intensive care,morphine,1,mg/mL,mg/h,dose_rate,,0.5,5,10,,\n"
    ),
}

_READ_ME = """\
This folder is one site of dripledger.

site.toml        the facility, its time zone, thresholds, minimums
sources/         one mapping (.toml) a source; the example does nothing until it is renamed
libraries/       drug libraries (.csv); the example does nothing until it is renamed
*.csv.example    lists a person keeps; rename one to end in .csv to put it into use:
                 pumps.csv     which pumps are in service, so that silent ones are seen
                 clocks.csv    pump clocks known to be off; offset_s = pump minus true time
                 service.csv   pumps in the workshop or in training for a while
                 changes.csv   releases, go-lives, recalls
                 entries.csv   the entries of the library, high-alert flag, other spellings
                 reviews.csv   what listed cases were found to be: intended, slip, artefact, undecided
inbox/           drop exports here, then run: dripledger ingest
originals/       what was read (made by ingest)
store/           the ledger (made by ingest)
reports/         what was reported
"""


def facility_name(directory: Path) -> str:
    """Return a facility name made of the folder's name: small letters, digits, hyphens."""
    return re.sub(r"[^a-z0-9]+", "-", directory.resolve().name.lower()).strip("-") or "facility"


def key_folder() -> Path:
    """Return the folder for key files: DRIPLEDGER_KEY_DIR, else ``~/.config/dripledger``."""
    named = os.environ.get("DRIPLEDGER_KEY_DIR")
    return Path(named) if named else Path.home() / ".config" / "dripledger"


def make_site(directory: Path) -> list[str]:
    """Write a new site folder and its key file; an existing file is never overwritten.

    Parameters
    ----------
    directory
        The folder; may exist as long as there is no site in it.

    Returns
    -------
    list of str
        What a person should know or do next, one sentence each.

    Raises
    ------
    UsageError
        If there is a site already, or the key would lie inside the site folder.
    """
    if directory.exists() and not directory.is_dir():
        raise UsageError(
            "is a file, not a folder", where=directory, do="Name a folder that does not exist yet"
        )
    if (directory / "site.toml").exists():
        raise UsageError(
            "there is a site.toml already; nothing was changed", where=directory, do="Edit it instead"
        )
    facility = facility_name(directory)
    key = (key_folder() / f"{facility}.key").resolve()
    if key.is_relative_to(directory.resolve()):
        raise UsageError(
            "the key must not lie inside the site folder",
            where=key,
            do="Set DRIPLEDGER_KEY_DIR to another place",
        )
    kept_key = not _write_key(key)
    for name in ("sources", "libraries", "inbox", "reports"):
        (directory / name).mkdir(parents=True, exist_ok=True)
    files = {
        "README.txt": _READ_ME,
        "sources/example.toml.txt": _EXAMPLE_MAPPING,
        **_LISTS,
        # Last: with it the folder is a site.
        "site.toml": _SITE_TOML.format(facility=facility, key_file=_toml_string(str(key))),
    }
    for name, text in files.items():
        if not (directory / name).exists():
            (directory / name).write_text(text, encoding="utf-8")
    return [
        f"the site folder {directory} is ready; the facility is called {facility!r}.",
        "set time_zone in site.toml before the first ingest: it stands at UTC.",
        f"the key for pseudonyms {'was there already and is kept' if kept_key else 'was made'}: {key}. "
        "Keep a copy in a safe place that is not this folder.",
        "next: edit sources/example.toml.txt, rename it to end in .toml, drop exports into inbox/, and run "
        f"'dripledger ingest --site {shlex.quote(str(directory))}'.",
    ]


def _toml_string(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'


def _write_key(path: Path) -> bool:
    """Write a new owner-only key; return False where one stands already (it is kept)."""
    path.parent.mkdir(parents=True, exist_ok=True, mode=0o700)
    try:
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except FileExistsError:
        return False
    with os.fdopen(handle, "w", encoding="ascii") as file:
        file.write(secrets.token_hex(32) + "\n")
    return True
