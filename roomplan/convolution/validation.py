"""The checks at the engine's edge; the kernel behind them trusts its arguments."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from roomplan.errors import RoomplanError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from roomplan.convolution.routing import Route

__all__ = ["validate_counts", "validate_finite", "validate_responses", "validate_routes"]


def validate_counts(counts: dict[str, int]) -> None:
    """Refuse a count below 1; the key is its name."""
    for name, value in counts.items():
        if value < 1:
            raise RoomplanError(f"a convolver of {value} {name} was asked for", remedy="1 or more are needed")


def validate_responses(responses: Sequence[np.ndarray]) -> None:
    """Refuse what is no response: not (taps,), empty, not real, not finite."""
    for index, response in enumerate(responses):
        if response.ndim != 1 or len(response) == 0:
            raise RoomplanError(
                f"response {index} has shape {response.shape}",
                remedy="a response is (taps,) with at least one sample; one array per channel",
            )
        if response.dtype.kind not in "fiu":
            raise RoomplanError(f"response {index} is of type {response.dtype}", remedy="give real numbers")
        validate_finite(response, f"response {index}")


def validate_routes(routes: Sequence[Route], *, inputs: int, outputs: int, responses: int) -> None:
    """Refuse a route that points outside its lists."""
    limits = {"input": inputs, "output": outputs, "response": responses}
    for route in routes:
        for name, limit in limits.items():
            value = getattr(route, name)
            if not 0 <= value < limit:
                raise RoomplanError(
                    f"a route names {name} {value}, there are {limit}", remedy=f"0 to {limit - 1} are allowed"
                )


def validate_finite(array: np.ndarray, name: str) -> None:
    """Refuse NaN and infinities, naming the first by frame and channel."""
    if array.dtype.kind != "f" or np.isfinite(array).all():
        return
    frame, *channel = np.argwhere(~np.isfinite(array))[0]
    where = f"frame {frame}" + (f", channel {channel[0] + 1}" if channel else "")
    raise RoomplanError(f"{name} is {array[frame, *channel]} at {where}", remedy="samples must be finite")
