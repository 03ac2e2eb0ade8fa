"""The tables of the ledger: which columns, in which order, with which key."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import pyarrow as pa

from dripledger.schema.columns import Column, pick


@dataclass(frozen=True, slots=True)
class Table:
    """One table.

    Parameters
    ----------
    name
        Its name for `query`, notebooks and the folder below ``store/``.
    grain
        What one row is.
    columns
        Its columns in order.
    key
        The columns that tell rows apart.
    partition
        The partition column, or None.
    """

    name: str
    grain: str
    columns: tuple[Column, ...]
    key: tuple[str, ...]
    partition: str | None = None

    @property
    def arrow_schema(self) -> pa.Schema:
        """The table's Arrow schema."""
        return pa.schema([pa.field(c.name, c.type.arrow, nullable=True) for c in self.columns])

    @property
    def names(self) -> tuple[str, ...]:
        """The column names in order."""
        return tuple(c.name for c in self.columns)

    def empty_select(self) -> str:
        """Return a SELECT with this table's columns, typed, and no row."""
        fields = ", ".join(f'cast(null as {c.type.duckdb}) as "{c.name}"' for c in self.columns)
        return f"select {fields} where false"


def _nullable(columns: tuple[Column, ...], *names: str) -> tuple[Column, ...]:
    """Let columns be null in one table that may not be null elsewhere."""
    return tuple(replace(c, nullable=True) if c.name in names else c for c in columns)


_EVENT_COLUMNS: Final = (
    "event_id", "kind", "kind_logged", "facility", "pump_id", "pump_model", "pump_type", "channel",
    "channel_device_id", "software_version", "sequence", "sequence_reliable", "record_id", "record_place",
    "values_digest", "source_file_sha256", "source_name", "source_record", "ingest_id", "device_time",
    "occurred_at", "received_at", "clock_offset_s", "time_quality", "time_resolution_s", "file_rank",
    "care_area", "care_area_logged", "location", "library_version", "library_use", "library_use_basis",
    "entry", "entry_logged", "concentration_value", "concentration_unit", "rate_ml_h", "previous_rate_ml_h",
    "dose_value", "dose_unit", "previous_dose_value", "volume_to_infuse_ml", "programmed_duration_s",
    "weight_kg", "bsa_m2", "delivery_mode", "fluid_source", "initiator", "stop_reason", "running_logged",
    "bolus_dose_value", "bolus_adds_to_basal", "syringe_size_ml", "order_key", "limit_kind", "limit_side",
    "limit_quantity", "limit_value", "entered_value", "limit_unit", "harm_side", "alert_id",
    "decision_logged", "alarm_id", "alarm_kind", "alarm_label", "alarm_type", "alarm_priority",
    "stops_delivery", "error_code", "volume_delivered_ml", "volume_scope", "patient_key", "use_context",
    "implausible", "unmapped", "month",
)  # fmt: skip

TABLES: Final[dict[str, Table]] = {
    table.name: table
    for table in (
        Table(
            "events",
            "one thing that one pump channel (or the pump) did at one moment",
            pick(*_EVENT_COLUMNS),
            ("event_id",),
            "month",
        ),
        Table(
            "quarantined",
            "one record that cannot be read as events, with every reason",
            _nullable(
                pick(
                    "source_file_sha256", "source_name", "source_record", "ingest_id", "record_md5",
                    "reasons", "explanation", "fields_json", "byte_offset", "byte_length", "facility",
                    "pump_id", "sequence", "device_time",
                ),
                "pump_id", "device_time",
            ),
            ("source_file_sha256", "source_record"),
        ),
        Table(
            "ignored",
            "one ignored record whose pump, sequence number and time can be read; the same record in several "
            "files stands once",
            pick(
                "source_file_sha256", "source_name", "source_record", "ingest_id", "facility", "pump_id",
                "sequence", "sequence_reliable", "device_time", "occurred_at", "reason", "month",
            ),
            ("source_name", "pump_id", "sequence", "device_time"),
            "month",
        ),
        Table(
            "ingests",
            "one file of one ingest, with its ledger balance",
            pick(
                "ingest_id", "path", "source_file_sha256", "source_name", "facility", "rows_read",
                "events_kept", "duplicates", "quarantined", "rows_ignored", "events", "ingested_at",
                "mapping_sha256", "records_json", "forgotten_at",
            ),
            ("ingest_id", "source_file_sha256"),
        ),
        Table(
            "segments",
            "one stretch of one channel in which state and programme do not change",
            pick(
                "infusion_id", "facility", "pump_id", "channel", "started_at", "ended_at", "state",
                "rate_ml_h", "volume_ml", "amount", "amount_unit", "care_area", "entry", "library_use",
                "library_version", "weight_kg", "concentration_value", "concentration_unit", "dose_value",
                "dose_unit", "fluid_source", "patient_key", "month",
            ),
            ("facility", "pump_id", "channel", "started_at", "ended_at"),
            "month",
        ),
        Table(
            "infusions",
            "one programmed delivery on one channel, start to end",
            pick(
                "infusion_id", "continues_infusion_id", "facility", "pump_id", "pump_type", "channel",
                "started_at", "ended_at", "start_kind", "end_kind", "care_area", "entry", "library_use",
                "library_version", "running_hours", "volume_ml", "volume_keep_open_ml", "volume_reported_ml",
                "amount", "amount_unit", "user_rate_changes", "uncertain", "false_start", "use_context",
                "concentration_value", "concentration_unit", "fluid_source", "patient_key", "source_name",
                "month",
            ),
            ("infusion_id",),
            "month",
        ),
        Table(
            "programmings",
            "a confirmed start, user change or bolus in the library, or an attempt that ended with none",
            pick(
                "programming_id", "infusion_id", "facility", "pump_id", "channel", "at", "phase", "care_area",
                "entry", "value", "unit", "attempt_id", "use_context", "source_name", "month",
            ),
            ("programming_id",),
            "month",
        ),
        Table(
            "attempts",
            "one human effort that drew limit alerts",
            pick(
                "attempt_id", "infusion_id", "facility", "pump_id", "channel", "care_area", "entry",
                "first_alert_at", "last_alert_at", "decided_at", "alerts", "met_soft", "met_hard",
                "limit_side", "limit_quantity", "limit_value", "limit_unit", "entered_first",
                "entered_final", "limit_multiple", "change_factor", "outcome", "reversed", "phase",
                "use_context", "source_name", "month",
            ),
            ("attempt_id",),
            "month",
        ),
        Table(
            "alarms",
            "one alarm condition from raised to cleared, however often it sounds",
            pick(
                "alarm_id", "facility", "pump_id", "channel", "infusion_id", "care_area", "raised_at",
                "silenced_at", "cleared_at", "ended_at", "alarm_kind", "alarm_priority", "raw_count",
                "stopped_delivery", "use_context", "source_name", "month",
            ),
            ("alarm_id",),
            "month",
        ),
        Table(
            "libraries",
            "one limit row of one drug library version",
            pick(
                "library_version", "library_published_at", "care_area", "entry", "concentration_value",
                "concentration_unit", "dosing_unit", "limit_quantity", "hard_low", "soft_low", "soft_high",
                "hard_high", "weight_min_kg", "weight_max_kg",
            ),
            ("library_version", "care_area", "entry", "concentration_value", "concentration_unit",
             "limit_quantity"),
        ),
    )
}  # fmt: skip
