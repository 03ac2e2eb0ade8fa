"""Infusions: segments, infusions, programmings, attempts and alarms rebuilt from events by SQL."""

from dripledger.infusions.build import build, make_settings, make_source_records
from dripledger.infusions.rules import rules_text
from dripledger.infusions.update import update

__all__ = ["build", "make_settings", "make_source_records", "rules_text", "update"]
