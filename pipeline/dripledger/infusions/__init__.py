"""Infusions: segments and infusions rebuilt from events by SQL."""

from dripledger.infusions.build import build, make_settings
from dripledger.infusions.update import update

__all__ = ["build", "make_settings", "update"]
