"""What exactly one pump did: the incident timeline, and the packet that proves it."""

from dripledger.incidents.listed import Listed, find_listed
from dripledger.incidents.moments import parse_moment
from dripledger.incidents.packet import make_packet, write_packet
from dripledger.incidents.similar import similar
from dripledger.incidents.tracing import Asked, trace
from dripledger.incidents.verifying import verify_packet

__all__ = [
    "Asked", "Listed", "find_listed", "make_packet", "parse_moment", "similar", "trace", "verify_packet",
    "write_packet",
]  # fmt: skip
