"""Clusters as rows, added up: what the engine does, done by the definitions."""

from __future__ import annotations

import numpy as np

from dripledger.statistics import ClusterSums


def summed(part: np.ndarray, whole: np.ndarray) -> ClusterSums:
    """Add up clusters; their parts and wholes are whole numbers, of shape (clusters,)."""
    parts, wholes = [int(one) for one in part], [int(one) for one in whole]
    pairs = list(zip(parts, wholes, strict=True))
    return ClusterSums(
        with_whole=sum(w > 0 for w in wholes),
        with_part=sum(p > 0 for p in parts),
        with_any=sum(p > 0 or w > 0 for p, w in pairs),
        part=sum(parts),
        whole=sum(wholes),
        part_squared=sum(p * p for p in parts),
        part_by_whole=sum(p * w for p, w in pairs),
        whole_squared=sum(w * w for w in wholes),
        least_part=min(parts, default=0),
        least_whole=min(wholes, default=0),
        least_rest=min((w - p for p, w in pairs), default=0),
    )
