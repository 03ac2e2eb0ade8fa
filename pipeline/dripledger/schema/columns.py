"""Every column of the ledger, declared once: name with its unit, type, allowed values, meaning."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from dripledger.schema import codes
from dripledger.schema.types import ColumnType

__all__ = ["COLUMNS", "Column", "ColumnType", "pick"]


@dataclass(frozen=True, slots=True)
class Column:
    """One column.

    Parameters
    ----------
    name
        The column's name; a quantity carries its unit as a suffix.
    type
        Its type.
    meaning
        One phrase for the data dictionary.
    allowed
        The values it may take; empty for free values.
    nullable
        Whether it may be null (null means: not logged).
    """

    name: str
    type: ColumnType
    meaning: str
    allowed: tuple[str, ...] = ()
    nullable: bool = True


_T, _I, _R, _D = ColumnType.TEXT, ColumnType.INTEGER, ColumnType.REAL, ColumnType.DECIMAL
_B, _TS, _CL, _L = ColumnType.BOOLEAN, ColumnType.INSTANT, ColumnType.CLOCK, ColumnType.TEXT_LIST


def _declare() -> Iterable[Column]:
    # identity
    yield Column("event_id", _T, "md5 of what the mapping declares as this event's identity", nullable=False)
    yield Column("kind", _T, "what happened", tuple(codes.EVENT_KINDS), nullable=False)
    yield Column("kind_logged", _T, "the label as the log wrote it")
    yield Column("facility", _T, "the hospital that the site folder belongs to", nullable=False)
    yield Column("pump_id", _T, "the pump, as the log names it", nullable=False)
    yield Column("pump_model", _T, "model, from the log or pumps.csv")
    yield Column("pump_type", _T, "type of pump, from the log or pumps.csv", codes.PUMP_TYPES)
    yield Column("channel", _T, "the channel; empty: the whole pump", nullable=False)
    yield Column("channel_device_id", _T, "the channel's own device identifier")
    yield Column("software_version", _T, "software version of the pump")
    yield Column("sequence", _I, "the pump's own running number of the record")
    yield Column(
        "sequence_reliable",
        _B,
        "whether the source declares sequence to be gapless and in order",
        nullable=False,
    )
    yield Column("record_id", _T, "the source's own identifier of the record")
    yield Column("record_place", _I, "place of the event in its record or element, from 0", nullable=False)
    yield Column(
        "values_digest",
        _I,
        "63 bits of the md5 over all values as logged: tells a duplicate from a conflict of one identity",
        nullable=False,
    )
    # lineage
    yield Column("source_file_sha256", _T, "hash of the file that the record came in", nullable=False)
    yield Column("source_name", _T, "the mapping that read it", nullable=False)
    yield Column("source_record", _I, "number of the record in its file, from 1", nullable=False)
    yield Column("ingest_id", _T, "the ingest that brought it", nullable=False)
    # time
    yield Column("device_time", _CL, "the pump's clock as logged, without zone", nullable=False)
    yield Column("occurred_at", _TS, "the instant, UTC, corrected for the pump's clock error", nullable=False)
    yield Column("received_at", _TS, "when a server received it")
    yield Column("clock_offset_s", _R, "pump minus true time that was corrected for", nullable=False)
    yield Column("time_quality", _T, "how sure the instant is", codes.TIME_QUALITIES, nullable=False)
    yield Column("time_resolution_s", _R, "smallest step of the logged time", nullable=False)
    yield Column(
        "file_rank", _I, "rank inside pump, channel and second; only where the mapping says file_order"
    )
    # programme
    yield Column("care_area", _T, "care area as selected at the pump")
    yield Column("care_area_logged", _T, "care area as the log wrote it")
    yield Column("location", _T, "where the patient was, if a source says")
    yield Column("library_version", _T, "version of the drug library in force")
    yield Column(
        "library_use", _T, "whether an entry with limits, one without, or none was used", codes.LIBRARY_USES
    )
    yield Column(
        "library_use_basis", _T, "whether the log says so or it was inferred", codes.LIBRARY_USE_BASES
    )
    yield Column("entry", _T, "drug library entry")
    yield Column("entry_logged", _T, "entry as the log wrote it")
    yield Column("concentration_value", _R, "drug per volume, in concentration_unit")
    yield Column("concentration_unit", _T, "UCUM unit of the concentration")
    yield Column("rate_ml_h", _R, "flow rate")
    yield Column("previous_rate_ml_h", _R, "flow rate before the change")
    yield Column("dose_value", _R, "dose rate, in dose_unit")
    yield Column("dose_unit", _T, "UCUM unit of the dose rate")
    yield Column("previous_dose_value", _R, "dose rate before the change")
    yield Column("volume_to_infuse_ml", _R, "volume to infuse (VTBI)")
    yield Column("programmed_duration_s", _R, "programmed time")
    yield Column("weight_kg", _R, "patient weight as entered at the pump")
    yield Column("bsa_m2", _R, "body surface area as entered at the pump")
    yield Column("delivery_mode", _T, "delivery mode as the source names it")
    yield Column("fluid_source", _T, "which fluid the channel draws", codes.FLUID_SOURCES)
    yield Column("initiator", _T, "who caused the change", codes.INITIATORS)
    yield Column("stop_reason", _T, "why delivery stopped, as logged")
    yield Column("running_logged", _B, "whether the log says that the channel delivers at this moment")
    yield Column("bolus_dose_value", _R, "bolus dose, in the amount unit of dose_unit")
    yield Column("bolus_adds_to_basal", _B, "whether a bolus adds to the basal rate; null: it replaces it")
    yield Column("syringe_size_ml", _R, "syringe size")
    yield Column("order_key", _T, "keyed pseudonym of the order")
    # limit
    yield Column("limit_kind", _T, "soft can be confirmed past, hard cannot", codes.LIMIT_KINDS)
    yield Column("limit_side", _T, "low or high limit", codes.LIMIT_SIDES)
    yield Column("limit_quantity", _T, "the quantity that the limit is on", codes.LIMIT_QUANTITIES)
    yield Column("limit_value", _R, "the limit, in limit_unit")
    yield Column("entered_value", _R, "the value entered, in limit_unit")
    yield Column("limit_unit", _T, "UCUM unit of limit and entered value")
    yield Column("harm_side", _T, "whether crossing means too much or too little", codes.HARM_SIDES)
    yield Column("alert_id", _T, "the source's identifier of the limit alert")
    yield Column(
        "decision_logged",
        _T,
        "what was done after the warning, where the log says",
        (*codes.DECISIONS, codes.UNMAPPED),
    )
    # alarm
    yield Column("alarm_id", _T, "the source's identifier of the alarm; in alarms: event_id of its raise")
    yield Column("alarm_kind", _T, "kind of alarm", codes.ALARM_KINDS)
    yield Column("alarm_label", _T, "alarm as the log wrote it")
    yield Column("alarm_type", _T, "physiological, technical or advisory, as logged")
    yield Column("alarm_priority", _T, "priority (IEC 60601-1-8)", codes.ALARM_PRIORITIES)
    yield Column("stops_delivery", _B, "whether the alarm stops delivery; null: not declared")
    yield Column("error_code", _T, "the device's error code")
    # delivery
    yield Column("volume_delivered_ml", _R, "volume the pump reports as delivered")
    yield Column("volume_scope", _T, "what that volume counts", codes.VOLUME_SCOPES)
    # subject
    yield Column("patient_key", _T, "keyed pseudonym of the patient (HMAC-SHA-256)")
    yield Column("use_context", _T, "clinical use, or workshop or training", codes.USE_CONTEXTS)
    # doubts
    yield Column("implausible", _L, "names of the plausibility checks that this event fails", nullable=False)
    yield Column(
        "unmapped",
        _L,
        "which labels of this event nobody has filed: kind, entry, care_area, alarm",
        nullable=False,
    )
    yield Column(
        "month",
        _T,
        "partition: month of device_time as UTC before correction, or of started_at",
        nullable=False,
    )
    # quarantine
    yield Column("record_md5", _T, "md5 of the record as written", nullable=False)
    yield Column("reasons", _L, "names of all checks that made the record unreadable", nullable=False)
    yield Column("explanation", _T, "the same in sentences for people", nullable=False)
    yield Column(
        "fields_json", _T, "the record's fields as JSON, personal ones masked; null if it cannot be split"
    )
    yield Column("byte_offset", _I, "where the record begins in the file; null where not known")
    yield Column("byte_length", _I, "how many bytes it has; null where not known")
    # ignored
    yield Column("reason", _T, "why a rule says that the record carries no event", nullable=False)
    # segments and infusions
    yield Column("infusion_id", _T, "event_id of the event that starts the infusion")
    yield Column(
        "continues_infusion_id", _T, "the infusion it would have continued but for a change of programme"
    )
    yield Column("started_at", _TS, "begin, UTC", nullable=False)
    yield Column("ended_at", _TS, "end, UTC; null: open, or an alarm whose source logs no clearing")
    yield Column("state", _T, "what the channel was doing", codes.STATES, nullable=False)
    yield Column("volume_ml", _D, "computed volume; infusions: without keep-open and priming")
    yield Column("amount", _D, "computed drug amount, in amount_unit")
    yield Column("amount_unit", _T, "UCUM unit of the amount")
    yield Column("start_kind", _T, "why the infusion begins here", codes.START_KINDS, nullable=False)
    yield Column("end_kind", _T, "how it ended", codes.END_KINDS, nullable=False)
    yield Column("running_hours", _R, "hours in which the state was running or bolus")
    yield Column("volume_keep_open_ml", _D, "computed volume of keep-open stretches")
    yield Column(
        "volume_reported_ml", _R, "the pump's own total; null where its counter fell and no reset is logged"
    )
    yield Column("user_rate_changes", _I, "rate changes by a user while it ran")
    yield Column(
        "uncertain",
        _B,
        "whether an unknown stretch, a missing start or stop, a gap or an unclear time touches it",
    )
    yield Column("false_start", _B, "ran under 30 s or delivered nothing: counted apart")
    # programmings and attempts
    yield Column("programming_id", _T, "event_id of the confirmed row, else the attempt's id", nullable=False)
    yield Column("at", _TS, "when it was confirmed; without a confirmation the first alert", nullable=False)
    yield Column("phase", _T, "a start, a change of what runs, or a bolus", codes.PHASES, nullable=False)
    yield Column("value", _R, "what was programmed: bolus dose, else dose, rate, volume or time, in unit")
    yield Column("unit", _T, "UCUM unit of the value")
    yield Column("attempt_id", _T, "event_id of the attempt's first limit alert")
    yield Column("first_alert_at", _TS, "the attempt's first limit alert, UTC", nullable=False)
    yield Column("last_alert_at", _TS, "the attempt's last limit alert, UTC", nullable=False)
    yield Column("decided_at", _TS, "its last decision, else what ended it, UTC; null: timed out")
    yield Column("alerts", _I, "limit alerts of the attempt", nullable=False)
    yield Column("met_soft", _B, "whether it met a soft limit", nullable=False)
    yield Column("met_hard", _B, "whether it met a hard limit", nullable=False)
    yield Column("entered_first", _R, "first value entered for the limit's quantity, in limit_unit")
    yield Column("entered_final", _R, "value confirmed for it, in limit_unit; null: none was, or not known")
    yield Column(
        "limit_multiple", _R, "times the limit, 1 or more: an override's final value, else the first entered"
    )
    yield Column("change_factor", _R, "first entered / confirmed; where nothing was, / the running value")
    yield Column("outcome", _T, "what became of the attempt", codes.OUTCOMES, nullable=False)
    yield Column("reversed", _B, "whether an override was brought inside within 10 min", nullable=False)
    # alarms
    yield Column("raised_at", _TS, "when it was first raised, UTC", nullable=False)
    yield Column("silenced_at", _TS, "when it was first silenced, UTC")
    yield Column("cleared_at", _TS, "when it was cleared for good, UTC; null: never logged")
    yield Column("raw_count", _I, "raised and updated rows that are this one alarm", nullable=False)
    yield Column(
        "stopped_delivery", _B, "whether it stopped a delivery; null: its effect or the state is not known"
    )
    # ledger
    yield Column("path", _T, "path of the file below inbox, or as given", nullable=False)
    yield Column("rows_read", _I, "records counted on the bytes", nullable=False)
    yield Column("events_kept", _I, "records that gave at least one new event", nullable=False)
    yield Column(
        "duplicates", _I, "records whose events were all known, or that wait already", nullable=False
    )
    yield Column("quarantined", _I, "records that cannot be read as events", nullable=False)
    yield Column("rows_ignored", _I, "records that a rule with a reason says carry no event", nullable=False)
    yield Column("events", _I, "new events", nullable=False)
    yield Column("ingested_at", _TS, "time of the commit", nullable=False)
    yield Column("mapping_sha256", _T, "hash of the mapping that read it", nullable=False)
    yield Column(
        "records_json", _T, "JSON list of the kinds that its source declares it can log", nullable=False
    )
    yield Column(
        "forgotten_at",
        _TS,
        "when a person had the file forgotten, so that its records count as ignored; null: never",
    )
    # library
    yield Column("library_published_at", _TS, "when the release was available")
    yield Column("dosing_unit", _T, "UCUM unit that the entry is dosed in")
    yield Column("hard_low", _R, "hard low limit")
    yield Column("soft_low", _R, "soft low limit")
    yield Column("soft_high", _R, "soft high limit")
    yield Column("hard_high", _R, "hard high limit")
    yield Column("weight_min_kg", _R, "lowest patient weight that the row is for")
    yield Column("weight_max_kg", _R, "highest patient weight that the row is for")


#: name -> Column
COLUMNS: dict[str, Column] = {}
for _column in _declare():
    if _column.name in COLUMNS:
        raise ValueError(f"column {_column.name} is declared twice")
    COLUMNS[_column.name] = _column


def pick(*names: str) -> tuple[Column, ...]:
    """Return the named columns in the order given; an undeclared name is a KeyError."""
    return tuple(COLUMNS[name] for name in names)
