"""dripledger: what infusion pumps did, from their own event logs, with every record accounted for."""

__version__ = "0.1.0"
