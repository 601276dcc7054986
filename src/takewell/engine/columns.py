"""Where do the histories of all tracks stay while they grow?

Rows come in batches, one value per channel; each channel's column is wanted whole at the end.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[Any]


class Columns:
    """Named columns of equal length, one of each name per channel."""

    def __init__(self, dtypes: dict[str, type], channels: int) -> None:
        self._dtypes = {name: np.dtype(kind) for name, kind in dtypes.items()}
        self._channels = channels
        self._batches: dict[str, list[Array]] = {name: [] for name in dtypes}
        self.length = 0

    def append(self, batch: dict[str, Array]) -> None:
        """Take (rows, channels) arrays, one for each name."""
        for name, kind in self._dtypes.items():
            self._batches[name].append(np.ascontiguousarray(batch[name].T.astype(kind)))
        self.length += len(next(iter(batch.values())))

    def column(self, name: str, channel: int) -> Array:
        """Return a channel's whole column."""
        parts = [batch[channel] for batch in self._batches[name]]
        return np.concatenate(parts) if parts else np.zeros(0, self._dtypes[name])
