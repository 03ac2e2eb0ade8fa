"""The synthetic hospital: a declared scenario, played from a seed, written as a site with its truth."""

from dripledger.hospital.generate import Hospital, build, generate
from dripledger.hospital.scenario import Scenario, load_scenario

__all__ = ["Hospital", "Scenario", "build", "generate", "load_scenario"]
